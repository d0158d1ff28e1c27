"""Figure: example landings of one task, by site and signal, with the events that were found."""

from __future__ import annotations

from dataclasses import dataclass
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
from analysis.labels import sentence_case, unit_shown
from shared.tables import read_table

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_PANEL_IN = 1.5
_LEGEND_IN = 0.5


@dataclass(frozen=True)
class Signal:
    """A row of panels: which channels it shows, and the words of its axis."""

    prefix: str
    label: str


SIGNALS = (
    Signal("vertical_force", "Vertical force"),
    Signal("waist_acceleration", "Waist acceleration"),
    Signal("knee_flexion_rate", "Knee flexion rate"),
    Signal("knee_flexion", "Knee flexion"),
)
_MARKS = (
    ("initial_contact_s", "initial contact", BLACK, "-"),
    ("takeoff_s", "take-off", GREY, "--"),
    ("lowest_com_s", "lowest centre of mass", GREY, ":"),
)


def signal_of(channel: str) -> Signal | None:
    """Return the row of panels that shows a channel, None when no row does."""
    name = channel.split(".")[0]
    return next((signal for signal in SIGNALS if name == signal.prefix), None)


def examples(waveforms: pd.DataFrame, landings: pd.DataFrame, task: str) -> pd.DataFrame:
    """Return the example waveforms of a task, numbered within site, without any code.

    Columns: site, signal, channel, example, time_s, value, unit and, relative to initial contact,
    the events of the landing.
    """
    chosen = waveforms.loc[waveforms["task"] == task]
    ids = chosen[["site", "landing_id"]].drop_duplicates().sort_values(["site", "landing_id"])
    ids["example"] = ids.groupby("site").cumcount() + 1
    events = landings[["landing_id", *(mark[0] for mark in _MARKS)]].copy()
    for column in ("takeoff_s", "lowest_com_s", "initial_contact_s"):
        events[column] = events[column] - landings["initial_contact_s"]
    table = chosen.merge(ids, on=["site", "landing_id"]).merge(events, on="landing_id", how="left")
    signals = table["channel"].map(signal_of)
    table = table.loc[signals.notna()].copy()
    table["signal"] = [signal.prefix for signal in signals.dropna()]
    columns = ["site", "signal", "channel", "example", "time_s", "value", "unit"]
    order = ["site", "signal", "channel", "example", "time_s"]
    marks = [mark[0] for mark in _MARKS]
    return table.sort_values(order, kind="stable", ignore_index=True)[columns + marks]


def _draw_panel(axes: Axes, rows: pd.DataFrame, looks: dict[int, Look]) -> None:
    for (_, example), line in rows.groupby(["channel", "example"], sort=True):
        look = looks[int(example)]
        axes.plot(line["time_s"] * 1000, line["value"], color=look.colour, ls=look.line, lw=1.1)
    limits = rows["time_s"].min() * 1000, rows["time_s"].max() * 1000
    first = rows.drop_duplicates("example")
    for column, _, colour, line_style in _MARKS:
        for place in first[column].dropna() * 1000:
            if limits[0] <= place <= limits[1]:
                axes.axvline(place, color=colour, ls=line_style, lw=0.7, zorder=0)
    axes.set_xlim(*limits)


def _legend(figure: Figure, looks: dict[int, Look], data: pd.DataFrame) -> None:
    from matplotlib.lines import Line2D

    ordinals = ("first", "second", "third", "fourth", "fifth")
    handles = [
        Line2D(
            [], [], color=look.colour, ls=look.line, label=f"{ordinals[number - 1]} example landing"
        )
        for number, look in looks.items()
    ]
    handles += [
        Line2D([], [], color=colour, ls=style, lw=0.9, label=label)
        for column, label, colour, style in _MARKS
        if data[column].notna().any()
    ]
    figure.legend(handles=handles, loc="outside lower center", ncols=3)


def waveform_figure(data: pd.DataFrame, sites: dict[str, str]) -> Figure:
    """Return the panels: one row per signal, one column per site."""
    if data.empty:
        return say_not_drawn("No example landing of this task was kept.")
    signals = [signal for signal in SIGNALS if signal.prefix in set(data["signal"])]
    shown = [site for site in sites if site in set(data["site"])]
    looks = {number: SERIES[number - 1] for number in sorted(set(data["example"]))}
    figure = new_figure(_PANEL_IN * len(signals) + _LEGEND_IN)
    grid = figure.subplots(len(signals), len(shown), squeeze=False, sharex="col", sharey="row")
    for row, signal in zip(grid, signals, strict=True):
        for axes, site in zip(row, shown, strict=True):
            rows = data.loc[(data["signal"] == signal.prefix) & (data["site"] == site)]
            if rows.empty:
                axes.text(0.5, 0.5, "not measured", transform=axes.transAxes, ha="center",
                          va="center", color=GREY, fontsize=SMALL_PT)  # fmt: skip
            else:
                _draw_panel(axes, rows, looks)
        unit = data.loc[data["signal"] == signal.prefix, "unit"].iloc[0]
        row[0].set_ylabel(f"{signal.label}\n({unit_shown(unit)})", fontsize=SMALL_PT)
    for axes, site in zip(grid[0], shown, strict=True):
        axes.set_title(sites[site], fontsize=FONT_PT)
    for axes in grid[-1]:
        axes.set_xlabel("Time from initial contact (ms)", fontsize=SMALL_PT)
    _legend(figure, looks, data)
    return figure


def draw_waveforms(
    *,
    waveforms: Path,
    landings: Path,
    svg: Path,
    png: Path,
    data: Path,
    study: dict[str, Any],
    task: str,
) -> None:
    """Step: draw the example landings of one task."""
    table = examples(read_table(waveforms), read_table(landings), task)
    sites = {code: sentence_case(site["label"]) for code, site in study["sites"].items()}
    save(waveform_figure(table, sites), table, svg=svg, png=png, csv=data)
