"""Figure: reliability between visits against the number of trials averaged, by metric and task."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from analysis.estimates import number_id, subjects_of
from analysis.figures.style import (
    GREY,
    PALE,
    SERIES,
    SMALL_PT,
    exempt,
    new_figure,
    save,
    say_not_drawn,
)
from analysis.labels import metric_label, sentence_case, words
from analysis.models.metric_reliability import ANALYSIS
from analysis.models.reliability_rows import TARGETS, curve_term
from shared.blinding import mark_in
from shared.tables import read_table

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_PANELS_PER_ROW = 2
_PANEL_HEIGHT_IN = 2.1
_LEGEND_HEIGHT_IN = 0.7
# Intervals of the tasks stand side by side, so that they do not hide each other.
_ASIDE = 0.18


def curves(estimates: pd.DataFrame, most: int) -> pd.DataFrame:
    """Return reliability by number of trials, of first landings, involved limb or whole body.

    Columns: metric, sensor, task, limb, trials, reliability, ci_low, ci_high, protocol (trials of
    the protocol).
    """
    by_id = estimates.set_index("number_id")
    rows = []
    for subject in subjects_of(estimates, ANALYSIS, curve_term(1), "reliability"):
        metric, sensor, task, *landing, limb = subject
        if landing or limb == "uninvolved":
            continue
        protocol = by_id.loc[number_id(ANALYSIS, subject, "protocol", "trials"), "estimate"]
        if pd.isna(protocol):
            continue
        for trials in range(1, most + 1):
            row = by_id.loc[number_id(ANALYSIS, subject, curve_term(trials), "reliability")]
            numbers = (row["estimate"], row["ci_low"], row["ci_high"])
            rows.append((metric, sensor, task, limb, trials, *numbers, int(protocol)))
    columns = ["metric", "sensor", "task", "limb", "trials"]
    found = pd.DataFrame(rows, columns=[*columns, "reliability", "ci_low", "ci_high", "protocol"])
    # Where both exist the involved limb stands for its task: the predictors are of that limb.
    keys = ["metric", "sensor", "task"]
    limbs = found.groupby(keys)["limb"].transform(lambda limb: (limb == "involved").any())
    return found.loc[(found["limb"] == "involved") | ~limbs.astype(bool)].reset_index(drop=True)


def _draw_panel(axes: Axes, rows: pd.DataFrame, tasks: list[str]) -> None:
    for target in TARGETS:
        axes.axhline(target, color=GREY, lw=0.7, ls=":", zorder=1)
    protocols = sorted(set(rows["protocol"]))
    axes.axvspan(protocols[0] - 0.35, protocols[-1] + 0.35, color=PALE, lw=0, zorder=0)
    for place, task in enumerate(tasks):
        part = rows.loc[rows["task"] == task]
        if part.empty:
            continue
        look = SERIES[place % len(SERIES)]
        axes.plot(
            part["trials"], part["reliability"], color=look.colour, ls=look.line, lw=1.3,
            marker=look.marker, ms=3.2, zorder=3,
        )  # fmt: skip
        planned = part.loc[part["trials"] == part["protocol"]]
        if planned["ci_low"].notna().all() and len(planned):
            aside = planned["trials"] + _ASIDE * (place - 1)
            axes.vlines(
                aside, planned["ci_low"], planned["ci_high"], color=look.colour, lw=1.6, zorder=2
            )
    axes.set_ylim(0.0, 1.0)
    axes.set_yticks([0.0, 0.2, 0.4, 0.6, 0.8, 0.9, 1.0])
    axes.set_xlim(0.5, rows["trials"].max() + 0.5)
    axes.set_xticks(range(1, int(rows["trials"].max()) + 1))
    axes.set_xlabel("Trials averaged at one visit", fontsize=SMALL_PT)
    axes.set_ylabel("Reliability (share)", fontsize=SMALL_PT)


def reliability_figure(rows: pd.DataFrame, tasks: Mapping[str, str]) -> Figure:
    """Return one panel per metric and sensor, one line per task."""
    if rows.empty:
        return say_not_drawn("No reliability between visits was estimated.")
    groups = list(rows.groupby(["metric", "sensor"], sort=False))
    shown = [task for task in tasks if task in set(rows["task"])]
    lines = -(-len(groups) // _PANELS_PER_ROW)
    figure = new_figure(_PANEL_HEIGHT_IN * lines + _LEGEND_HEIGHT_IN)
    grid = figure.subplots(lines, _PANELS_PER_ROW, squeeze=False).ravel()
    for axes, ((metric, sensor), part) in zip(grid, groups, strict=False):
        _draw_panel(axes, part, shown)
        label = f"{sentence_case(metric_label(metric))}\n{words(sensor)}"
        exempt(axes.set_title(label, fontsize=SMALL_PT), "name")
    for axes in grid[len(groups) :]:
        axes.set_axis_off()
    _legend(figure, shown, tasks)
    return figure


def _legend(figure: Figure, shown: list[str], tasks: Mapping[str, str]) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    handles: list[Any] = [
        Line2D([], [], color=look.colour, ls=look.line, marker=look.marker, ms=3.2)
        for look, _ in zip(SERIES, shown, strict=False)
    ]
    handles += [Patch(color=PALE), Line2D([], [], color=GREY, lw=0.7, ls=":")]
    labels = [sentence_case(tasks[task]) for task in shown]
    labels += ["Trials of the protocol", "Targets of the table"]
    figure.legend(handles, labels, loc="outside lower center", ncols=2)


def draw_reliability(
    *,
    estimates: Path,
    svg: Path,
    png: Path,
    data: Path,
    plan: dict[str, Any],
    study: dict[str, Any],
) -> None:
    """Step: draw the reliabilities; the figure prints no number but those of its axes."""
    table = read_table(estimates)
    rows = curves(table, plan["mixed"]["reliability_trials"])
    tasks = {code: task["label"] for code, task in study["tasks"].items()}
    save(reliability_figure(rows, tasks), rows, svg=svg, png=png, csv=data, mark=mark_in(estimates))
