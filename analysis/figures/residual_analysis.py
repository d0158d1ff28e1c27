"""Figure: what a low-pass takes away against its cut-off, by signal and device."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from analysis.figures.style import (
    BLACK,
    GREY,
    SERIES,
    SMALL_PT,
    Look,
    exempt,
    new_figure,
    save,
    say_not_drawn,
)
from analysis.labels import sentence_case, unit_shown, words
from analysis.models.grouped import grouped
from analysis.models.residual_cutoffs import SENSORS
from shared.blinding import mark_of
from shared.tables import read_table

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_PANELS_PER_ROW = 3
_PANEL_HEIGHT_IN = 2.0
_LEGEND_IN = 0.5
_MANY_DECADES = 300.0  # of residuals; then powers of ten alone label the axis


def _draw_curve(axes: Axes, rows: pd.DataFrame, look: Look) -> None:
    cutoffs = rows["cutoff_hz"].to_numpy()
    low, high = (rows[f"residual_{quartile}_quartile"] for quartile in ("lower", "upper"))
    axes.fill_between(cutoffs, low, high, color=look.colour, alpha=0.12, lw=0)
    axes.plot(cutoffs, rows["residual_mean"], color=look.colour, ls=look.line, lw=1.2)
    first = rows.iloc[0]
    if first["reason"]:
        return
    tail = np.array([0.0, cutoffs[-1]])
    axes.plot(tail, first["tail_intercept"] + first["tail_slope"] * tail, color=GREY, lw=0.6)
    place = (first["suggested_cutoff_hz"], first["tail_intercept"])
    axes.plot([0.0, place[0]], [place[1], place[1]], color=GREY, lw=0.6, ls=":")
    axes.plot(*place, ls="", marker=look.marker, ms=4.5, mfc="white", mec=look.colour, zorder=4)


def _draw_panel(axes: Axes, rows: pd.DataFrame, looks: Mapping[str, Look]) -> None:
    from matplotlib.ticker import LogLocator

    for task, look in looks.items():
        if not (curve := rows.loc[rows["task"] == task]).empty:
            _draw_curve(axes, curve, look)
    first = rows.iloc[0]
    if not np.isnan(first["configured_cutoff_hz"]):
        axes.axvline(first["configured_cutoff_hz"], color=BLACK, lw=1.0, ls=(0, (4, 2)))
    axes.set_yscale("log")
    low, high = axes.get_ylim()
    steps = (1.0,) if high / low > _MANY_DECADES else (1.0, 2.0, 5.0)
    axes.yaxis.set_major_locator(LogLocator(subs=steps))
    axes.yaxis.set_major_formatter(lambda value, _: f"{value:g}")
    axes.yaxis.set_minor_formatter("")
    axes.set_xlim(0.0, None)
    title = f"{sentence_case(words(first['signal']))},\n{words(first['device'])}"
    exempt(axes.set_title(title, fontsize=SMALL_PT), "name")
    axes.set_ylabel(f"Residual ({unit_shown(first['unit'])})", fontsize=SMALL_PT)
    axes.set_xlabel("Cut-off (Hz)", fontsize=SMALL_PT)


def _legend(figure: Figure, looks: Mapping[str, Look], tasks: Mapping[str, str]) -> None:
    from matplotlib.lines import Line2D

    marks = [
        Line2D([], [], color=look.colour, ls=look.line, marker=look.marker, mfc="white", ms=4.5)
        for look in looks.values()
    ]
    labels = [tasks[task] for task in looks]
    marks += [
        Line2D([], [], color=BLACK, lw=1.0, ls=(0, (4, 2))),
        Line2D([], [], color=GREY, lw=0.8),
        Line2D([], [], color=GREY, lw=0.8, ls=":"),
    ]
    labels += ["cut-off as set", "line through the tail", "noise"]
    figure.legend(marks, labels, loc="outside upper left", ncols=3)


def residual_figure(residuals: pd.DataFrame, tasks: Mapping[str, str]) -> Figure:
    """Return one panel per signal and device, one curve per task, on a log axis of residuals.

    The line through the tail is bent by the log axis.
    """
    panels = {
        where: rows
        for signal in SENSORS
        for where, rows in grouped(
            residuals.loc[residuals["signal"] == signal], ["signal", "device"]
        )
    }
    if not panels:
        return say_not_drawn("No recording could be analysed.")
    shown = [task for task in tasks if task in set(residuals["task"])]
    looks = {task: SERIES[place % len(SERIES)] for place, task in enumerate(shown)}
    lines = -(-len(panels) // _PANELS_PER_ROW)
    figure = new_figure(_PANEL_HEIGHT_IN * lines + _LEGEND_IN)
    grid = np.ravel(figure.subplots(lines, _PANELS_PER_ROW, squeeze=False))
    for axes, rows in zip(grid, panels.values(), strict=False):
        _draw_panel(axes, rows, looks)
    for axes in grid[len(panels) :]:
        axes.set_axis_off()
    _legend(figure, looks, tasks)
    return figure


def draw_residual_analysis(
    *, residuals: Path, svg: Path, png: Path, data: Path, study: dict[str, Any]
) -> None:
    """Step: draw the residual curves; they print no number."""
    rows = read_table(residuals)
    tasks = {code: task["label"] for code, task in study["tasks"].items()}
    save(residual_figure(rows, tasks), rows, svg=svg, png=png, csv=data, mark=mark_of(study))
