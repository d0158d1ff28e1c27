"""Parametric bootstrap of nested variance components: limits that may reach zero."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.reliability.visit_means import VisitData, VisitDesign, fit_visit_means

Array = NDArray[Any]

# A search that starts at no variance would stay there.
SMALLEST_START = 0.1


@dataclass(frozen=True)
class ComponentDraws:
    """Refitted standard deviations (samples, 3) of athlete, visit, trial; failures left out."""

    deviations: Array
    failed: int


def bootstrap_components(
    design: VisitDesign, athlete: float, visit: float, trial: float, samples: int, seed: int
) -> ComponentDraws:
    """Return refits to outcomes drawn from standard deviations of athlete, visit and trial.

    The fixed effects play no part: restricted likelihoods do not depend on them.

    Raises
    ------
    ValueError
        The trials do not vary, or no visit has two of them.
    """
    if not trial > 0.0 or design.rows == design.trials.size:
        raise ValueError("trials of a visit do not vary, or no visit has two: nothing to refit")
    data = simulated(design, (athlete, visit, trial), samples, np.random.default_rng(seed))
    start = [max(athlete / trial, SMALLEST_START), max(visit / trial, SMALLEST_START)]
    if not design.has_repeats:
        start[1] = 0.0
    found, converged = fit_visit_means(design, data, start)
    return ComponentDraws(found[converged], int((~converged).sum()))


def simulated(
    design: VisitDesign,
    deviations: tuple[float, float, float],
    samples: int,
    generator: np.random.Generator,
) -> VisitData:
    """Return `samples` outcomes with the given deviations of athlete, visit and trial."""
    athlete, visit, trial = deviations
    of_athletes = generator.standard_normal((samples, int(design.athletes.max()) + 1))
    of_visits = generator.standard_normal((samples, design.trials.size))
    spread = np.sqrt(visit**2 + trial**2 / design.trials)
    means = athlete * of_athletes[:, design.athletes] + spread * of_visits
    within = trial**2 * generator.chisquare(design.rows - design.trials.size, samples)
    return VisitData(means, within)
