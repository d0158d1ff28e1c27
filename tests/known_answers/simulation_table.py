"""The results of the simulations as Markdown, for SIMULATIONS.md."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from tests.known_answers import simulated_knees as knees
from tests.known_answers import simulated_limbs as limbs
from tests.known_answers.simulated_cohorts import SCENARIOS, TRUE
from tests.known_answers.simulation_summary import (
    COVERAGE_BAND,
    LEVEL_BAND,
    MONTE_CARLO_QUANTILE,
    Summary,
    outside,
    share_error,
)

if TYPE_CHECKING:
    from tests.known_answers.inference_simulation import CellResult

PREDICTORS = ("first", "second", "third")
WORDS = Path(__file__).with_name("simulation_words.md")
HEADING = (
    "| method | {size} | studies, failed | effect | target | bias (median) | SD, mean SE "
    "| coverage | rejects zero |\n|---|---|---|---|---|---|---|---|---|"
)


def as_markdown(results: Iterable[CellResult], seed: int) -> str:
    """Return the whole file: the words, then one table per kind and scenario."""
    parts = [WORDS.read_text(encoding="utf-8").format(seed=seed).rstrip()]
    groups: dict[tuple[str, int], list[CellResult]] = {}
    for result in results:
        groups.setdefault((result.cell.kind, result.cell.scenario), []).append(result)
    for (kind, scenario), cells in groups.items():
        title, size, effects = _head(kind, scenario)
        parts += [f"## {title}", "\n".join(_table(cells, size, effects))]
    return "\n\n".join(parts) + "\n"


def _head(kind: str, scenario: int) -> tuple[str, str, Sequence[str]]:
    if kind == "cox":
        return f"Cox model: {SCENARIOS[scenario].name}", "mean events", PREDICTORS
    if kind == "knees":
        return "Cox model of knees, two per athlete", "mean events", knees.EFFECTS
    scenarios = (limbs.VARIES, limbs.CONSTANT)
    return f"Mixed model: {scenarios[scenario].name}", "athletes", limbs.TERMS


def _table(cells: Sequence[CellResult], size: str, effects: Sequence[str]) -> Iterator[str]:
    yield HEADING.format(size=size)
    for result in cells:
        for method, found in result.methods.items():
            target = result.targets[method]
            for place, effect in enumerate(effects):
                yield _row(result, method, found, place, effect, float(target[place]))


def _row(
    result: CellResult, method: str, found: Summary, place: int, effect: str, target: float
) -> str:
    left = found.runs - found.failed
    bias = f"{found.bias[place]:+.3f} ± {found.bias_error[place]:.3f}"
    # An interval of a mixed model moves with the planted effect: missing it is rejecting zero.
    is_mixed = result.cell.kind == "limbs"
    rejected = 1 - found.coverage[place] if is_mixed else found.rejected[place]
    null = is_mixed or target == 0 or (result.cell.kind == "cox" and TRUE[place] == 0)
    cells = (
        method,
        f"{result.events:.1f}",
        f"{found.runs}, {found.failed}",
        effect,
        f"{target:.3f}",
        f"{bias} ({found.median_bias[place]:+.3f})",
        f"{found.spread[place]:.3f}, {found.mean_se[place]:.3f}",
        _share(float(found.coverage[place]), left, COVERAGE_BAND),
        _share(float(rejected), left, LEVEL_BAND) if null else "",
    )
    return "| " + " | ".join(cells) + " |"


def _share(share: float, runs: int, band: tuple[float, float]) -> str:
    """Return a share in percent with its Monte-Carlo interval; bold outside the band."""
    half = MONTE_CARLO_QUANTILE * float(share_error(np.array(share), runs))
    words = f"{100 * share:.1f} ± {100 * half:.1f} %"
    return f"**{words}**" if outside(share, runs, band) else words
