"""Time-dependent area under the ROC curve: cumulative cases, dynamic controls.

How often a score is higher in one who has the event by the horizon (case) than in one who has not
(control), both weighted for censoring. A property of a model in a group: no cut-off is sought.

With competing events two definitions of a control are in use, and they answer different questions:

- ``event_free``: no event of any cause by the horizon;
- ``without_the_event``: not the event of interest by the horizon; a row that had another event
  first counts as well.

Without competing events they are the same. Sources: Heagerty & Zheng 2005 (cumulative/dynamic);
Uno et al. 2007; Blanche, Dartigues & Jacqmin-Gadda 2013 (both definitions under competing risks).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from analysis.prediction.censoring import HorizonSample, horizon_sample
from analysis.survival.checks import Floats, column, merge_close
from analysis.survival.concordance import SCORE_TOLERANCE
from analysis.survival.errors import SurvivalDataError

Controls = Literal["event_free", "without_the_event"]


@dataclass(frozen=True)
class DynamicAuc:
    """Area under the ROC curve at a horizon.

    ``standard_error`` is the infinitesimal jackknife, the estimation of the censoring weights
    included.
    """

    estimate: float
    standard_error: float
    horizon: float
    of_interest: int
    controls: Controls
    n_cases: int
    n_controls: int


def dynamic_auc(
    risk: ArrayLike,
    stop: ArrayLike,
    cause: ArrayLike,
    *,
    horizon: float,
    of_interest: int = 1,
    controls: Controls = "event_free",
) -> DynamicAuc:
    """Return the area under the ROC curve of a score at a horizon.

    Parameters
    ----------
    risk : (n,) score of which higher values mean earlier events
    stop, cause : (n,) follow-up; cause 0 censored, 1, 2, ... (or the 0/1 indicator of one event)
    controls : the definition of a control, see the module

    Raises
    ------
    SurvivalDataError : no case or no control, or the data do not reach the horizon
    """
    sample = horizon_sample(stop, cause, horizon, of_interest=of_interest)
    score = merge_close(column(risk, "risk", sample.n), SCORE_TOLERANCE)
    is_control = _controls(sample, controls)
    case = np.where(sample.case, sample.weights, 0.0)
    control = np.where(is_control, sample.weights, 0.0)
    # Weight of the controls below each score, ties half; and of the cases above it.
    controls_below = _weight_below(score, control)
    cases_above = case.sum() - _weight_below(score, case)
    pairs = case.sum() * control.sum()
    estimate = float(case @ controls_below / pairs)
    own = (
        case * (controls_below / control.sum() - estimate) / case.sum()
        + control * (cases_above / case.sum() - estimate) / control.sum()
    )
    influence = own + sample.influence_of_censoring(own)
    return DynamicAuc(
        estimate=estimate,
        standard_error=float(np.sqrt(np.sum(influence**2))),
        horizon=sample.horizon,
        of_interest=of_interest,
        controls=controls,
        n_cases=int(sample.case.sum()),
        n_controls=int(is_control.sum()),
    )


def area_under_curve(risk: Floats, sample: HorizonSample, controls: Controls) -> float:
    """Return the area alone, without its error: for many resamples of a checked sample.

    Raises
    ------
    SurvivalDataError : no control is left
    """
    score = merge_close(risk, SCORE_TOLERANCE)
    case = np.where(sample.case, sample.weights, 0.0)
    control = np.where(_controls(sample, controls), sample.weights, 0.0)
    return float(case @ _weight_below(score, control) / (case.sum() * control.sum()))


def _controls(sample: HorizonSample, controls: Controls) -> np.ndarray:
    if controls not in ("event_free", "without_the_event"):
        raise SurvivalDataError(
            f"controls: expected event_free or without_the_event, found {controls!r}"
        )
    chosen = sample.event_free if controls == "event_free" else sample.event_free | sample.other
    if not chosen.any():
        raise SurvivalDataError(
            f"horizon: no control ({controls}) is left at {sample.horizon:g}; take an earlier one"
        )
    return chosen


def _weight_below(score: Floats, weights: Floats) -> Floats:
    """Return the weight with a smaller score plus half of that with the same score; (n,)."""
    _, place = np.unique(score, return_inverse=True)
    at = np.bincount(place, weights=weights)
    return (np.cumsum(at) - at / 2)[place]
