"""Figure: two sensors on the same landings, difference or ratio against mean.

Bland & Altman 1986, Lancet i:307, and 1999, Stat Methods Med Res 8:135 (section 3: line and ratio).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from analysis.figures.style import (
    BLACK,
    GREY,
    PALE,
    SMALL_PT,
    VERMILION,
    address,
    exempt,
    new_figure,
    save,
    say_not_drawn,
)
from analysis.labels import unit_shown, words
from analysis.models.sensor_pairs import sensor_pairs
from analysis.report.agreement_groups import AgreedGroup, agreed_groups, spread_grows
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
TREND = (0, (6, 1, 1, 1))
_COLUMNS = [
    "metric",
    "other",
    "reference",
    "unit",
    "site",
    "clipped",
    "mean",
    "difference",
    "ratio",
]
_PANELS_PER_ROW = 2
_PANEL_HEIGHT_IN = 2.4
_KEY_IN = 0.6
_NUMBER_ROOM = 0.085
"""Height of a printed number as a share of the height of a panel."""

# Points in the vector file would be thousands of paths; they are drawn as one picture.
_POINTS_DPI = 200
_POINT: dict[str, Any] = {"s": 11, "edgecolors": GREY, "alpha": 0.6, "lw": 0.6, "rasterized": True}


def points(values: pd.DataFrame) -> pd.DataFrame:
    """Return one row per landing of each pair, without any code of the athlete.

    Columns: metric, other, reference, unit, site, clipped, mean, difference, and ratio where ratios
    mean something; sorted by value within groups, so that the order of rows tells nothing about who
    is who.
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
                "clipped": rows["clipped"],
                "mean": (rows["other"] + rows["reference"]) / 2,
                "difference": rows["other"] - rows["reference"],
                "ratio": rows["other"] / rows["reference"] if pair.on_ratio_scale else np.nan,
            }
        )
        parts.append(part.sort_values(["site", "mean", "difference"], kind="stable"))
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=_COLUMNS)


def _points_of(group: AgreedGroup, rows: pd.DataFrame) -> pd.DataFrame:
    return rows.loc[
        (rows["metric"] == group.metric)
        & (rows["other"] == group.other)
        & (rows["reference"] == group.reference)
    ]


@dataclass(frozen=True)
class _Scale:
    """What a panel draws upwards: differences, or ratios where differences grow with the size."""

    column: str
    prefix: str
    none: float
    label: str
    style: str
    between: str


def _scale_of(group: AgreedGroup, ledger: Ledger) -> _Scale:
    if spread_grows(group, ledger):
        return _Scale("ratio", "ratio_", 1.0, "Ratio of the sensors", "three_decimals", "over")
    label = f"Difference ({unit_shown(group.unit)})"
    return _Scale("difference", "", 0.0, label, group.style(ledger), "minus")


def _draw_lines(axes: Axes, group: AgreedGroup, scale: _Scale, ledger: Ledger) -> list[float]:
    """Draw bias and limits with the bands of their intervals; return all that they span."""
    ends = []
    for quantity, line in LINES.items():
        where = group.address(f"{scale.prefix}{quantity}")
        low, high = (ledger.value(where, field) for field in ("ci_low", "ci_high"))
        axes.axhspan(low, high, color=PALE, lw=0, zorder=0)
        axes.axhline(ledger.value(where), color=BLACK, ls=line, lw=1.2, zorder=3)
        ends += [low, high]
    axes.axhline(scale.none, color=GREY, lw=0.7, ls=":", zorder=1)
    return ends


