"""Figure, demo only: hazard ratios planted, left of them by error, and found."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from analysis.estimates import number_id
from analysis.figures.forest_plot import Item, Key, Line, Panel, Section, forest, line_of
from analysis.figures.scales import ratio_scale
from analysis.figures.style import BLACK, GREY, SERIES, Look, save, say_not_drawn
from analysis.labels import sentence_case
from analysis.report.ledger import Exempt, Ledger
from shared.blinding import how_permuted_in, mark_in
from shared.tables import read_table, write_table

if TYPE_CHECKING:
    from matplotlib.figure import Figure

PLACE = "figure.planted"
ANALYSIS = "planted_effects"
_NO_LINE = "none"

# (last words of the address, quantity) -> words and look; a planted value has no interval.
_KINDS = {
    ("", "planted_hazard_ratio"): (
        "Planted, per standard deviation of the true value",
        Look(BLACK, "X", _NO_LINE, ""),
        True,
    ),
    ("corrected", "found_hazard_ratio"): (
        "Found, corrected for the error of trials: to be held against the planted value",
        SERIES[1],
        False,
    ),
    ("", "expected_naive_hazard_ratio"): (
        "What error of measurement leaves of the planted value",
        Look(GREY, "P", _NO_LINE, ""),
        True,
    ),
    ("naive", "found_hazard_ratio"): (
        "Found, as measured: to be held against what error leaves",
        SERIES[0],
        True,
    ),
}


def addresses(outcome: str, predictor: str) -> dict[tuple[str, str], str]:
    """Return the address of each kind of hazard ratio of a predictor."""
    return {
        (word, quantity): number_id(ANALYSIS, outcome, (predictor, word), quantity)
        for word, quantity in _KINDS
    }


def _lines(ledger: Ledger, outcome: str, predictor: str) -> tuple[Line, ...]:
    return tuple(
        line_of(ledger, address, "ratio", *_KINDS[kind][1:])
        for kind, address in addresses(outcome, predictor).items()
        if ledger.holds(address)
    )


def planted_panels(plan: dict[str, Any], ledger: Ledger) -> tuple[Panel, ...]:
    """Return one panel per primary outcome with the primary metrics."""
    panels = []
    for outcome in plan["primary_outcomes"]:
        items = tuple(
            Item(sentence_case(predictor["label"]), lines)
            for predictor in plan["primary"]
            if (lines := _lines(ledger, outcome, predictor["name"]))
        )
        if items:
            panels.append(Panel(sentence_case(plan["outcomes"][outcome]["label"]), items))
    return tuple(panels)


def planted_figure(plan: dict[str, Any], ledger: Ledger) -> Figure:
    """Return the forest plot of planted and found hazard ratios."""
    panels = planted_panels(plan, ledger)
    if not panels:
        return say_not_drawn("No planted effect was compared.")
    lines = [line for panel in panels for item in panel.items for line in item.lines]
    values = [
        value
        for line in lines
        for value in (line.estimate, line.low, line.high)
        if math.isfinite(value)
    ]
    scale = ratio_scale("Hazard ratio per standard deviation (log scale)", values)
    level = Exempt(f"{100 * plan['confidence_level']:g} % interval", "setting")
    keys = [Key(*entry) for entry in _KINDS.values()]
    return forest([Section(panels, scale, "Hazard\nratio")], keys, level)


def draw_planted(
    *, estimates: Path, svg: Path, png: Path, data: Path, numbers: Path, plan: dict[str, Any]
) -> None:
    """Step: draw planted and found; `numbers` is the ledger of what the figure prints."""
    table = read_table(estimates)
    ledger = Ledger(table, PLACE)
    rows: pd.DataFrame = table.loc[table["analysis"] == ANALYSIS]
    save(planted_figure(plan, ledger), rows, svg=svg, png=png, csv=data, mark=mark_in(estimates))
    write_table(ledger.table(), numbers, "ledger", outcomes=how_permuted_in([estimates]))
