"""Net benefit over a range of thresholds (decision curve), with censoring.

The share of true positives of a policy "act at a predicted risk of at least p" minus the share of
false positives times the odds p / (1 - p), in the group. Compared with acting for all and for none
(0). It judges a model in a group over a range of thresholds that is stated beforehand; it neither
finds a threshold nor says anything about one athlete.

Sources: Vickers & Elkin 2006; censored and competing outcomes: Vickers, Cronin, Elkin & Gonen 2008
(the risk above a threshold is Kaplan-Meier's or Aalen-Johansen's in the rows above it).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.prediction.censoring import (
    HorizonSample,
    checked_horizon,
    horizon_sample,
    predicted_risks,
)
from analysis.survival.checks import Floats, Integers, column
from analysis.survival.errors import SurvivalDataError
from analysis.survival.event_table import event_table


@dataclass(frozen=True, eq=False)
class DecisionCurve:
    """Net benefit per member of the group at T thresholds.

    Attributes
    ----------
    thresholds : (T,) predicted risks
    net_benefit, act_for_all : (T,) of the model, and of acting whatever the prediction; acting for
        none has net benefit 0
    share_above, risk_above : (T,) of the group with a prediction of at least the threshold, and
        the observed risk among them (0 where there are none)
    """

    thresholds: Floats
    net_benefit: Floats
    act_for_all: Floats
    share_above: Floats
    risk_above: Floats
    horizon: float
    of_interest: int


def decision_curve(
    predicted: ArrayLike,
    stop: ArrayLike,
    cause: ArrayLike,
    *,
    horizon: float,
    thresholds: ArrayLike,
    of_interest: int = 1,
) -> DecisionCurve:
    """Return the net benefit of predicted risks over stated thresholds.

    Parameters
    ----------
    predicted : (n,) risks of the event of interest by the horizon, in [0, 1]
    stop, cause : (n,) follow-up; cause 0 censored, 1, 2, ... (or the 0/1 indicator of one event)
    thresholds : (T,) rising, strictly between 0 and 1

    Raises
    ------
    SurvivalDataError : no event of interest by the horizon; the follow-up of the group or of
        the rows above a threshold does not reach it; a value that is no risk
    """
    limits = column(thresholds, "thresholds")
    if not ((limits > 0) & (limits < 1)).all() or not (np.diff(limits) > 0).all():
        raise SurvivalDataError(
            f"thresholds: expected rising risks strictly between 0 and 1, found {limits}"
        )
    sample = horizon_sample(stop, cause, horizon, of_interest=of_interest)
    risks = predicted_risks(predicted, (sample.n,))
    share, risk = np.zeros(limits.size), np.zeros(limits.size)
    for k, limit in enumerate(limits):
        above = risks >= limit
        if above.any():
            share[k] = above.mean()
            try:
                checked_horizon(sample.horizon, sample.stop[above], sample.cause[above])
            except SurvivalDataError as error:
                raise SurvivalDataError(
                    f"thresholds: above {limit:g} ({int(above.sum())} rows) follow-up ends before "
                    f"the horizon {sample.horizon:g}; let the range end lower"
                ) from error
            risk[k] = _risk(sample.stop[above], sample.cause[above], sample.horizon, of_interest)
    odds = limits / (1 - limits)
    return DecisionCurve(
        thresholds=limits,
        net_benefit=share * (risk - (1 - risk) * odds),
        act_for_all=sample.risk - (1 - sample.risk) * odds,
        share_above=share,
        risk_above=risk,
        horizon=sample.horizon,
        of_interest=of_interest,
    )


def weighted_net_benefit(
    predicted: Floats, sample: HorizonSample, thresholds: Floats
) -> tuple[Floats, Floats]:
    """Return the net benefit (T,) of the model and of acting for all, by weights for censoring.

    The shares of true and false positives are those of the weighted group. Where few rows lie above
    a threshold this is defined all the same, so it can be repeated in every resample; without
    censoring it equals :func:`decision_curve`.
    """
    weights = sample.weights / sample.n
    odds = thresholds / (1 - thresholds)
    each = np.where(sample.case, weights, 0.0), np.where(sample.case, 0.0, weights)
    above = predicted[:, None] >= thresholds
    for_all = each[0].sum() - each[1].sum() * odds
    return each[0] @ above - (each[1] @ above) * odds, for_all


def _risk(stop: Floats, cause: Integers, horizon: float, of_interest: int) -> float:
    """Return the Aalen-Johansen risk by the horizon; only the value, for speed."""
    kinds = np.where(cause == of_interest, 1, np.where(cause > 0, 2, 0))
    table = event_table(None, stop, kinds, 2)
    after = np.cumprod(1 - table.events.sum(axis=1) / table.at_risk)
    before = np.concatenate([[1.0], after[:-1]])
    steps = before * table.events[:, 0] / table.at_risk
    return float(steps[table.times <= horizon].sum())
