"""Brier score of predicted risks, at a horizon and integrated, with and without competing events.

The mean squared distance between the predicted risk and what happened (1 with the event of
interest by the horizon, 0 without), weighted for censoring. The null model predicts one risk for
everybody: 1 - Kaplan-Meier, with competing events Aalen-Johansen; the scaled score is one minus
the ratio to it (1 perfect, 0 no better than the null model, negative worse). A property of a model
in a group.

Sources: Graf et al. 1999; Gerds & Schumacher 2006; competing events: Schoop et al. 2011; scaled:
Kattan & Gerds 2018.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.prediction.censoring import HorizonSample, horizon_sample, predicted_risks
from analysis.survival.checks import Floats, column
from analysis.survival.errors import SurvivalDataError


@dataclass(frozen=True)
class BrierScore:
    """Brier score at a horizon.

    ``standard_error`` is the infinitesimal jackknife of the score itself, the estimation of the
    censoring weights included, the predictions held fixed. ``null`` is the score of the null
    model in the same rows, ``scaled`` is 1 - estimate / null.
    """

    estimate: float
    standard_error: float
    null: float
    scaled: float
    horizon: float
    of_interest: int


@dataclass(frozen=True, eq=False)
class IntegratedBrierScore:
    """Mean Brier score over a span of time: trapezium rule over the moments, divided by the span.

    ``scores`` (T,) are the scores at the ``moments`` (T,), ``null_scores`` those of the null model.
    """

    estimate: float
    null: float
    scaled: float
    moments: Floats
    scores: Floats
    null_scores: Floats
    of_interest: int


def brier_score(
    predicted: ArrayLike,
    stop: ArrayLike,
    cause: ArrayLike,
    *,
    horizon: float,
    of_interest: int = 1,
) -> BrierScore:
    """Return the Brier score of risks predicted for the horizon.

    Parameters
    ----------
    predicted : (n,) risks of the event of interest by the horizon, in [0, 1]
    stop, cause : (n,) follow-up; cause 0 censored, 1, 2, ... (or the 0/1 indicator of one event)

    Raises
    ------
    SurvivalDataError : no event of interest by the horizon, the data do not reach it, or a
        predicted value is no risk
    """
    sample = horizon_sample(stop, cause, horizon, of_interest=of_interest)
    risks = predicted_risks(predicted, (sample.n,))
    terms = _terms(sample, risks)
    estimate, null = float(terms.sum()), _null(sample)
    # The weights sum to n exactly, so the mean and the weighted mean are one.
    own = terms - estimate / sample.n
    influence = own + sample.influence_of_censoring(terms)
    return BrierScore(
        estimate=estimate,
        standard_error=float(np.sqrt(np.sum(influence**2))),
        null=null,
        scaled=1 - estimate / null,
        horizon=sample.horizon,
        of_interest=of_interest,
    )


def integrated_brier_score(
    predicted: ArrayLike,
    stop: ArrayLike,
    cause: ArrayLike,
    *,
    moments: ArrayLike,
    of_interest: int = 1,
) -> IntegratedBrierScore:
    """Return the Brier score averaged from the first to the last moment.

    Parameters
    ----------
    predicted : (n, T) risks of the event of interest by each moment
    stop, cause : (n,) follow-up, as for :func:`brier_score`
    moments : (T,) rising times, T >= 2; close ones make the trapezium rule accurate

    Raises
    ------
    SurvivalDataError : moments that do not rise, or as for :func:`brier_score` at any of them
    """
    when = column(moments, "moments")
    if when.size < 2 or not (np.diff(when) > 0).all():
        raise SurvivalDataError(f"moments: expected two or more rising times, found {when}")
    rows = column(stop, "stop").size
    risks = predicted_risks(predicted, (rows, when.size))
    scores, nulls = np.empty(when.size), np.empty(when.size)
    for k, moment in enumerate(when):
        sample = horizon_sample(stop, cause, float(moment), of_interest=of_interest)
        scores[k], nulls[k] = _terms(sample, risks[:, k]).sum(), _null(sample)
    span = when[-1] - when[0]
    estimate = float(np.trapezoid(scores, when) / span)
    null = float(np.trapezoid(nulls, when) / span)
    return IntegratedBrierScore(
        estimate, null, 1 - estimate / null, when, scores, nulls, of_interest
    )


def brier_values(predicted: Floats, sample: HorizonSample) -> tuple[float, float]:
    """Return the Brier score and that of the null model, without errors: for many resamples.

    Raises
    ------
    SurvivalDataError : every row has the event by the horizon
    """
    return float(_terms(sample, predicted).sum()), _null(sample)


def _terms(sample: HorizonSample, risks: Floats) -> Floats:
    """Return each row's addend of the score; only their sum has a meaning."""
    return sample.weights * (sample.case - risks) ** 2 / sample.n


def _null(sample: HorizonSample) -> float:
    """Return the score of one common risk.

    Weighted shares equal the Aalen-Johansen risk F, so the score is F (1 - F).
    """
    if sample.case.all():
        raise SurvivalDataError(
            f"horizon: every row has the event by {sample.horizon:g}, so the null model is perfect "
            "and nothing can be compared with it; take an earlier horizon"
        )
    return sample.risk * (1 - sample.risk)
