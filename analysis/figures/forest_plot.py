"""Estimates with intervals in rows and printed beside: what forest plots have in common."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.figures.scales import Scale, apply_scale
from analysis.figures.style import (
    FONT_PT,
    GREY,
    PALE,
    SMALL_PT,
    WIDTH_IN,
    Look,
    address,
    exempt,
    new_figure,
)
from analysis.report.ledger import Exempt, Ledger, Number

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_ROW_IN = 0.235
_HEAD_IN = 0.4
_AXIS_IN = 0.52
_KEY_IN = 0.2
_LABEL_IN = 2.42
_PRINTED_IN = 2.06
_EDGE_IN = 0.06
_PLOT_IN = WIDTH_IN - _LABEL_IN - _PRINTED_IN - _EDGE_IN
_LABEL_CHARACTERS = 37
# Places of the printed columns, as shares of the strip at the right.
_ESTIMATE_AT, _LOW_AT, _TO_AT, _HIGH_AT = 0.26, 0.62, 0.71, 0.97
# Space between the items of a panel and for the heading of a panel, in rows.
_GAP, _HEADING = 0.35, 1.2

LIMITS = ("estimate", "ci_low", "ci_high")


@dataclass(frozen=True)
class Line:
    """One estimate: values for drawing, numbers for printing, and how it is drawn.

    A line without interval (`low` is NaN) is a mark alone; `printed` then holds one number.
    """

    estimate: float
    low: float
    high: float
    printed: tuple[Number, ...]
    look: Look
    filled: bool


def line_of(ledger: Ledger, address: str, style: str, look: Look, filled: bool) -> Line:
    """Return the line of an estimate; only what is printed enters the ledger.

    Limits are printed where the estimate has them.
    """
    estimate, low, high = (ledger.value(address, field) for field in LIMITS)
    has_interval = np.isfinite(estimate) and (np.isfinite(low) or np.isfinite(high))
    fields = LIMITS if has_interval else LIMITS[:1]
    printed = tuple(ledger.number(address, style, field=field) for field in fields)
    return Line(estimate, low, high, printed, look, filled)


@dataclass(frozen=True)
class Item:
    """What the lines beside one label have in common, such as one metric."""

    label: str
    lines: tuple[Line, ...]


@dataclass(frozen=True)
class Panel:
    """Items under one heading, such as one outcome."""

    heading: str
    items: tuple[Item, ...]


@dataclass(frozen=True)
class Section:
    """Panels that share a horizontal axis; `column` heads the printed estimates."""

    panels: tuple[Panel, ...]
    scale: Scale
    column: str

    @property
    def rows(self) -> float:
        """Height in rows."""
        items = [item for panel in self.panels for item in panel.items]
        return sum(len(item.lines) + _GAP for item in items) + _HEADING * len(self.panels)

    @property
    def height_in(self) -> float:
        """Height with headings and axis."""
        return _HEAD_IN + self.rows * _ROW_IN + _AXIS_IN


@dataclass(frozen=True)
class Key:
    """An entry of the legend."""

    label: str
    look: Look
    filled: bool


def forest(sections: Sequence[Section], keys: Sequence[Key], interval: Exempt) -> Figure:
    """Return the figure: labels at the left, intervals, estimates printed at the right.

    `interval` heads the printed limits; it names their level.
    """
    height = sum(section.height_in for section in sections) + _KEY_IN * len(keys)
    figure = new_figure(height)
    figure.set_layout_engine("none")
    top = height
    for section in sections:
        _draw_section(figure, section, interval, top, height)
        top -= section.height_in
    _draw_legend(figure, keys)
    return figure


def _draw_section(
    figure: Figure, section: Section, interval: Exempt, top: float, height: float
) -> None:
    strip_in = section.rows * _ROW_IN
    bottom = (top - _HEAD_IN - strip_in) / height
    axes = figure.add_axes((_LABEL_IN / WIDTH_IN, bottom, _PLOT_IN / WIDTH_IN, strip_in / height))
    left = 1 - (_PRINTED_IN + _EDGE_IN) / WIDTH_IN
    printed = figure.add_axes((left, bottom, _PRINTED_IN / WIDTH_IN, strip_in / height))
    printed.set_axis_off()
    printed.set_xlim(0, 1)
    for part in (axes, printed):
        part.set_ylim(section.rows - 0.4, -0.4)
    apply_scale(axes, section.scale)
    row = 0.0
    for panel in section.panels:
        row = _draw_panel(axes, printed, panel, row, section.scale)
    middle = (top - 0.5 * _HEAD_IN) / height
    columns = ((_ESTIMATE_AT, section.column), (_HIGH_AT, str(interval)))
    for place, text in columns:
        heading = figure.text(
            left + place * _PRINTED_IN / WIDTH_IN, middle, text, ha="right", va="center",
            weight="bold", fontsize=SMALL_PT, linespacing=1.05,
        )  # fmt: skip
    exempt(heading, interval.kind)


def _draw_panel(axes: Axes, printed: Axes, panel: Panel, row: float, scale: Scale) -> float:
    left = axes.get_yaxis_transform()
    outside = -_LABEL_IN / _PLOT_IN
    across = [outside, 1 + (_PRINTED_IN + _EDGE_IN) / _PLOT_IN]
    axes.fill_between(
        across, row - 0.42, row + 0.42, transform=left, color=PALE, lw=0, zorder=0, clip_on=False
    )
    axes.text(
        outside + 0.02, row, panel.heading, transform=left, va="center", weight="bold",
        fontsize=FONT_PT,
    )  # fmt: skip
    row += _HEADING
    for item in panel.items:
        middle = row + (len(item.lines) - 1) / 2
        label = axes.text(
            outside + 0.02, middle, _broken(item.label), transform=left, va="center",
            fontsize=SMALL_PT, linespacing=1.05,
        )  # fmt: skip
        exempt(label, "name")
        for offset, line in enumerate(item.lines):
            _draw_line(axes, printed, line, row + offset, scale)
        row += len(item.lines) + _GAP
    return row


def _broken(label: str) -> str:
    # A label that is too long breaks at its last comma, so that no single word hangs over.
    if len(label) <= _LABEL_CHARACTERS:
        return label
    head, comma, tail = label.rpartition(", ")
    if comma and max(len(head), len(tail)) <= _LABEL_CHARACTERS:
        return f"{head},\n{tail}"
    return textwrap.fill(label, _LABEL_CHARACTERS)


def _draw_line(axes: Axes, printed: Axes, line: Line, row: float, scale: Scale) -> None:
    if np.isfinite(line.low) and np.isfinite(line.high):
        low, high = max(line.low, scale.limits[0]), min(line.high, scale.limits[1])
        axes.plot([low, high], [row, row], color=line.look.colour, lw=1.5, ls=line.look.line)
        _draw_arrows(axes, line, row, scale)
    if np.isfinite(line.estimate) and scale.limits[0] <= line.estimate <= scale.limits[1]:
        face = line.look.colour if line.filled else "white"
        axes.plot(
            line.estimate, row, line.look.marker, color=line.look.colour, mfc=face, ms=5.5, mew=1.3
        )
    _print_line(printed, line, row)


def _print_line(printed: Axes, line: Line, row: float) -> None:
    # Words such as "not estimated" take the whole strip; they are wider than a number.
    in_words = not np.isfinite(line.estimate)
    places = (_HIGH_AT,) if in_words else (_ESTIMATE_AT, _LOW_AT, _HIGH_AT)
    for place, number in zip(places, line.printed, strict=False):
        text = printed.text(place, row, number.display, ha="right", va="center", fontsize=SMALL_PT)
        address(text, number.ledger_id)
    if not in_words and len(line.printed) > 1:
        printed.text(_TO_AT, row, "to", ha="center", va="center", fontsize=SMALL_PT, color=GREY)


def _draw_arrows(axes: Axes, line: Line, row: float, scale: Scale) -> None:
    # An interval that leaves the axis ends in an arrow, so that nobody takes the cut for its end.
    ends = ((line.low < scale.limits[0], 0, "<"), (line.high > scale.limits[1], 1, ">"))
    for beyond, end, marker in ends:
        if beyond:
            axes.plot(scale.limits[end], row, marker, color=line.look.colour, ms=4, clip_on=False)


def _draw_legend(figure: Figure, keys: Sequence[Key]) -> None:
    from matplotlib.lines import Line2D

    handles = [
        Line2D(
            [], [], color=key.look.colour, marker=key.look.marker, ls=key.look.line,
            mfc=key.look.colour if key.filled else "white", label=key.label,
        )
        for key in keys
    ]  # fmt: skip
    if handles:
        figure.legend(handles=handles, loc="lower left", bbox_to_anchor=(0, 0), borderaxespad=0.2)
