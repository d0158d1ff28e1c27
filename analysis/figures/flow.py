"""Figure: the flow of athletes from enrolment to the end of observation, with reasons."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from analysis.cohort.landmark import LEFT_OUT
from analysis.cohort.outcomes import CAUSES, HORIZON
from analysis.estimates import number_id
from analysis.figures.style import (
    BLACK,
    FONT_PT,
    GREY,
    PALE,
    SMALL_PT,
    WIDTH_IN,
    address,
    new_figure,
    save,
)
from analysis.labels import sentence_case, words
from analysis.report.ledger import Ledger, Number
from shared.blinding import how_permuted_in, mark_in
from shared.tables import read_table, write_table

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

PLACE = "figure.flow"
_LINE_IN = 0.19
_PAD_IN = 0.1
_GAP_IN = 0.32
_MAIN = (0.05, 2.9)
_SIDE = (3.45, 3.4)
_NUMBER_IN = 0.56
_CHARACTERS_PER_IN = 15.5


@dataclass(frozen=True)
class Box:
    """A box of the diagram: a title, and lines of a number with its words."""

    title: str
    lines: tuple[tuple[Number, str], ...]


@dataclass(frozen=True)
class Stage:
    """A box of the main line and, beside it, a box with what leaves or is told apart there."""

    main: Box
    side: Box | None = None


def _counts(
    ledger: Ledger, subject: str, terms: dict[str, str], *, keep_zero: bool = True
) -> tuple[tuple[Number, str], ...]:
    lines = []
    for term, label in terms.items():
        place = number_id("flow", subject, term, "count")
        if ledger.holds(place):
            number = ledger.number(place, "count")
            if keep_zero or number.display != "0":
                lines.append((number, label))
    return tuple(lines)


def _in_order(found: pd.Series, order: Sequence[str]) -> dict[str, str]:
    """Return code -> words of the codes found, in the given order."""
    return {code: words(code) for code in order if code in set(found)}


def flow_stages(
    estimates: pd.DataFrame, ledger: Ledger, plan: dict[str, Any], sites: dict[str, str]
) -> list[Stage]:
    """Return the boxes of the diagram from the counts of the analysis `flow`."""
    flow = estimates.loc[estimates["analysis"] == "flow"]
    excluded = flow.loc[flow["subject"] == "excluded"]
    reasons = _in_order(excluded["term"], [*LEFT_OUT])
    ends = flow.loc[flow["subject"] == "ended_with"]
    events = _in_order(ends.loc[ends["quantity"] == "count", "term"], [*CAUSES, HORIZON])
    predictors = {item["name"]: item["label"] for item in [*plan["primary"], *plan["exploratory"]]}
    stages = [
        Stage(
            Box("Enrolled", _counts(ledger, "enrolled", {"": "athletes"})),
            Box("Not in the cohort", _counts(ledger, "excluded", reasons)),
        ),
        Stage(
            Box(
                "Landmark cohort", _counts(ledger, "landmark_cohort", {"": "athletes at clearance"})
            ),
            Box("By site", _counts(ledger, "landmark_cohort", sites)),
        ),
        Stage(
            Box(
                "Measured",
                _counts(ledger, "with_all_primary", {"": "athletes with every primary metric"}),
            ),
            Box("Athletes with each metric", _counts(ledger, "with_predictor", predictors)),
        ),
    ]
    if events:
        stages.append(Stage(Box("Observation ended with", _counts(ledger, "ended_with", events))))
    return stages


def _wrapped(box: Box, width_in: float) -> list[tuple[Number, list[str]]]:
    characters = int((width_in - _NUMBER_IN - 2 * _PAD_IN) * _CHARACTERS_PER_IN)
    return [(number, textwrap.wrap(label, characters)) for number, label in box.lines]


def _height(box: Box, width_in: float) -> float:
    lines = sum(len(label) for _, label in _wrapped(box, width_in))
    return 2 * _PAD_IN + _LINE_IN * (1.1 + lines)


def _draw_box(axes: Axes, box: Box, left: float, width: float, top: float, face: str) -> None:
    from matplotlib.patches import Rectangle

    height = _height(box, width)
    axes.add_patch(
        Rectangle((left, top - height), width, height, facecolor=face, edgecolor=GREY, lw=0.9)
    )
    line = top - _PAD_IN - 0.5 * _LINE_IN
    axes.text(left + _PAD_IN, line, box.title, va="center", weight="bold", fontsize=FONT_PT)
    line -= 1.1 * _LINE_IN
    for number, label in _wrapped(box, width):
        text = axes.text(
            left + _NUMBER_IN,
            line,
            number.display,
            ha="right",
            va="center",
            fontsize=SMALL_PT + 0.5,
        )
        address(text, number.ledger_id)
        for piece in label:
            axes.text(left + _NUMBER_IN + 0.08, line, piece, va="center", fontsize=SMALL_PT)
            line -= _LINE_IN


def _stage_height(stage: Stage) -> float:
    side = _height(stage.side, _SIDE[1]) if stage.side else 0.0
    return max(_height(stage.main, _MAIN[1]), side)


def _arrow(axes: Axes, start: tuple[float, float], end: tuple[float, float]) -> None:
    axes.annotate(
        "", end, start, arrowprops={"arrowstyle": "-|>", "color": BLACK, "lw": 1.0, "shrinkA": 0,
                                    "shrinkB": 0},
    )  # fmt: skip


def flow_figure(stages: Sequence[Stage]) -> Figure:
    """Return the flow diagram: the main line at the left, reasons and groups at the right."""
    heights = [_stage_height(stage) for stage in stages]
    total = sum(heights) + _GAP_IN * (len(stages) - 1) + 0.1
    figure = new_figure(total)
    figure.set_layout_engine("none")
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set_axis_off()
    axes.set_xlim(0, WIDTH_IN)
    axes.set_ylim(0, total)
    top = total - 0.05
    middle = _MAIN[0] + _MAIN[1] / 2
    for number, (stage, height) in enumerate(zip(stages, heights, strict=True)):
        _draw_box(axes, stage.main, *_MAIN, top, PALE)
        bottom = top - _height(stage.main, _MAIN[1])
        if stage.side:
            _draw_box(axes, stage.side, *_SIDE, top, "white")
            row = top - _height(stage.main, _MAIN[1]) / 2
            _arrow(axes, (sum(_MAIN), row), (_SIDE[0], row))
        if number + 1 < len(stages):
            _arrow(axes, (middle, bottom), (middle, top - height - _GAP_IN))
        top -= height + _GAP_IN
    return figure


def draw_flow(
    *,
    estimates: Path,
    svg: Path,
    png: Path,
    data: Path,
    numbers: Path,
    plan: dict[str, Any],
    study: dict[str, Any],
) -> None:
    """Step: draw the flow of athletes; `numbers` is the ledger of what the figure prints."""
    table = read_table(estimates)
    ledger = Ledger(table, PLACE)
    sites = {code: sentence_case(site["label"]) for code, site in study["sites"].items()}
    figure = flow_figure(flow_stages(table, ledger, plan, sites))
    counts = ledger.table()[["number_id", "value"]]
    save(figure, counts, svg=svg, png=png, csv=data, mark=mark_in(estimates))
    write_table(ledger.table(), numbers, "ledger", outcomes=how_permuted_in([estimates]))
