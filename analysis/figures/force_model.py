"""Figure: force estimated from waist acceleration against force by plate, held-out athletes."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.estimates import number_id
from analysis.figures.style import (
    BLACK,
    GREY,
    LIMBS,
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
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

PLACE = "figure.force_model"
VALIDATION = "athletes_left_out"
ESTIMATED, MEASURED = "vgrf_held_out_bw", "vgrf_measured_bw"
_LINES = {"upper_limit": "--", "bias": "-", "lower_limit": "--"}
_HEIGHT_IN = 6.0


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
        (sentence_case(words(str(limb))), part, LIMBS[str(limb)].colour, LIMBS[str(limb)].marker)
        for limb, part in rows.loc[~clipped].groupby("limb")
    ]
    marks.append(("Waist peak clipped", rows.loc[clipped], BLACK, "x"))
    for label, part, colour, marker in marks:
        if part.empty:
            continue
        up = part[ESTIMATED] - part[MEASURED] if errors else part[ESTIMATED]
        size = 14 if marker == "x" else 9
        # Open marks keep the limbs apart where the page is printed in grey.
        is_open = marker == LIMBS["uninvolved"].marker
        width = 0.0 if not is_open and marker != "x" else 0.8
        # Thousands of points as one picture: as single marks they would outweigh the page.
        axes.scatter(
            part[MEASURED] if not errors else part[ESTIMATED],
            up,
            s=size,
            facecolors="none" if is_open else colour,
            edgecolors=None if marker == "x" else colour,
            marker=marker,
            linewidths=width,
            alpha=0.9 if marker == "x" else 0.5,
            label=label,
            rasterized=True,
        )


def _against_plate(axes: Axes, rows: pd.DataFrame, title: str) -> None:
    values = rows[[ESTIMATED, MEASURED]].to_numpy()
    span = [float(np.min(values)) - 0.2, float(np.max(values)) + 0.2]
    axes.plot(span, span, color=BLACK, linewidth=1.0)
    _scatter(axes, rows, errors=False)
    axes.set(xlim=span, ylim=span, title=title)
    axes.set(xlabel="Measured by plate (BW)", ylabel="Estimated from waist (BW)")
    axes.set_aspect("equal")
    axes.legend(loc="upper left", handletextpad=0.2, borderaxespad=0.0)


def _errors(axes: Axes, rows: pd.DataFrame, scope: str, ledger: Ledger) -> None:
    axes.axhline(0.0, color=GREY, linewidth=0.6)
    _scatter(axes, rows, errors=True)
    model = str(rows["model"].iloc[0])
    for quantity, line in _LINES.items():
        held = number_id(ANALYSIS, scope, (VALIDATION, model), quantity)
        if not ledger.holds(held):
            continue
        value = ledger.value(held)
        axes.axhline(value, color=BLACK, linewidth=1.0, linestyle=line)
        number = ledger.number(held, "two_decimals")
        text = axes.annotate(
            str(number),
            (1.0, value),
            xycoords=("axes fraction", "data"),
            xytext=(3, 0),
            textcoords="offset points",
            va="center",
            annotation_clip=False,
        )
        address(text, number.ledger_id)
    axes.set(xlabel="Estimated from waist (BW)", ylabel="Estimated minus measured (BW)")


def force_figure(rows: pd.DataFrame, ledger: Ledger) -> Figure:
    """Return the panels: one column per kind of landing, agreement above, errors below."""
    scopes = [scope for scope in SCOPES if (rows["scope"] == scope).any()]
    if not scopes:
        return say_not_drawn("No landing has a force plate and a waist unit.")
    figure = new_figure(_HEIGHT_IN, WIDTH_IN)
    panels = figure.subplots(2, len(scopes), squeeze=False, height_ratios=[3, 2])
    for scope, (above, below) in zip(scopes, panels.T, strict=True):
        part = rows.loc[rows["scope"] == scope]
        _against_plate(above, part, sentence_case(SCOPES[scope]))
        _errors(below, part, scope, ledger)
    return figure


def draw_force_model(
    *, held_out: Path, estimates: Path, svg: Path, png: Path, data: Path, numbers: Path
) -> None:
    """Step: draw the held-out estimates; `numbers` is the ledger of what the figure prints."""
    ledger = Ledger(read_table(estimates), PLACE)
    rows = points_shown(read_table(held_out))
    save(force_figure(rows, ledger), rows, svg=svg, png=png, csv=data, mark=mark_in(estimates))
    write_table(ledger.table(), numbers, "ledger", outcomes=how_permuted_in([estimates]))
