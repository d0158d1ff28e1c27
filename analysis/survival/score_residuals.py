"""Score residuals of a Cox model: what each row contributes to the score.

Exact under ties, late entry, strata and weights; the base of the robust and cluster variance.
Source: Therneau & Grambsch 2000, sections 4.6 and 7.1 (with the Efron form of tied deaths).
"""

from __future__ import annotations

import numpy as np

from analysis.survival.checks import Floats, Integers
from analysis.survival.cox_likelihood import PartialLikelihood, hazard_exposure
from analysis.survival.cox_sample import CoxSample, Ties


def score_contributions(sample: CoxSample, at: PartialLikelihood, ties: Ties) -> Floats:
    """Return the (n, p) score residuals per scale unit of each covariate, times the case weight.

    Rows are in the caller's order; a row that is never at risk has zeros.
    """
    sets, X = sample.risk_sets, sample.standardised
    fractions = sample.tie_fractions(ties)
    mean_exposure = hazard_exposure(sample, at.hazards[:, None] * at.means, fractions)
    residuals = -at.risk[:, None] * (X * at.exposure[:, None] - mean_exposure)
    averages = sets.sum_of_deaths(at.means)
    if sets.tied:
        averages = (averages / sets.death_counts[:, None])[sets.death_sets]
    residuals[sets.deaths] += sample.death_weights[:, None] * (X[sets.deaths] - averages)
    placed = np.zeros_like(sample.covariates)
    placed[sets.rows] = residuals
    return placed


def weighted_scores(
    sample: CoxSample, at: PartialLikelihood, ties: Ties, clusters: Integers | None
) -> Floats:
    """Return weighted score residuals per row, or summed over clusters ``(n_clusters, p)``."""
    scores = score_contributions(sample, at, ties)
    if clusters is None:
        return scores
    summed = np.zeros((int(clusters.max()) + 1, scores.shape[1]))
    np.add.at(summed, clusters, scores)
    return summed
