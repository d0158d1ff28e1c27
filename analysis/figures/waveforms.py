"""Figure: example landings of one task, by site and signal, with the events that were found."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from analysis.figures.style import (
    BLACK,
    FONT_PT,
    GREY,
    SERIES,
    SMALL_PT,
    Look,
    new_figure,
    save,
    say_not_drawn,
)
from analysis.figures.waveform_data import EVENTS, PEAK, SIGNALS, examples
from analysis.labels import sentence_case, unit_shown
from shared.blinding import mark_of
from shared.tables import read_table

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_PANEL_IN = 1.5
_LEGEND_IN = 0.55
EVENT_LINES = {
    "initial_contact_s": ("initial contact", BLACK, "-"),
    "takeoff_s": ("take-off", GREY, "--"),
    "lowest_com_s": ("lowest centre of mass", GREY, ":"),
}
_ORDINALS = ("first", "second", "third", "fourth", "fifth")


def _draw_panel(axes: Axes, rows: pd.DataFrame, looks: dict[int, Look]) -> None:
    for (_, example), line in rows.groupby(["channel", "example"], sort=True):
        look = looks[int(str(example))]
        axes.plot(line["time_s"] * 1000, line["value"], color=look.colour, ls=look.line, lw=1.1)
        peak = line.dropna(subset=[PEAK])
        axes.plot(peak["time_s"] * 1000, peak[PEAK], "v", color=look.colour, ms=5, mec="white")
    limits = rows["time_s"].min() * 1000, rows["time_s"].max() * 1000
    one_of_each = rows.drop_duplicates("example")
    for event, (_, colour, line_style) in EVENT_LINES.items():
        for place in one_of_each[event].dropna() * 1000:
            if limits[0] <= place <= limits[1]:
                axes.axvline(place, color=colour, ls=line_style, lw=0.7, zorder=0)
    axes.set_xlim(*limits)


def _legend(figure: Figure, looks: dict[int, Look], data: pd.DataFrame) -> None:
    from matplotlib.lines import Line2D

    handles = [
        Line2D([], [], color=look.colour, ls=look.line, label=f"{_ORDINALS[number - 1]} example")
        for number, look in looks.items()
    ]
    handles += [
        Line2D([], [], color=colour, ls=style, lw=0.9, label=label)
        for event, (label, colour, style) in EVENT_LINES.items()
        if data[event].notna().any()
    ]
    handles.append(Line2D([], [], color=GREY, marker="v", ls="", label="peak, as measured"))
    figure.legend(handles=handles, loc="outside lower center", ncols=4)


def waveform_figure(data: pd.DataFrame, sites: dict[str, str]) -> Figure:
    """Return the panels: one row per signal, one column per site."""
    if data.empty:
        return say_not_drawn("No example landing of this task was kept.")
    signals = {name: label for name, label in SIGNALS.items() if name in set(data["signal"])}
    shown = [site for site in sites if site in set(data["site"])]
    looks = {number: SERIES[number - 1] for number in sorted(set(data["example"]))}
    figure = new_figure(_PANEL_IN * len(signals) + _LEGEND_IN)
    grid = figure.subplots(len(signals), len(shown), squeeze=False, sharex="col", sharey="row")
    for row, (signal, label) in zip(grid, signals.items(), strict=True):
        of_signal = data.loc[data["signal"] == signal]
        for axes, site in zip(row, shown, strict=True):
            rows = of_signal.loc[of_signal["site"] == site]
            if rows.empty:
                axes.text(0.5, 0.5, "not measured", transform=axes.transAxes, ha="center",
                          va="center", color=GREY, fontsize=SMALL_PT)  # fmt: skip
            else:
                _draw_panel(axes, rows, looks)
        unit = unit_shown(of_signal["unit"].iloc[0])
        row[0].set_ylabel(f"{label}\n({unit})", fontsize=SMALL_PT)
    for axes, site in zip(grid[0], shown, strict=True):
        axes.set_title(sites[site], fontsize=FONT_PT)
    for axes in grid[-1]:
        axes.set_xlabel("Time from initial contact (ms)", fontsize=SMALL_PT)
    figure.align_ylabels()
    _legend(figure, looks, data)
    return figure


def draw_waveforms(
    *,
    waveforms: Path,
    landings: Path,
    metrics: Path,
    svg: list[Path],
    png: list[Path],
    data: list[Path],
    study: dict[str, Any],
    windows: dict[str, float],
    tasks: list[str],
) -> None:
    """Step: draw the example landings of each task; files in the order of the tasks.

    One process for all: to start one and to read the tables takes as long as to draw a figure.
    """
    events = read_table(landings, columns=["landing_id", *EVENTS])
    values = read_table(metrics, columns=["landing_id", "metric", "sensor", "value"])
    curves, mark = read_table(waveforms), mark_of(study)
    sites = {code: sentence_case(site["label"]) for code, site in study["sites"].items()}
    for task, drawing, picture, rows in zip(tasks, svg, png, data, strict=True):
        table = examples(curves, events, values, task, windows)
        save(waveform_figure(table, sites), table, svg=drawing, png=picture, csv=rows, mark=mark)
