"""Residuals of a Cox model, in the same tie method as the fit and in the caller's row order.

Sources: Schoenfeld 1982; Therneau, Grambsch & Fleming 1990; Grambsch & Therneau 1994.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from analysis.survival.checks import Floats, Integers
from analysis.survival.cox import CoxFit
from analysis.survival.cox_likelihood import PartialLikelihood, partial_likelihood
from analysis.survival.cox_sample import CoxSample
from analysis.survival.score_residuals import score_contributions


@dataclass(frozen=True, eq=False)
class SchoenfeldResiduals:
    """Covariates of each death minus the mean of those at risk, by stratum and time.

    Attributes
    ----------
    rows : (E,) caller's row number of each death
    times : (E,) event times
    residuals : (E, p) in the covariates' units
    scaled : (E, p) estimate of the coefficient at that time (Grambsch & Therneau's scaling)
    """

    rows: Integers
    times: Floats
    residuals: Floats
    scaled: Floats


def likelihood_at_fit(sample: CoxSample, fit: CoxFit) -> PartialLikelihood:
    """Evaluate the partial likelihood at the fitted coefficients."""
    return partial_likelihood(sample, fit.coefficients * sample.scale, fit.ties)


def cumulative_hazards(sample: CoxSample, fit: CoxFit) -> Floats:
    """Return the expected number of events (n,) of each row: its exposure to the hazard."""
    at = likelihood_at_fit(sample, fit)
    expected = np.zeros(sample.n)
    expected[sample.risk_sets.rows] = at.risk * at.exposure / sample.sorted_weights
    return expected


def martingale_residuals(sample: CoxSample, fit: CoxFit) -> Floats:
    """Return observed minus expected events (n,)."""
    return sample.event - cumulative_hazards(sample, fit)


def deviance_residuals(sample: CoxSample, fit: CoxFit) -> Floats:
    """Return martingale residuals made nearly symmetric (n,)."""
    event = sample.event.astype(np.float64)
    expected = cumulative_hazards(sample, fit)
    martingale = event - expected
    squared = -2 * (martingale + special.xlogy(event, expected))
    return np.sign(martingale) * np.sqrt(np.maximum(squared, 0.0))


def score_residuals(sample: CoxSample, fit: CoxFit) -> Floats:
    """Return each row's part in the score (n, p), per unit of the covariates, times its weight."""
    return score_contributions(sample, likelihood_at_fit(sample, fit), fit.ties) * sample.scale


def dfbeta_residuals(sample: CoxSample, fit: CoxFit) -> Floats:
    """Return the approximate change (n, p) of the coefficients that each row brings about."""
    return score_residuals(sample, fit) @ fit.covariance


def schoenfeld_residuals(sample: CoxSample, fit: CoxFit) -> SchoenfeldResiduals:
    """Return the Schoenfeld residuals of all deaths.

    Under Efron ties the mean is the average over the steps of the tied deaths.
    """
    sets, at = sample.risk_sets, likelihood_at_fit(sample, fit)
    means = sets.sum_of_deaths(at.means)
    if sets.tied:
        means = (means / sets.death_counts[:, None])[sets.death_sets]
    residuals = (sample.standardised[sets.deaths] - means) * sample.scale
    scaled = residuals @ fit.covariance * sample.n_events + fit.coefficients
    return SchoenfeldResiduals(
        sets.rows[sets.deaths], sets.times[sets.death_sets], residuals, scaled
    )
