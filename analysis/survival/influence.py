"""Refit a Cox model without each event in turn: does one athlete carry the result?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.survival.checks import Booleans, Floats, Integers, group_codes
from analysis.survival.cox import fit_cox
from analysis.survival.cox_sample import CoxSample, Ties, cox_sample
from analysis.survival.errors import SurvivalDataError


@dataclass(frozen=True, eq=False)
class LeaveOneEventOut:
    """Estimates without each event.

    Attributes
    ----------
    left_out : (E,) row of the event that was left out
    coefficients, standard_errors : (E, p); NaN where ``refused`` or ``monotone``
    monotone, refused : (E,) the refit diverged, or could not be made (e.g. the last event)
    """

    names: tuple[str, ...]
    left_out: Integers
    coefficients: Floats
    standard_errors: Floats
    monotone: Booleans
    refused: Booleans


def leave_one_event_out(
    sample: CoxSample, *, ties: Ties = "efron", cluster: ArrayLike | None = None
) -> LeaveOneEventOut:
    """Refit without each row that ends with an event.

    Parameters
    ----------
    cluster : (n,) labels; the whole cluster (e.g. all rows of the athlete) is then left out
    """
    codes = np.arange(sample.n)
    if cluster is not None:
        _, codes = group_codes(cluster, sample.n, "cluster")
    events = np.flatnonzero(sample.event)
    shape = (events.size, len(sample.names))
    coefficients, errors = np.full(shape, np.nan), np.full(shape, np.nan)
    monotone, refused = np.zeros(events.size, dtype=bool), np.zeros(events.size, dtype=bool)
    for place, row in enumerate(events):
        try:
            fit = fit_cox(_without(sample, codes != codes[row]), ties=ties)
        except SurvivalDataError:
            refused[place] = True
            continue
        monotone[place] = fit.monotone
        if not fit.monotone:
            coefficients[place], errors[place] = fit.coefficients, fit.standard_errors
    return LeaveOneEventOut(sample.names, events, coefficients, errors, monotone, refused)


def _without(sample: CoxSample, kept: Booleans) -> CoxSample:
    return cox_sample(
        sample.covariates[kept],
        sample.stop[kept],
        sample.event[kept],
        start=None if sample.start is None else sample.start[kept],
        strata=None if sample.strata is None else sample.strata[kept],
        weights=sample.weights[kept],
        names=sample.names,
    )
