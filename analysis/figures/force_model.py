"""Figure: force estimated from waist acceleration against force by plate, held-out athletes."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from analysis.estimates import number_id
from analysis.figures.style import (
    BLACK,
    GREY,
    LIMBS,
    PALE,
    SMALL_PT,
    WIDTH_IN,
    address,
    new_figure,
    save,
    say_not_drawn,
)
from analysis.labels import sentence_case, words
from analysis.report.ledger import Ledger
from analysis.tables.force_model import ANALYSIS, SCOPES
from shared.blinding import how_permuted_in, mark_in
from shared.tables import read_table, write_table

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

PLACE = "figure.force_model"
VALIDATION = "athletes_left_out"
ESTIMATED, MEASURED = "vgrf_held_out_bw", "vgrf_measured_bw"
_LINES = {"upper_limit": "--", "bias": "-", "lower_limit": "--"}
_HEIGHT_IN = 5.4


def points_shown(held_out: pd.DataFrame) -> pd.DataFrame:
    """Return estimated and measured force of the kept models, without any code of an athlete.

    Columns: scope, model, limb, censoring and both forces; sorted by value, so that the order of
    rows tells nothing about who is who.
    """
    chosen = held_out["kept"] & (held_out["validation"] == VALIDATION)
    rows = held_out.loc[chosen & held_out[ESTIMATED].notna()]
    columns = ["scope", "model", "limb", "censoring", MEASURED, ESTIMATED]
    return rows.sort_values(columns, kind="stable", ignore_index=True)[columns]


def _scatter(axes: Axes, rows: pd.DataFrame, *, errors: bool) -> None:
    clipped = rows["censoring"] == "right"
    marks = [
        (part, LIMBS[str(limb)].colour, LIMBS[str(limb)].marker)
        for limb, part in rows.loc[~clipped].groupby("limb")
    ]
    marks.append((rows.loc[clipped], BLACK, "x"))
    for part, colour, marker in marks:
        if part.empty:
            continue
        crossed = marker == "x"
        # Thousands of points as one picture: as single marks they would outweigh the page.
        axes.scatter(
            part[ESTIMATED] if errors else part[MEASURED],
            part[ESTIMATED] - part[MEASURED] if errors else part[ESTIMATED],
            s=14 if crossed else 9,
            color=colour,
            marker=marker,
            linewidths=0.8 if crossed else 0.0,
            alpha=0.9 if crossed else 0.4,
            rasterized=True,
        )


@dataclass(frozen=True)
class _Panel:
    """One column: a kind of landing, and in single-leg landings one limb."""

    scope: str
    limb: str
    rows: pd.DataFrame

    @property
    def title(self) -> str:
        """Kind of landing, and whose limb."""
        kind, _, what = SCOPES[self.scope].partition(", ")
        return f"{sentence_case(kind)}\n{words(self.limb) if self.limb else what}"

    def address(self, quantity: str) -> str:
        """Return the address of a number of these landings."""
        term = (VALIDATION, str(self.rows["model"].iloc[0]))
        group = ("limb", self.limb) if self.limb else ()
        return number_id(ANALYSIS, self.scope, (*term, *group), quantity)


def _panels(rows: pd.DataFrame) -> list[_Panel]:
    """Return a column per kind of landing; where limbs are told apart, one per limb."""
    found = []
    for scope in SCOPES:
        part = rows.loc[rows["scope"] == scope]
        limbs = [limb for limb in LIMBS if limb in set(part["limb"])]
        if len(limbs) > 1:
            found += [_Panel(scope, limb, part.loc[part["limb"] == limb]) for limb in limbs]
        elif limbs:
            found.append(_Panel(scope, "", part))
    return found


def _against_plate(axes: Axes, panel: _Panel, span: Sequence[float]) -> None:
    axes.plot(span, span, color=BLACK, linewidth=1.0)
    _scatter(axes, panel.rows, errors=False)
    axes.set(xlim=span, ylim=span, title=panel.title)
    axes.set(xlabel="By plate (BW)")
    axes.set_aspect("equal")


def _errors(axes: Axes, panel: _Panel, span: Sequence[float], ledger: Ledger) -> None:
    axes.axhline(0.0, color=GREY, linewidth=0.6)
    _scatter(axes, panel.rows, errors=True)
    for quantity, line in _LINES.items():
        held = panel.address(quantity)
        if not ledger.holds(held):
            continue
        value = ledger.value(held)
        low, high = (ledger.value(held, field) for field in ("ci_low", "ci_high"))
        axes.axhspan(low, high, color=PALE, linewidth=0, zorder=0)
        axes.axhline(value, color=BLACK, linewidth=1.0, linestyle=line)
        number = ledger.number(held, "two_decimals")
        text = axes.annotate(
            str(number),
            (1.0, value),
            xycoords=("axes fraction", "data"),
            xytext=(2, 0),
            textcoords="offset points",
            va="center",
            fontsize=SMALL_PT,
            annotation_clip=False,
        )
        address(text, number.ledger_id)
    axes.set(xlim=span, xlabel="Estimated (BW)")


def _span(values: Iterable[float]) -> list[float]:
    found = list(values)
    return [min(found) - 0.2, max(found) + 0.2]


def force_figure(rows: pd.DataFrame, ledger: Ledger) -> Figure:
    """Return the panels: a column per kind of landing and limb, agreement above, errors below.

    All columns have the same axes, so that errors can be compared between the limbs by eye.
    """
    columns = _panels(rows)
    if not columns:
        return say_not_drawn("No landing has a force plate and a waist unit.")
    figure = new_figure(_HEIGHT_IN, WIDTH_IN)
    grid = figure.subplots(2, len(columns), squeeze=False, sharey="row")
    span = _span(rows[[ESTIMATED, MEASURED]].to_numpy().ravel())
    estimated, error = _span(rows[ESTIMATED]), _span(rows[ESTIMATED] - rows[MEASURED])
    for panel, (above, below) in zip(columns, grid.T, strict=True):
        _against_plate(above, panel, span)
        _errors(below, panel, estimated, ledger)
        below.set_ylim(error)
    grid[0, 0].set_ylabel("Estimated from waist (BW)")
    grid[1, 0].set_ylabel("Estimated minus measured (BW)")
    _key(figure, bool((rows["censoring"] == "right").any()))
    return figure


def _key(figure: Figure, clipped: bool) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    handles: list[Artist] = [
        Line2D([], [], color=BLACK, lw=1.0, ls=_LINES["bias"], label="equality; bias"),
        Line2D([], [], color=BLACK, lw=1.0, ls=_LINES["upper_limit"], label="limits of agreement"),
        Patch(color=PALE, label="interval of a line"),
    ]
    if clipped:
        marks = Line2D([], [], color=BLACK, marker="x", ls="", ms=4, label="waist peak clipped")
        handles.append(marks)
    figure.legend(handles=handles, loc="outside lower center", ncols=len(handles), frameon=False)


def draw_force_model(
    *, held_out: Path, estimates: Path, svg: Path, png: Path, data: Path, numbers: Path
) -> None:
    """Step: draw the held-out estimates; `numbers` is the ledger of what the figure prints."""
    ledger = Ledger(read_table(estimates), PLACE)
    rows = points_shown(read_table(held_out))
    save(force_figure(rows, ledger), rows, svg=svg, png=png, csv=data, mark=mark_in(estimates))
    write_table(ledger.table(), numbers, "ledger", outcomes=how_permuted_in([estimates]))
