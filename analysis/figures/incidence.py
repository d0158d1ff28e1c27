"""Figure: cumulative incidence of each second injury, with intervals and numbers at risk."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from analysis.figures.style import (
    FONT_PT,
    GREY,
    SERIES,
    SMALL_PT,
    WIDTH_IN,
    Look,
    address,
    new_figure,
    save,
    say_not_drawn,
)
from analysis.labels import sentence_case, words
from analysis.report.ledger import Ledger
from shared.blinding import how_permuted_in, mark_in
from shared.tables import read_table, write_table

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

PLACE = "figure.incidence"
ALL = "all"
KNOWN_HERE_ONLY = "shown at this day only"
"""Note of the points of a curve whose steps must not leave the team."""
_HEIGHTS = ("estimate", "ci_high")

_CURVES_IN = 2.5
_LEFT_IN = 0.85
_GAP_IN = 0.76
_RIGHT_IN = 0.1
_TOP_IN = 0.3
_AXIS_IN = 0.55
_ROW_IN = 0.19


@dataclass(frozen=True)
class Curve:
    """One curve of a panel: its points and the numbers at risk in its group."""

    label: str
    look: Look
    points: pd.DataFrame
    at_risk: pd.DataFrame


@dataclass(frozen=True)
class Panel:
    """Curves that share a panel, and the rows of numbers at risk below it."""

    title: str
    curves: tuple[Curve, ...]
    risk_rows: tuple[Curve, ...]


def curve_points(estimates: pd.DataFrame) -> pd.DataFrame:
    """Return the points of all curves and the numbers at risk, with the column `group`."""
    rows = estimates.loc[estimates["analysis"] == "cumulative_incidence_curve"].copy()
    rows["group"] = rows["term"].str.split(".").str[0]
    order = ["quantity", "outcome", "group", "time_days"]
    return rows.sort_values(order, kind="stable", ignore_index=True)


def _curve(rows: pd.DataFrame, cause: str, group: str, label: str, look: Look) -> Curve:
    of_group = rows["group"] == group
    points = rows.loc[of_group & (rows["outcome"] == cause)]
    at_risk = rows.loc[of_group & (rows["quantity"] == "number_at_risk")]
    return Curve(label, look, points, at_risk)


def incidence_panels(rows: pd.DataFrame, plan: dict[str, Any]) -> list[Panel]:
    """Return the panels: all athletes with every cause, then each cause by group of the plan."""
    causes = [cause for cause in plan["outcomes"] if cause in set(rows["outcome"])]
    labels = {cause: sentence_case(plan["outcomes"][cause]["label"]) for cause in causes}
    overall = tuple(
        _curve(rows, cause, ALL, labels[cause], look)
        for cause, look in zip(causes, SERIES, strict=False)
    )
    everybody = Curve("All", Look("black", "o", "-", ""), overall[0].points, overall[0].at_risk)
    panels = [Panel("All athletes", overall, (everybody,))]
    groups = [group for group in sorted(set(rows["group"])) if group != ALL]
    for cause in causes if groups else []:
        curves = tuple(
            _curve(rows, cause, group, sentence_case(words(group)), look)
            for group, look in zip(groups, SERIES[2:], strict=False)
        )
        panels.append(Panel(labels[cause], curves, curves))
    return panels


def _steps(points: pd.DataFrame, horizon: float) -> list[np.ndarray]:
    # A curve starts at zero on the day of clearance and holds its last value to the horizon.
    columns = [points[name].to_numpy(float) for name in ("estimate", "ci_low", "ci_high")]
    time = np.concatenate([[0.0], points["time_days"].to_numpy(float), [horizon]])
    return [time, *(100 * np.concatenate([[0.0], values, values[-1:]]) for values in columns)]


def _draw_points(axes: Axes, curve: Curve) -> None:
    # Between the points nothing is known, so nothing is drawn: a line would claim no injury.
    value, low, high = (
        100 * curve.points[name].to_numpy(float) for name in ("estimate", "ci_low", "ci_high")
    )
    axes.errorbar(
        curve.points["time_days"].to_numpy(float), value, yerr=[value - low, high - value],
        fmt=curve.look.marker, color=curve.look.colour, capsize=3, label=curve.label,
    )  # fmt: skip


def _draw_curves(axes: Axes, panel: Panel, horizon: float) -> None:
    for curve in panel.curves:
        if curve.points.empty:
            continue
        if (curve.points["note"] == KNOWN_HERE_ONLY).all():
            _draw_points(axes, curve)
            continue
        time, share, low, high = _steps(curve.points, horizon)
        axes.fill_between(
            time, low, high, step="post", facecolor=curve.look.colour, alpha=0.17, lw=0
        )
        axes.plot(
            time, share, color=curve.look.colour, ls=curve.look.line, drawstyle="steps-post",
            label=curve.label,
        )  # fmt: skip
    axes.set_title(panel.title, fontsize=FONT_PT)
    axes.grid(axis="y", color="#DDDDDD", lw=0.6)
    axes.set_axisbelow(True)
    if any(len(curve.points) for curve in panel.curves):
        axes.legend(loc="upper left", handlelength=2.6, borderaxespad=0.2)


def _draw_risk(axes: Axes, panel: Panel, ticks: Sequence[float], ledger: Ledger) -> None:
    axes.set_axis_off()
    places = axes.get_yaxis_transform()
    for line, curve in enumerate(panel.risk_rows, start=1):
        shown = curve.at_risk.loc[curve.at_risk["time_days"].isin(ticks)]
        axes.text(-0.12, line, curve.label, transform=places, ha="right", va="center",
                  fontsize=SMALL_PT)  # fmt: skip
        for row in shown.to_dict("records"):
            number = ledger.number(row["number_id"], "count")
            text = axes.text(
                row["time_days"], line, number.display, ha="center", va="center", fontsize=SMALL_PT
            )
            address(text, number.ledger_id)


def incidence_figure(panels: Sequence[Panel], plan: dict[str, Any], ledger: Ledger) -> Figure:
    """Return the curves side by side, with the numbers at risk below each panel."""
    risk_lines = max(len(panel.risk_rows) for panel in panels)
    risk_in = _ROW_IN * (risk_lines + 1.2)
    height = _TOP_IN + _CURVES_IN + _AXIS_IN + risk_in
    from matplotlib.ticker import MaxNLocator

    figure = new_figure(height)
    figure.set_layout_engine("none")
    room = WIDTH_IN - _LEFT_IN - _RIGHT_IN - _GAP_IN * (len(panels) - 1)
    width = room / len(panels)
    # Room for the legend above the highest interval.
    shares = [c.points[name].max() for p in panels for c in p.curves for name in _HEIGHTS]
    top = 130 * max(float(share) for share in shares if not pd.isna(share)) or 1.0
    horizon = float(plan["horizon_days"])
    ticks = [0.0, *(float(day) for day in plan["cumulative_incidence"]["times_days"])]
    for number, panel in enumerate(panels):
        left = (_LEFT_IN + number * (width + _GAP_IN)) / WIDTH_IN
        axes = figure.add_axes(
            (left, (risk_in + _AXIS_IN) / height, width / WIDTH_IN, _CURVES_IN / height)
        )
        _draw_curves(axes, panel, horizon)
        axes.set_xlim(0, horizon * 1.02)
        axes.set_ylim(0, top)
        axes.set_xticks(ticks)
        axes.yaxis.set_major_locator(MaxNLocator(5, integer=True))
        below = figure.add_axes((left, 0, width / WIDTH_IN, risk_in / height))
        below.set_xlim(*axes.get_xlim())
        below.set_ylim(risk_lines + 0.7, -0.5)
        _draw_risk(below, panel, ticks, ledger)
    _label_axes(figure, risk_in / height, height)
    return figure


def _label_axes(figure: Figure, risk: float, height: float) -> None:
    middle = risk + _AXIS_IN / height + 0.5 * _CURVES_IN / height
    figure.text(0.012, middle, "Cumulative incidence (%)", rotation=90, ha="left", va="center")
    figure.text(0.5, risk + 0.1 / height, "Time since clearance (days)", ha="center", va="bottom")
    figure.text(
        0.012, risk - 0.06 / height, "Number at risk", va="top", weight="bold", color=GREY,
        fontsize=SMALL_PT,
    )  # fmt: skip


def draw_incidence(
    *, estimates: Path, svg: Path, png: Path, data: Path, numbers: Path, plan: dict[str, Any]
) -> None:
    """Step: draw the cumulative incidences; `numbers` is the ledger of what the figure prints."""
    table = read_table(estimates)
    ledger = Ledger(table, PLACE)
    rows = curve_points(table)
    if not (rows["quantity"] == "cumulative_incidence").any():
        figure = say_not_drawn("No cumulative incidence was estimated, or none may be shown.")
    else:
        figure = incidence_figure(incidence_panels(rows, plan), plan, ledger)
    save(figure, rows.drop(columns="group"), svg=svg, png=png, csv=data, mark=mark_in(estimates))
    write_table(ledger.table(), numbers, "ledger", outcomes=how_permuted_in([estimates]))
