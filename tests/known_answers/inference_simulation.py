"""Bias, coverage and type-I error of the primary models, redrawn thousands of times.

`python -m tests.known_answers.inference_simulation` writes SIMULATIONS.md beside this file. Every
study has a seed of its own (cell and number), so that the table does not depend on how the work is
shared out. A method may be run on the first studies of a cell only, where it is slow; the table
says on how many.
"""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import cache
from multiprocessing import get_context
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from analysis.mixed import MixedFit
from tests.known_answers import simulated_cox as cox
from tests.known_answers import simulated_knees as knees
from tests.known_answers import simulated_limbs as limbs
from tests.known_answers.simulated_cohorts import SCENARIOS, TRUE, Scenario, athletes_for, draw
from tests.known_answers.simulation_summary import Found, Summary, summarise

Array = NDArray[np.float64]
Study = tuple[float, list[tuple[str, Found]], list[str]]
"""Events, what each method found, and the methods that were tried."""

SEED = 20260404
PROCESSES = 2
CHUNK = 50
SIZES = (20, 50, 100)
HUGE = 400_000
COX, LIMBS, KNEES = "cox", "limbs", "knees"


@dataclass(frozen=True)
class Cell:
    """One design: kind, place of its scenario, size (events, or athletes of the limb models).

    `runs` studies are drawn; the first `corrected`, `simex` and `firth` of them go through the
    slower methods.
    """

    kind: str
    scenario: int
    size: int
    runs: int
    corrected: int = 0
    simex: int = 0
    firth: int = 0

    def rng(self, number: int) -> np.random.Generator:
        """Return the generator of one study; -1 is the study from which fits start."""
        kind = (COX, LIMBS, KNEES).index(self.kind)
        return np.random.default_rng([SEED, kind, self.scenario, self.size, number + 1])


LIMB_SCENARIOS = (limbs.VARIES, limbs.CONSTANT)
CELLS = (
    *(Cell(COX, 0, size, 4000, 400, 100, 300 if size == 20 else 100) for size in SIZES),
    *(Cell(COX, 1, size, 4000, 400, 100) for size in SIZES),
    Cell(COX, 2, 50, 4000, 400),
    *(Cell(KNEES, 0, size, 4000) for size in SIZES),
    Cell(LIMBS, 0, 20, 4000),
    Cell(LIMBS, 0, 50, 1000),
    Cell(LIMBS, 0, 100, 600),
    Cell(LIMBS, 1, 20, 1000),
)


@cache
def _limb_study(cell: Cell) -> limbs.LimbStudy:
    return limbs.LimbStudy(LIMB_SCENARIOS[cell.scenario], cell.size, cell.rng(-1))


@cache
def _reference_fits(cell: Cell) -> list[MixedFit]:
    cohort = draw(SCENARIOS[cell.scenario], athletes_for(cell.size), cell.rng(-1))
    return cox.reference_fits(cohort)


def study(cell: Cell, number: int) -> Study:
    """Return one redrawn study of a cell, analysed."""
    return {COX: _cox, LIMBS: _limbs, KNEES: _knees}[cell.kind](cell, number)


def _limbs(cell: Cell, number: int) -> Study:
    redrawn = _limb_study(cell)
    found = list(redrawn.analyses(redrawn.draw(cell.rng(number))))
    return cell.size, found, [limbs.MIXED, limbs.NORMAL, limbs.INDEPENDENT]


def _knees(cell: Cell, number: int) -> Study:
    events, found = knees.knee_study(cell.size, cell.rng(number))
    return events, list(found), [knees.INDEPENDENT, knees.CLUSTERED]


