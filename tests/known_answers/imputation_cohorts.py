"""Redrawn cohorts with gaps of a known kind: `python -m tests.known_answers.imputation_cohorts`.

A cohort has two predictors of the hazard (log hazard ratios 0.5 and -0.3 per SD, correlation 0.4).
The first is missing at random: more often in athletes with an event and with a high second
predictor. Complete cases are then biased, as missingness depends on the outcome; by how much is
seen here, and that imputation takes it away. Or the first is clipped above its mean plus half an
SD, which the complete cases take as recorded.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.stats import t

from analysis.imputation.chained import impute_many, incomplete
from analysis.imputation.outcome_terms import outcome_columns
from analysis.imputation.pooling import pool
from analysis.survival.cox import fit_cox
from analysis.survival.cox_sample import cox_sample

TRUE = np.array([0.5, -0.3])
BOUND = 0.5
COHORTS = (
    ("missing", 200, 0.11),
    ("missing", 300, 0.2),
    ("missing", 400, 0.35),
    ("clipped", 300, 0.2),
)
"""Kind of gap, athletes, end of follow-up: about 23, 58, 123 and 58 events."""


@dataclass(frozen=True)
class Study:
    """(n, 2) predictors as measured, bounds, (n,) time and event."""

    values: np.ndarray
    lower: np.ndarray
    time: np.ndarray
    event: np.ndarray


def draw_study(random: np.random.Generator, count: int, kind: str, end: float) -> Study:
    """Draw a cohort whose first predictor is 'missing' or 'clipped' for some athletes."""
    second = random.normal(size=count)
    first = 0.4 * second + math.sqrt(1 - 0.4**2) * random.normal(size=count)
    X = np.column_stack([first, second])
    latent = random.exponential(size=count) * np.exp(-X @ TRUE)
    censored = random.uniform(0.5 * end, 1.5 * end, size=count)
    event = latent <= censored
    lower = np.full((count, 2), -np.inf)
    if kind == "missing":
        chance = 1 / (1 + np.exp(-(-2.0 + 1.5 * event + 0.8 * second)))
        X[random.random(count) < chance, 0] = np.nan
    else:
        clipped = first > BOUND
        X[clipped, 0] = np.nan
        lower[clipped, 0] = BOUND
    return Study(X, lower, np.minimum(latent, censored), event)


def naive(study: Study) -> tuple[np.ndarray, np.ndarray]:
    """Return coefficients and standard errors of complete cases, clipped values as recorded."""
    recorded = np.where(np.isfinite(study.lower), study.lower, study.values)
    kept = ~np.isnan(recorded).any(axis=1)
    fit = fit_cox(cox_sample(recorded[kept], study.time[kept], study.event[kept]))
    return fit.coefficients, fit.standard_errors


def pooled(study: Study, seed: int, data_sets: int) -> list[tuple[float, float, float]]:
    """Return estimate, standard error and degrees of freedom of both coefficients."""
    known = outcome_columns(study.time, {"injury": study.event})
    columns = np.column_stack([study.values[:, 1], *known.values()])
    data = incomplete(
        study.values[:, :1], study.lower[:, :1], columns, ["first"], ["second", *known]
    )
    settings = {"data_sets": data_sets, "iterations": 10, "method": "normal", "donors": 5}
    fits = []
    for each in impute_many(data, seed=seed, **settings):
        X = np.column_stack([each.values[:, 0], study.values[:, 1]])
        fits.append(fit_cox(cox_sample(X, study.time, study.event)))
    left = float(len(study.time) - 2)
    found = []
    for place in range(2):
        coefficients = [fit.coefficients[place] for fit in fits]
        variances = [fit.standard_errors[place] ** 2 for fit in fits]
        one = pool(coefficients, variances, left)
        found.append((one.estimate, one.standard_error, one.df))
    return found


@dataclass(frozen=True)
class Summary:
    """(2,) bias and coverage of both coefficients, naive and imputed; events on average."""

    naive_bias: np.ndarray
    naive_coverage: np.ndarray
    bias: np.ndarray
    coverage: np.ndarray
    bias_error: np.ndarray
    events: float


def simulate(kind: str, runs: int, count: int, end: float, data_sets: int = 10) -> Summary:
    """Return what many redrawn cohorts show; every cohort has its own seed."""
    plain, plain_covered, estimates, covered, events = [], [], [], [], []
    for number in range(runs):
        study = draw_study(np.random.default_rng([7, number]), count, kind, end)
        coefficients, errors = naive(study)
        plain.append(coefficients)
        plain_covered.append(np.abs(coefficients - TRUE) <= 1.959963984540054 * errors)
        found = np.array(pooled(study, number, data_sets))
        estimates.append(found[:, 0])
        covered.append(np.abs(found[:, 0] - TRUE) <= t.ppf(0.975, found[:, 2]) * found[:, 1])
        events.append(study.event.sum())
    spread = np.std(estimates, axis=0, ddof=1) / math.sqrt(runs)
    return Summary(
        np.mean(plain, axis=0) - TRUE,
        np.mean(plain_covered, axis=0),
        np.mean(estimates, axis=0) - TRUE,
        np.mean(covered, axis=0),
        spread,
        float(np.mean(events)),
    )


def main() -> None:
    """Print the table of DEVELOPERS.md."""
    for kind, count, end in COHORTS:
        found = simulate(kind, 2000, count, end)
        print(kind, count, *(f"{name} {value}" for name, value in vars(found).items()))


if __name__ == "__main__":
    main()
