"""Figure: difference against mean of two sensors on the same landings (Bland & Altman 1986)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from analysis.figures.style import (
    BLACK,
    GREY,
    PALE,
    SMALL_PT,
    address,
    exempt,
    new_figure,
    save,
    say_not_drawn,
)
from analysis.labels import unit_shown
from analysis.models.sensor_pairs import sensor_pairs
from analysis.report.agreement_groups import AgreedGroup, agreed_groups
from analysis.report.ledger import Ledger
from shared.blinding import how_permuted_in, mark_in
from shared.tables import read_table, write_table

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

PLACE = "figure.agreement"
MARKERS = (("o", GREY), ("^", "none"), ("s", "none"), ("D", GREY), ("v", "none"), ("P", GREY))
"""Marker and filling by site, in the order of the settings; one colour: no site stands out."""

LINES = {"upper_limit": (0, (4, 2)), "bias": "-", "lower_limit": (0, (4, 2))}
_PANELS_PER_ROW = 2
_PANEL_HEIGHT_IN = 2.25
_KEY_IN = 0.5
# Points in the vector file would be thousands of paths; they are drawn as one picture.
_POINTS_DPI = 200
_POINT: dict[str, Any] = {"s": 11, "edgecolors": GREY, "alpha": 0.6, "lw": 0.6, "rasterized": True}


def points(values: pd.DataFrame) -> pd.DataFrame:
    """Return one row per landing of each pair, without any code of the athlete.

    Columns: metric, other, reference, unit, site, mean, difference; sorted by value within groups,
    so that the order of rows tells nothing about who is who.
    """
    parts = []
    for pair in sensor_pairs(values):
        rows = pair.rows.loc[pair.rows["valid"]]
        part = pd.DataFrame(
            {
                "metric": pair.metric.id,
                "other": pair.other,
                "reference": pair.reference,
                "unit": pair.metric.unit,
                "site": rows["site"].astype(str),
                "mean": (rows["other"] + rows["reference"]) / 2,
                "difference": rows["other"] - rows["reference"],
            }
        )
        parts.append(part.sort_values(["site", "mean", "difference"], kind="stable"))
    columns = ["metric", "other", "reference", "unit", "site", "mean", "difference"]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)


def _points_of(group: AgreedGroup, rows: pd.DataFrame) -> pd.DataFrame:
    return rows.loc[
        (rows["metric"] == group.metric)
        & (rows["other"] == group.other)
        & (rows["reference"] == group.reference)
    ]


def _draw_lines(axes: Axes, group: AgreedGroup, ledger: Ledger) -> None:
    """Draw bias and limits with the bands of their intervals, each with its number beside it."""
    style = group.style(ledger)
    for quantity, line in LINES.items():
        where = group.address(quantity)
        value, low, high = (
            ledger.value(where, field) for field in ("estimate", "ci_low", "ci_high")
        )
        axes.axhspan(low, high, color=PALE, lw=0, zorder=0)
        axes.axhline(value, color=BLACK, ls=line, lw=1.2, zorder=3)
        number = ledger.number(where, style)
        text = axes.annotate(
            str(number), (1.0, value), xytext=(3, 0), textcoords="offset points",
            xycoords=("axes fraction", "data"), va="center", ha="left", fontsize=SMALL_PT,
        )  # fmt: skip
        address(text, number.ledger_id)
    axes.axhline(0.0, color=GREY, lw=0.7, ls=":", zorder=1)


def _draw_panel(
    axes: Axes, group: AgreedGroup, rows: pd.DataFrame, sites: Sequence[str], ledger: Ledger
) -> None:
    for site, (marker, filling) in zip(sites, MARKERS, strict=False):
        of_site = rows.loc[rows["site"] == site]
        axes.scatter(
            of_site["mean"], of_site["difference"],
            marker=marker, facecolors=filling, zorder=2, **_POINT,
        )  # fmt: skip
    _draw_lines(axes, group, ledger)
    reach = [ledger.value(group.address("lower_limit"), "ci_low"), rows["difference"].min(), 0.0]
    top = [ledger.value(group.address("upper_limit"), "ci_high"), rows["difference"].max(), 0.0]
    margin = 0.06 * (max(top) - min(reach))
    axes.set_ylim(min(reach) - margin, max(top) + margin)
    unit = unit_shown(group.unit)
    exempt(axes.set_title(f"{group.title}\n{group.sensors}", fontsize=SMALL_PT), "name")
    axes.set_xlabel(f"Mean of both sensors ({unit})", fontsize=SMALL_PT)
    axes.set_ylabel(f"Difference ({unit})", fontsize=SMALL_PT)
    axes.locator_params(axis="x", nbins=6)


def _key(figure: Figure, sites: Mapping[str, str]) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    handles: list[Any] = [
        Line2D([], [], color=GREY, marker=marker, mfc=filling, ls="", ms=4, label=label)
        for (marker, filling), label in zip(MARKERS, sites.values(), strict=False)
    ]
    handles += [
        Line2D([], [], color=BLACK, ls=LINES["bias"], lw=1.2, label="bias"),
        Line2D([], [], color=BLACK, ls=LINES["upper_limit"], lw=1.2, label="limits of agreement"),
        Patch(color=PALE, label="interval of a line"),
    ]
    figure.legend(handles=handles, loc="outside lower center", ncols=len(handles), frameon=False)


def agreement_figure(
    groups: Sequence[AgreedGroup], rows: pd.DataFrame, sites: Mapping[str, str], ledger: Ledger
) -> Figure:
    """Return the panels, one per metric and pair of sensors, over all landings."""
    shown = [group for group in groups if group.grouping == "all"]
    if not shown:
        return say_not_drawn("No metric of a landing was measured by two sensors.")
    lines = -(-len(shown) // _PANELS_PER_ROW)
    figure = new_figure(_PANEL_HEIGHT_IN * lines + _KEY_IN)
    figure.set_dpi(_POINTS_DPI)
    grid = np.ravel(figure.subplots(lines, _PANELS_PER_ROW, squeeze=False))
    present = [site for site in sites if site in set(rows["site"])]
    for axes, group in zip(grid, shown, strict=False):
        _draw_panel(axes, group, _points_of(group, rows), present, ledger)
    for axes in grid[len(shown) :]:
        axes.set_axis_off()
    _key(figure, {site: sites[site] for site in present})
    return figure


def draw_agreement(
    *,
    metrics: Path,
    estimates: Path,
    svg: Path,
    png: Path,
    data: Path,
    numbers: Path,
    study: dict[str, Any],
) -> None:
    """Step: draw the agreement of the sensors; `numbers` is the ledger of what is printed."""
    table = read_table(estimates)
    ledger = Ledger(table, PLACE)
    rows = points(read_table(metrics))
    sites = {code: site["label"] for code, site in study["sites"].items()}
    figure = agreement_figure(agreed_groups(table, study), rows, sites, ledger)
    save(figure, rows, svg=svg, png=png, csv=data, mark=mark_in(estimates))
    write_table(ledger.table(), numbers, "ledger", outcomes=how_permuted_in([estimates]))
