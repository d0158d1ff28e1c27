"""The primary Cox model on a redrawn cohort: naive, corrected, by SIMEX and by Firth's penalty.

The pieces are those of `analysis.models.calibrated_cox` and `cox_simex` on arrays instead of
tables: variance components by REML, error covariance of an athlete's mean, regression calibration.
`test_inference_simulation.py` holds that they give what the steps give.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.mixed import MixedFit, fit_mixed, random_intercept
from analysis.mixed.bootstrap import refit_near
from analysis.mixed.design import RandomTerm, checked_design
from analysis.mixed.deviance import problem_of
from analysis.models.measurement_error import (
    Corrected,
    ErrorModel,
    Level,
    correct,
    error_covariance,
    residual_covariance,
    within_correlation,
)
from analysis.models.reliability import Components
from analysis.models.trial_design import ATHLETE, VISIT
from analysis.sensitivity.simex import simex, straightened
from analysis.survival.cox import CoxFit, fit_cox
from analysis.survival.cox_sample import CoxSample, cox_sample, with_covariates
from analysis.survival.errors import SurvivalDataError
from analysis.survival.firth import fit_firth
from tests.known_answers.simulated_cohorts import SITE_SHIFTS, TRUE, Cohort
from tests.known_answers.simulation_summary import Found

Array = NDArray[np.float64]

PREDICTORS = len(TRUE)
LEVELS: tuple[Level, ...] = ("trial", "visit")
NORMAL_QUANTILE = 1.959963984540054
SIMEX_REFITS = 25
"""Per step of added error; the plan's 100 leave half as much to chance."""

NAIVE = "naive, Wald"
FIRTH = "naive, Firth, profile"
CORRECTED = {
    "trial": "corrected for trials",
    "visit": "corrected for trials and visits",
}
PLUS_MINUS = {
    "trial": "corrected for trials, estimate ± 1.96 SE",
    "visit": "corrected for trials and visits, estimate ± 1.96 SE",
}
SIMEX = {
    "trial": "SIMEX for trials",
    "visit": "SIMEX for trials and visits",
}
PARABOLA = {
    "trial": "SIMEX for trials, parabola",
    "visit": "SIMEX for trials and visits, parabola",
}


@dataclass(frozen=True)
class Model:
    """A cohort as the primary model sees it: predictors per SD, then age and sex; `given` (n, q)
    intercept, sites and covariates."""

    cohort: Cohort
    predictors: Array
    scales: Array
    given: Array
    sample: CoxSample


def model_of(cohort: Cohort) -> Model:
    """Return the model of one cohort: means of trials in SD, stratified by site, Efron ties."""
    means = cohort.means
    scales = means.std(axis=0, ddof=1)
    predictors = (means - means.mean(axis=0)) / scales
    covariates = np.column_stack([cohort.age, cohort.women])
    sample = cox_sample(
        np.column_stack([predictors, covariates]), cohort.days, cohort.event, strata=cohort.site
    )
    given = np.column_stack([np.ones(len(means)), _site_columns(cohort.site), covariates])
    return Model(cohort, predictors, scales, given, sample)


def _site_columns(site: NDArray[np.intp]) -> Array:
    return (site[:, None] == np.arange(1, len(SITE_SHIFTS))).astype(float)


def _trial_columns(cohort: Cohort) -> tuple[Array, list[RandomTerm]]:
    who = cohort.athlete
    fixed = [
        np.ones(len(who)),
        _site_columns(cohort.site[who]),
        (cohort.visit == 1).astype(float),
        cohort.age[who] - cohort.age[who].mean(),
        cohort.women[who],
    ]
    visits = random_intercept(VISIT, 2 * who + cohort.visit)
    return np.column_stack(fixed), [random_intercept(ATHLETE, who), visits]


def reference_fits(cohort: Cohort) -> list[MixedFit]:
    """Return the mixed model of each predictor in one cohort, from which others start."""
    fixed, terms = _trial_columns(cohort)
    return [fit_mixed(values, fixed, terms) for values in cohort.values.T]


def components(cohort: Cohort, references: list[MixedFit]) -> list[Components]:
    """Return the variance components of each predictor."""
    fixed, terms = _trial_columns(cohort)
    visits = cohort.visit == 1
    repeated = len(np.unique(cohort.athlete[visits]))
    found = []
    for values, reference in zip(cohort.values.T, references, strict=True):
        design = checked_design(values, fixed, terms, reference.fixed_names, None)
        fit = refit_near(problem_of(design), reference)
        found.append(
            Components(
                athlete=float(fit.component(ATHLETE).covariance[0, 0]),
                visit=float(fit.component(VISIT).covariance[0, 0]),
                trial=fit.sigma**2,
                n_athletes=len(cohort.site),
                n_repeated=repeated,
                n_trials=len(values),
                converged=fit.converged,
                singular=fit.singular,
            )
        )
    return found