def _print_numbers(axes: Axes, group: AgreedGroup, scale: _Scale, ledger: Ledger) -> None:
    """Print each line's number beside it; numbers of lines that lie close are moved apart."""
    bottom, top = axes.get_ylim()
    room = _NUMBER_ROOM * (top - bottom)
    wheres = {name: group.address(f"{scale.prefix}{name}") for name in LINES}
    bias = ledger.value(wheres["bias"])
    heights = {
        "upper_limit": max(ledger.value(wheres["upper_limit"]), bias + room),
        "bias": bias,
        "lower_limit": min(ledger.value(wheres["lower_limit"]), bias - room),
    }
    for name, where in wheres.items():
        number = ledger.number(where, scale.style)
        text = axes.annotate(
            str(number), (1.0, heights[name]), xytext=(3, 0), textcoords="offset points",
            xycoords=("axes fraction", "data"), va="center", ha="left", fontsize=SMALL_PT,
            annotation_clip=False,
        )  # fmt: skip
        address(text, number.ledger_id)


def _draw_trend(axes: Axes, group: AgreedGroup, means: pd.Series, ledger: Ledger) -> None:
    """Draw the bias against the size where the interval of its slope leaves zero out."""
    slope, centre, at_centre = (
        group.address(f"proportional_bias{part}") for part in ("", "_centre", "_at_centre")
    )
    low, high = (ledger.value(slope, field) for field in ("ci_low", "ci_high"))
    if not (low > 0.0 or high < 0.0):  # nor where the interval is hidden
        return
    ends = np.array([means.min(), means.max()])
    height = ledger.value(at_centre) + ledger.value(slope) * (ends - ledger.value(centre))
    axes.plot(ends, height, color=VERMILION, ls=TREND, lw=1.4, zorder=4)


def _draw_panel(
    axes: Axes, group: AgreedGroup, rows: pd.DataFrame, sites: Sequence[str], ledger: Ledger
) -> None:
    scale = _scale_of(group, ledger)
    measured = rows.loc[~rows["clipped"]]
    for site, (marker, filling) in zip(sites, MARKERS, strict=False):
        of_site = measured.loc[measured["site"] == site]
        axes.scatter(
            of_site["mean"], of_site[scale.column],
            marker=marker, facecolors=filling, zorder=2, **_POINT,
        )  # fmt: skip
    clipped = rows.loc[rows["clipped"]]
    axes.scatter(
        clipped["mean"], clipped[scale.column],
        marker="x", color=BLACK, s=14, lw=0.8, zorder=2, rasterized=True,
    )  # fmt: skip
    ends = _draw_lines(axes, group, scale, ledger)
    if scale.column == "difference":
        _draw_trend(axes, group, measured["mean"], ledger)
    reach = [*ends, scale.none, rows[scale.column].min(), rows[scale.column].max()]
    margin = 0.06 * (max(reach) - min(reach))
    axes.set_ylim(min(reach) - margin, max(reach) + margin)
    _print_numbers(axes, group, scale, ledger)
    sensors = f"{words(group.other)}\n{scale.between} {words(group.reference)}"
    exempt(axes.set_title(f"{group.title}\n{sensors}", fontsize=SMALL_PT), "name")
    axes.set_xlabel(f"Mean of both sensors ({unit_shown(group.unit)})", fontsize=SMALL_PT)
    axes.set_ylabel(scale.label, fontsize=SMALL_PT)
    axes.locator_params(axis="x", nbins=6)


def _key(figure: Figure, sites: Mapping[str, str], clipped: bool) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    handles: list[Any] = [
        Line2D([], [], color=GREY, marker=marker, mfc=filling, ls="", ms=4, label=label)
        for (marker, filling), label in zip(MARKERS, sites.values(), strict=False)
    ]
    if clipped:
        handles.append(
            Line2D([], [], color=BLACK, marker="x", ls="", ms=4, label="a value clipped")
        )
    handles += [
        Line2D([], [], color=BLACK, ls=LINES["bias"], lw=1.2, label="bias"),
        Line2D([], [], color=BLACK, ls=LINES["upper_limit"], lw=1.2, label="limits of agreement"),
        Line2D([], [], color=VERMILION, ls=TREND, lw=1.4, label="bias changing with size"),
        Patch(color=PALE, label="interval of a line"),
    ]
    figure.legend(handles=handles, loc="outside lower center", ncols=4, frameon=False)


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
    _key(figure, {site: sites[site] for site in present}, bool(rows["clipped"].any()))
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
