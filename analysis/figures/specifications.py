"""Figure: the primary hazard ratios under one other choice at a time, by outcome and metric."""

from __future__ import annotations

import textwrap
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from analysis.figures.scales import Scale, apply_scale, ratio_scale
from analysis.figures.style import (
    BLACK,
    FONT_PT,
    SERIES,
    SMALL_PT,
    Look,
    exempt,
    new_figure,
    save,
    say_not_drawn,
)
from analysis.labels import sentence_case
from analysis.models.choices import AS_PLANNED, choices
from shared.blinding import mark_in
from shared.tables import read_table

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

PLANNED, OTHER = SERIES[0], Look(BLACK, "D", "-", "")
_ROW_IN, _HEAD_IN, _AXIS_IN = 0.19, 0.62, 0.45
_TITLE_CHARACTERS = 24
_FEW_TICKS = ((1.35, (0.8, 1.0, 1.25)), (2.2, (0.5, 1.0, 2.0)), (np.inf, (0.2, 0.5, 1.0, 2.0, 5.0)))
_VALUES = ["estimate", "ci_low", "ci_high"]


def specification_rows(estimates: pd.DataFrame, plan: dict[str, Any]) -> pd.DataFrame:
    """Return the hazard ratios by outcome, predictor and choice, in the order of the plan.

    A choice that was not run has empty values; an outcome without any is left out.
    """
    held = estimates.set_index("number_id")
    rows = []
    for outcome in plan["primary_outcomes"]:
        for predictor in plan["primary"]:
            for choice in choices(plan):
                address = choice.address(outcome, predictor["name"])
                row = {"outcome": outcome, "term": predictor["name"], "choice": choice.words}
                known = address in held.index
                values = held.loc[address, _VALUES] if known else [np.nan] * len(_VALUES)
                rows.append({**row, **dict(zip(_VALUES, values, strict=True))})
    table = pd.DataFrame(rows, columns=["outcome", "term", "choice", *_VALUES])
    table[_VALUES] = table[_VALUES].astype("float64")
    estimated = table.groupby("outcome")["estimate"].transform("count") > 0
    return table.loc[estimated].reset_index(drop=True)


def shown_rows(rows: pd.DataFrame) -> pd.DataFrame:
    """Return the rows that are drawn: a choice that no metric was run under has no line."""
    ran = rows.groupby(["outcome", "choice"])["estimate"].transform("count") > 0
    return rows.loc[ran | (rows["choice"] == AS_PLANNED.words)]


def _draw_panel(axes: Axes, rows: pd.DataFrame, scale: Scale) -> None:
    apply_scale(axes, scale)
    axes.set_ylim(len(rows) - 0.5, -0.6)
    for place, row in enumerate(rows.to_dict("records")):
        look = PLANNED if row["choice"] == AS_PLANNED.words else OTHER
        estimate, low, high = (row[name] for name in _VALUES)
        if np.isfinite(low) and np.isfinite(high):
            inside = np.clip([low, high], *scale.limits)
            axes.plot(inside, [place, place], color=look.colour, lw=1.4, ls=look.line)
            # An arrow says that the interval goes on beyond the axis.
            for end, marker, beyond in (
                (scale.limits[0], "<", low < scale.limits[0]),
                (scale.limits[1], ">", high > scale.limits[1]),
            ):
                if beyond:
                    axes.plot(end, place, marker, color=look.colour, ms=3.5, clip_on=False)
        if np.isfinite(estimate) and scale.limits[0] <= estimate <= scale.limits[1]:
            axes.plot(estimate, place, look.marker, color=look.colour, ms=4.5)
        elif not np.isfinite(estimate):
            axes.text(
                1.0, place, "not run", ha="center", va="center", fontsize=SMALL_PT - 1,
                bbox={"fc": "white", "ec": "none", "pad": 0.8},
            )  # fmt: skip


def _label_rows(axes: Axes, rows: pd.DataFrame) -> None:
    left = axes.get_yaxis_transform()
    for place, choice in enumerate(rows["choice"]):
        label = axes.text(
            -0.06, place, choice, transform=left, ha="right", va="center", fontsize=SMALL_PT
        )
        exempt(label, "setting")


def specification_figure(rows: pd.DataFrame, plan: dict[str, Any]) -> Figure:
    """Return one row of panels per outcome, one panel per metric, one line per choice."""
    if rows.empty:
        return say_not_drawn("No primary model was run.")
    outcomes = list(dict.fromkeys(rows["outcome"]))
    scale = ratio_scale("Hazard ratio per SD", list(rows[_VALUES].to_numpy().ravel()))
    # The panels are narrow: the ticks of a full axis would run into each other.
    ticks = next(few for widest, few in _FEW_TICKS if scale.limits[1] <= widest)
    scale = replace(scale, ticks=tuple(t for t in ticks if t <= scale.limits[1] >= 1 / t))
    rows = shown_rows(rows)
    lines = [rows.loc[rows["outcome"] == outcome, "choice"].nunique() for outcome in outcomes]
    heights = [count * _ROW_IN + _HEAD_IN + _AXIS_IN for count in lines]
    figure = new_figure(sum(heights))
    panels = figure.subplots(
        len(outcomes), len(plan["primary"]), squeeze=False, height_ratios=heights
    )
    for line, outcome in zip(panels, outcomes, strict=True):
        for axes, predictor in zip(line, plan["primary"], strict=True):
            chosen = (rows["outcome"] == outcome) & (rows["term"] == predictor["name"])
            _draw_panel(axes, rows.loc[chosen], scale)
            words = textwrap.fill(sentence_case(predictor["label"]), _TITLE_CHARACTERS)
            title = axes.set_title(words, fontsize=SMALL_PT, weight="normal")
            exempt(title, "name")
        _label_rows(line[0], rows.loc[chosen])
        line[0].text(
            -0.06, 1.0, sentence_case(plan["outcomes"][outcome]["label"]),
            transform=line[0].transAxes, ha="right", va="bottom", weight="bold", fontsize=FONT_PT,
        )  # fmt: skip
    return figure


def draw_specifications(
    *, estimates: Path, svg: Path, png: Path, data: Path, plan: dict[str, Any]
) -> None:
    """Step: draw the primary hazard ratios under other choices; no number is printed."""
    rows = specification_rows(read_table(estimates), plan)
    save(
        specification_figure(rows, plan), rows, svg=svg, png=png, csv=data, mark=mark_in(estimates)
    )
