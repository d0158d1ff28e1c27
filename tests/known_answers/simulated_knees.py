"""Two knees of an athlete in one Cox model: what clustering does to its standard errors.

Both knees share a gamma frailty (mean 1, variance 1, invented). Neither the athlete's metric nor
the metric of a knee has an effect, so that the marginal log hazard ratios are exactly zero.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from analysis.survival.cox import fit_cox
from analysis.survival.cox_sample import cox_sample
from tests.known_answers.simulation_summary import Found

Array = NDArray[np.float64]

EFFECTS = ("metric of the athlete", "metric of the knee")
PLANTED = np.zeros(len(EFFECTS))
KNEE_EVENT_SHARE = 0.10
RATE = 0.112
FRAILTY_VARIANCE = 1.0
INDEPENDENT = "knees as if independent"
CLUSTERED = "variance clustered by athlete"


def knee_study(events: int, rng: np.random.Generator) -> tuple[int, Iterator[tuple[str, Found]]]:
    """Return the number of events of a redrawn study and its analyses."""
    athletes = round(events / KNEE_EVENT_SHARE / 2)
    who = np.repeat(np.arange(athletes), 2)
    frailty = rng.gamma(1 / FRAILTY_VARIANCE, FRAILTY_VARIANCE, athletes)[who]
    matrix = np.column_stack(
        [rng.standard_normal(athletes)[who], rng.standard_normal(2 * athletes)]
    )
    time = rng.standard_exponential(2 * athletes) / (RATE * frailty)
    end = rng.uniform(0.9, 1.1, athletes)[who]
    sample = cox_sample(matrix, np.minimum(time, end), time <= end)
    return sample.n_events, _analyses(sample, who)


def _analyses(sample: object, who: NDArray[np.intp]) -> Iterator[tuple[str, Found]]:
    fit = fit_cox(sample, ties="efron", cluster=who)
    if not fit.converged:
        return
    for name, covariance in ((INDEPENDENT, fit.covariance), (CLUSTERED, fit.robust_covariance)):
        se = np.sqrt(np.diag(covariance))
        at = fit.coefficients
        yield name, Found(at, se, at - 1.959963984540054 * se, at + 1.959963984540054 * se)
