"""Figure: by how much the waist unit sees a contact later than the plate, by task."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from analysis.estimates import number_id
from analysis.figures.agreement import LINES
from analysis.figures.style import (
    BLACK,
    GREY,
    PALE,
    SMALL_PT,
    address,
    new_figure,
    save,
    say_not_drawn,
)
from analysis.labels import sentence_case
from analysis.models.contact_lag import ANALYSIS, lag_rows
from analysis.report.ledger import Ledger
from shared.blinding import how_permuted_in, mark_in
from shared.tables import read_table, write_table

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

PLACE = "figure.contact_lag"
_PANELS_PER_ROW = 2
_PANEL_HEIGHT_IN = 2.0
_BINS = 40


def lags(values: pd.DataFrame) -> pd.DataFrame:
    """Return the valid lags (task, site, lag in ms), sorted, without any code of the athlete."""
    rows = lag_rows(values)
    rows = rows.loc[rows["valid"], ["task", "site", "value"]].rename(columns={"value": "lag_ms"})
    order = ["task", "site", "lag_ms"]
    return rows.astype({"task": str, "site": str}).sort_values(order, ignore_index=True)[order]


def panels(rows: pd.DataFrame, tasks: Sequence[str], ledger: Ledger) -> list[tuple[str, str]]:
    """Return (task, address without the quantity) of what has limits; '' = all tasks together."""
    found = []
    for task in tasks:
        base = number_id(ANALYSIS, "", ("task", task), "").removesuffix(".all")
        if task in set(rows["task"]) and ledger.holds(f"{base}.bias"):
            found.append((task, base))
    whole = number_id(ANALYSIS, "", "all", "").removesuffix(".all")
    return found or ([("", whole)] if ledger.holds(f"{whole}.bias") else [])


def _draw_panel(
    axes: Axes, base: str, lag_ms: np.ndarray, bins: np.ndarray, ledger: Ledger
) -> None:
    axes.hist(lag_ms, bins=list(bins), color="#BDBDBD", edgecolor=GREY, lw=0.4, zorder=2)
    for quantity, line in LINES.items():
        where = f"{base}.{quantity}"
        low, high = ledger.value(where, "ci_low"), ledger.value(where, "ci_high")
        axes.axvspan(low, high, color=PALE, lw=0, zorder=0)
        axes.axvline(ledger.value(where), color=BLACK, ls=line, lw=1.2, zorder=3)
        number = ledger.number(where, "one_decimal")
        text = axes.annotate(
            str(number), (ledger.value(where), 1.0), xytext=(0, 2), textcoords="offset points",
            xycoords=("data", "axes fraction"), va="bottom", ha="center", fontsize=SMALL_PT,
        )  # fmt: skip
        address(text, number.ledger_id)
    axes.axvline(0.0, color=GREY, lw=0.7, ls=":", zorder=1)
    axes.set_xlabel("Contact by waist minus contact by plate (ms)", fontsize=SMALL_PT)
    axes.set_ylabel("Landings", fontsize=SMALL_PT)


def contact_lag_figure(rows: pd.DataFrame, tasks: Mapping[str, str], ledger: Ledger) -> Figure:
    """Return one histogram per task, on one axis of time."""
    shown = panels(rows, list(tasks), ledger)
    if not shown:
        return say_not_drawn("No trial has contacts by a plate and by a waist unit.")
    lines = -(-len(shown) // _PANELS_PER_ROW)
    figure = new_figure(_PANEL_HEIGHT_IN * lines)
    grid = np.ravel(figure.subplots(lines, _PANELS_PER_ROW, squeeze=False, sharex=True))
    bins = np.linspace(rows["lag_ms"].min(), rows["lag_ms"].max(), _BINS + 1)
    for axes, (task, base) in zip(grid, shown, strict=False):
        chosen = rows if task == "" else rows.loc[rows["task"] == task]
        _draw_panel(axes, base, chosen["lag_ms"].to_numpy(), bins, ledger)
        label = sentence_case(tasks[task]) if task else "All tasks"
        axes.set_title(label, fontsize=SMALL_PT + 0.5, pad=14)
        axes.tick_params(labelbottom=True)
    for axes in grid[len(shown) :]:
        axes.set_axis_off()
    return figure


def draw_contact_lag(
    *,
    metrics: Path,
    estimates: Path,
    svg: Path,
    png: Path,
    data: Path,
    numbers: Path,
    study: dict[str, Any],
) -> None:
    """Step: draw the lag of contact; `numbers` is the ledger of what the figure prints."""
    ledger = Ledger(read_table(estimates), PLACE)
    rows = lags(read_table(metrics))
    tasks = {code: task["label"] for code, task in study["tasks"].items()}
    save(
        contact_lag_figure(rows, tasks, ledger),
        rows,
        svg=svg,
        png=png,
        csv=data,
        mark=mark_in(estimates),
    )
    write_table(ledger.table(), numbers, "ledger", outcomes=how_permuted_in([estimates]))