def _cox(cell: Cell, number: int) -> Study:
    rng = cell.rng(number)
    scenario = SCENARIOS[cell.scenario]
    cohort = draw(scenario, athletes_for(cell.size), rng)
    model = cox.model_of(cohort)
    found, tried = [], [cox.NAIVE]
    if number < cell.firth:
        tried.append(cox.FIRTH)
        found += _unless_refused(cox.by_firth, model)
    found += _unless_refused(cox.uncorrected, model)
    if number < cell.corrected:
        parts = cox.components(cohort, _reference_fits(cell))
        levels = cox.LEVELS if scenario.visit_variance else cox.LEVELS[:1]
        for level in levels:
            errors = cox.error_model(model, parts, level)
            tried += [cox.CORRECTED[level], cox.PLUS_MINUS[level]]
            found += _unless_refused(cox.corrections, model, errors, level, rng)
        if number < cell.simex:
            tried += [cox.SIMEX[level], cox.PARABOLA[level]]
            found += _unless_refused(cox.by_simex, model, errors, level, rng)
    return float(cohort.event.sum()), found, tried


def _unless_refused(analysis: Callable[..., Iterable], *given: object) -> list:
    """Return what an analysis gives, nothing where it refuses: the study then counts as failed."""
    try:
        return list(analysis(*given))
    except ValueError:
        return []


@dataclass(frozen=True)
class CellResult:
    """A cell with its mean number of events; summary and target (k,) of each method."""

    cell: Cell
    events: float
    methods: dict[str, Summary]
    targets: dict[str, Array]


def run_chunk(task: tuple[Cell, int, int]) -> list[Study]:
    """Return the studies of a cell from a first number up to a last."""
    cell, first, last = task
    return [study(cell, number) for number in range(first, last)]


def naive_limit(scenario: Scenario) -> Array:
    """Return what error leaves of the planted effects: the naive estimate in one huge cohort."""
    cohort = draw(scenario, HUGE, np.random.default_rng([SEED, SCENARIOS.index(scenario)]))
    return cox.naive_fit(cox.model_of(cohort).sample).coefficients[: cox.PREDICTORS]


def target_of(cell: Cell, method: str) -> Array:
    """Return what an estimate of a method is held against."""
    if cell.kind == LIMBS:
        return limbs.PLANTED
    if cell.kind == KNEES:
        return knees.PLANTED
    if method in (cox.NAIVE, cox.FIRTH):
        return naive_limit_of(cell.scenario)
    return TRUE


@cache
def naive_limit_of(place: int) -> Array:
    """Return the naive limit of a scenario by its place."""
    return naive_limit(SCENARIOS[place])


def summarised(cell: Cell, studies: Iterable[Study]) -> CellResult:
    """Return the summaries of all methods of a cell."""
    found: dict[str, list[Found]] = defaultdict(list)
    tried: dict[str, int] = defaultdict(int)
    events = []
    for happened, results, methods in studies:
        events.append(happened)
        for method in methods:
            tried[method] += 1
        for method, result in results:
            found[method].append(result)
    targets = {method: target_of(cell, method) for method in tried}
    summaries = {
        method: summarise(found[method], runs, targets[method]) for method, runs in tried.items()
    }
    return CellResult(cell, float(np.mean(events)), summaries, targets)


def simulate(cells: Iterable[Cell], processes: int = PROCESSES) -> Iterator[CellResult]:
    """Yield the result of each cell, the work shared between processes."""
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        for cell in cells:
            tasks = [
                (cell, first, min(first + CHUNK, cell.runs)) for first in range(0, cell.runs, CHUNK)
            ]
            chunks = pool.map(run_chunk, tasks)
            yield summarised(cell, (one for chunk in chunks for one in chunk))


def main() -> None:
    """Write the table."""
    from tests.known_answers.simulation_table import as_markdown

    # One thread per process; the processes are started after this.
    os.environ.update({"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"})
    results = []
    for result in simulate(CELLS):
        print(result.cell, f"{result.events:.1f} events", flush=True)
        results.append(result)
    path = Path(__file__).with_name("SIMULATIONS.md")
    path.write_text(as_markdown(results, SEED), encoding="utf-8")


if __name__ == "__main__":
    main()
