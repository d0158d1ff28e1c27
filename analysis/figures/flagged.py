"""Figure of one flagged trial: each signal as a whole and around the landings, with the events."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from analysis.figures.style import (
    BLACK,
    BLUE,
    GREY,
    PALE,
    SMALL_PT,
    VERMILION,
    WIDTH_IN,
    as_svg,
    new_figure,
)
from analysis.figures.waveform_data import EVENTS, SIGNALS
from analysis.figures.waveforms import EVENT_LINES
from analysis.labels import unit_shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_PANEL_IN = 1.0
_ABOVE_IN, _BELOW_IN, _LEFT_IN = 0.25, 0.85, 1.0
_LABEL_IN = 0.42
_VIEWS = {"whole": "Whole recording", "landings": "Around the landings"}
# The whole body first, so that the limbs lie on top of it.
_PARTS = {"": (BLACK, "-"), "left": (BLUE, "-"), "right": (VERMILION, "--")}
_COORDINATE = re.compile(r"(\.\d\d)\d+")


def _outline(line: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Return a line through the lowest and highest sample of each interval, in turn."""
    return np.repeat(line["time_s"].to_numpy(), 2), line[["lowest", "highest"]].to_numpy().ravel()


def bridged_stretches(line: pd.DataFrame) -> Iterator[tuple[float, float]]:
    """Yield from where to where samples of a curve are missing, in seconds."""
    times, bridged = line["time_s"].to_numpy(), line["bridged"].to_numpy()
    edges = np.flatnonzero(np.diff(np.concatenate([[False], bridged, [False]]).astype(int)))
    for first, end in edges.reshape(-1, 2):
        yield float(times[first]), float(times[min(end, len(times) - 1)])


def _draw_panel(axes: Axes, rows: pd.DataFrame, events: pd.DataFrame) -> None:
    for part, (colour, style) in _PARTS.items():
        line = rows.loc[rows["part"] == part]
        axes.plot(*_outline(line), color=colour, ls=style, lw=0.8)
        for first, end in bridged_stretches(line):
            axes.axvspan(first, end, facecolor=PALE, edgecolor=GREY, hatch="////", lw=0, zorder=0)
    apart = bool(rows["not_synchronous"].any())
    # An event of one clock says nothing on another.
    here = events.loc[events["flags"].str.contains("own_clock", regex=False) == apart]
    for event, (_, colour, style) in EVENT_LINES.items():
        for place in sorted(set(here[event].dropna())):
            axes.axvline(place, color=colour, ls=style, lw=0.7, zorder=0)
    axes.margins(y=0.08)
    if apart:
        axes.text(0.99, 0.95, "on a clock of its own", transform=axes.transAxes, ha="right",
                  va="top", color=GREY, fontsize=SMALL_PT)  # fmt: skip


def _legend(figure: Figure, data: pd.DataFrame, events: pd.DataFrame) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    names = {"": "whole body", "left": "left limb", "right": "right limb"}
    handles: list[Any] = [
        Line2D([], [], color=colour, ls=style, label=names[part])
        for part, (colour, style) in _PARTS.items()
        if part in set(data["part"])
    ]
    handles += [
        Line2D([], [], color=colour, ls=style, lw=0.9, label=label)
        for event, (label, colour, style) in EVENT_LINES.items()
        if events[event].notna().any()
    ]
    if data["bridged"].any():
        handles.append(Patch(facecolor=PALE, edgecolor=GREY, hatch="////", label="samples missing"))
    figure.legend(handles=handles, loc="lower center", ncols=4)


def sheet_figure(waveforms: pd.DataFrame, events: pd.DataFrame) -> Figure:
    """Return the panels of a trial: one row per signal; the landings beside the whole if found.

    Parameters
    ----------
    waveforms
        Rows of one trial of the table `flagged_waveforms`.
    events
        The columns `EVENTS` of its landings, in seconds on the clock that saw them, and `flags`.
    """
    kinds = waveforms["channel"].str.partition(".")
    data = waveforms.assign(signal=kinds[0], part=kinds[2])
    signals = {name: label for name, label in SIGNALS.items() if name in set(data["signal"])}
    views = [view for view in _VIEWS if view in set(data["view"])]
    height = _PANEL_IN * len(signals) + _ABOVE_IN + _BELOW_IN
    figure = new_figure(height)
    # Fixed places: to fit them to their labels takes longer than all of the drawing.
    figure.set_layout_engine("none")
    grid = figure.subplots(
        len(signals), len(views), squeeze=False, sharex="col",
        gridspec_kw={
            "left": _LEFT_IN / WIDTH_IN, "right": 1 - 0.15 / WIDTH_IN,
            "wspace": 0.16, "hspace": 0.18,
            "top": 1 - _ABOVE_IN / height, "bottom": _BELOW_IN / height,
        },
    )  # fmt: skip
    for row, (signal, label) in zip(grid, signals.items(), strict=True):
        of_signal = data.loc[data["signal"] == signal]
        unit = unit_shown(of_signal["unit"].iloc[0])
        row[0].set_ylabel(f"{label.replace(' ', chr(10), 1)}\n({unit})", fontsize=SMALL_PT)
        width_in = row[0].get_position().width * WIDTH_IN
        row[0].yaxis.set_label_coords(-_LABEL_IN / width_in, 0.5)
        for axes, view in zip(row, views, strict=True):
            rows = of_signal.loc[of_signal["view"] == view]
            if rows.empty:
                axes.text(0.5, 0.5, "not recorded here", transform=axes.transAxes, ha="center",
                          va="center", color=GREY, fontsize=SMALL_PT)  # fmt: skip
            else:
                _draw_panel(axes, rows, events)
    for axes, view in zip(grid[0], views, strict=True):
        axes.set_title(_VIEWS[view])
        times = data.loc[data["view"] == view, "time_s"]
        axes.set_xlim(times.min(), times.max())
    for axes in grid[-1]:
        axes.set_xlabel("Time in the trial (s)", fontsize=SMALL_PT)
    _legend(figure, data, events)
    return figure


def sheet_svg(waveforms: pd.DataFrame, events: pd.DataFrame, name: str) -> str:
    """Return the figure of a trial as SVG; `name` sets its ids apart from those of others."""
    svg = as_svg(sheet_figure(waveforms, events[[*EVENTS, "flags"]]), name)
    # Dozens of drawings share the page: digits far below what a printer shows only swell it.
    return _COORDINATE.sub(r"\1", svg)