def error_model(model: Model, parts: list[Components], level: Level) -> ErrorModel:
    """Return measured and error covariance in SD of the measured predictors."""
    inverse_trials = float((1 / model.cohort.clearance_trials).mean())
    variances = np.array([part.error(level, inverse_trials) for part in parts])
    measured, df = residual_covariance(model.predictors, model.given)
    return ErrorModel(
        measured=measured,
        error=error_covariance(variances / model.scales**2, _correlation(model.cohort, level)),
        measured_df=df,
        error_df=min(part.error_df(level) for part in parts),
        marginal=model.predictors.var(axis=0, ddof=1),
    )


def _correlation(cohort: Cohort, level: Level) -> Array:
    occasion = 2 * cohort.athlete + cohort.visit
    if level == "trial":
        return within_correlation(cohort.values, occasion)
    occasions, first, code = np.unique(occasion, return_index=True, return_inverse=True)
    sums = np.column_stack([np.bincount(code, column) for column in cohort.values.T])
    means = sums / np.bincount(code)[:, None]
    visit = cohort.visit[first]
    for value in (0, 1):
        means[visit == value] -= means[visit == value].mean(axis=0)
    return within_correlation(means, occasions // 2)


def naive_fit(sample: CoxSample) -> CoxFit:
    """Return the fit without penalty.

    Raises
    ------
    SurvivalDataError
        There is no finite estimate.
    """
    fit = fit_cox(sample, ties="efron")
    if not fit.converged:
        raise SurvivalDataError("no finite estimate")
    return fit


def wald(estimate: Array, covariance: Array, step: Array) -> Found:
    """Return estimates per `step` and their intervals by normal quantiles."""
    at, se = estimate * step, np.sqrt(np.diag(covariance)) * step
    return Found(at, se, at - NORMAL_QUANTILE * se, at + NORMAL_QUANTILE * se)


def mixture(found: Corrected, step: Array) -> Found:
    """Return corrected estimates per `step` with the limits that the report prints."""
    low, high = (found.limits(0.95) * step[:, None]).T
    return Found(found.coefficients * step, found.standard_errors() * step, low, high)


def uncorrected(model: Model) -> Iterator[tuple[str, Found]]:
    """Yield the naive estimates, per SD of the measured value.

    Raises
    ------
    SurvivalDataError
        There is no finite estimate.
    """
    fit = naive_fit(model.sample)
    first = slice(0, PREDICTORS)
    yield NAIVE, wald(fit.coefficients[first], fit.covariance[first, first], np.ones(PREDICTORS))


def corrections(
    model: Model, errors: ErrorModel, level: Level, rng: np.random.Generator
) -> Iterator[tuple[str, Found]]:
    """Yield regression calibration with both kinds of interval, per SD of the true value.

    Raises
    ------
    NotCorrectableError
        No true variance is left.
    """
    step = errors.true_deviation
    fit = naive_fit(model.sample)
    measured = fit.coefficients[:PREDICTORS], fit.covariance[:PREDICTORS, :PREDICTORS]
    found = correct(*measured, errors, rng)
    yield CORRECTED[level], mixture(found, step)
    # Variance of the mixture: how the intervals were made before.
    spread = np.square(found.deviations).mean(axis=0) + found.means.var(axis=0, ddof=1)
    yield PLUS_MINUS[level], wald(found.coefficients, np.diag(spread), step)


def by_simex(
    model: Model, errors: ErrorModel, level: Level, rng: np.random.Generator
) -> Iterator[tuple[str, Found]]:
    """Yield SIMEX along the shape of attenuation, and by the parabola with known error.

    Raises
    ------
    ValueError
        Too many refits without estimate, or no true variance.
    """
    step = errors.true_deviation
    others = model.sample.covariates[:, PREDICTORS:]

    def refit(predictors: Array) -> tuple[Array, Array]:
        columns = np.column_stack([predictors, others])
        fit = naive_fit(with_covariates(model.sample, columns, model.sample.names))
        return fit.coefficients[:PREDICTORS], fit.covariance[:PREDICTORS, :PREDICTORS]

    found = simex(model.predictors, errors.error, refit, repeats=SIMEX_REFITS, rng=rng)
    straight = straightened(found, errors.measured, errors.error)
    covariance = naive_fit(model.sample).covariance[:PREDICTORS, :PREDICTORS]
    yield SIMEX[level], mixture(correct(straight.as_measured, covariance, errors, rng), step)
    if np.diag(found.covariance).min() > 0:
        yield PARABOLA[level], wald(found.coefficients, found.covariance, step)


def by_firth(model: Model) -> Iterator[tuple[str, Found]]:
    """Yield the penalised estimates and profile limits, per SD of the measured value.

    Raises
    ------
    SurvivalDataError
        The maximum was not reached.
    """
    fit = fit_firth(model.sample, ties="efron")
    if not fit.converged:
        raise SurvivalDataError("no penalised estimate")
    first = slice(0, PREDICTORS)
    yield (
        FIRTH,
        Found(
            fit.coefficients[first], fit.standard_errors[first], fit.lower[first], fit.upper[first]
        ),
    )
