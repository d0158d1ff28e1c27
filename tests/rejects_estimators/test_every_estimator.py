"""Every estimator with every kind of hopeless data: a clear refusal, or a finite, flagged result.

A cell of the matrix is what a refusal says, or FINITE, or FLAGGED (finite, and marked as not to
be believed), or a kind of number that is open by definition. No cell may be missing.
"""

import warnings
from collections.abc import Callable
from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np
import pytest

from analysis.competing.cumulative_incidence import cumulative_incidence
from analysis.competing.fine_gray import fit_fine_gray
from analysis.competing.gray import gray_test
from analysis.survival.concordance import harrell_concordance
from analysis.survival.cox import fit_cox
from analysis.survival.cox_sample import CoxSample, cox_sample
from analysis.survival.errors import SurvivalDataError
from analysis.survival.firth import fit_firth
from analysis.survival.frailty import fit_gamma_frailty
from analysis.survival.kaplan_meier import kaplan_meier, nelson_aalen
from analysis.survival.log_rank import log_rank
from analysis.survival.proportional_hazards import proportional_hazards_test
from analysis.survival.restricted_mean import restricted_mean
from analysis.survival.ridge import fit_ridge
from tests.rejects_estimators.hopeless_data import BAD, Data, sound

FINITE, FLAGGED = "finite", "flagged"
NO_EVENT = "none of the .* rows ends with an event"
NEGATIVE = r"stop: negative time in row 7 \(-3.0\)"
ENTRY = "start: entry is not before exit in row 4"
ENDLESS = "stop: missing or infinite value in row 11"
COVARIATE = "covariate 'age': missing or infinite value in row 11"
CONSTANT = "'limb' does not vary"
COLLINEAR = "'both' is a combination of age, limb"
ONE_GROUP = "group: expected at least two groups, found only"


def sample(data: Data) -> CoxSample:
    return cox_sample(
        data.covariates, data.stop, data.cause == 1, start=data.start, names=data.names
    )


def proportional_hazards(data: Data) -> Any:
    built = sample(data)
    return proportional_hazards_test(built, fit_cox(built))


def incidence(data: Data, variance: Any) -> Any:
    return cumulative_incidence(data.stop, data.cause, start=data.start, variance=variance)


ESTIMATORS: dict[str, Callable[[Data], Any]] = {
    "Cox": lambda d: fit_cox(sample(d), cluster=d.athlete),
    "proportional hazards": proportional_hazards,
    "Firth": lambda d: fit_firth(sample(d)),
    "ridge": lambda d: fit_ridge(sample(d), 1.0),
    "frailty": lambda d: fit_gamma_frailty(sample(d), d.athlete),
    "Fine-Gray": lambda d: fit_fine_gray(
        d.covariates, d.stop, d.cause, cluster=d.athlete, names=d.names
    ),
    "Gray": lambda d: gray_test(d.stop, d.cause, d.group),
    "Aalen-Johansen, aalen": lambda d: incidence(d, "aalen"),
    "Aalen-Johansen, greenwood": lambda d: incidence(d, "greenwood"),
    "Kaplan-Meier": lambda d: kaplan_meier(d.stop, d.cause > 0, start=d.start),
    "Nelson-Aalen": lambda d: nelson_aalen(d.stop, d.cause > 0, start=d.start),
    "log-rank": lambda d: log_rank(d.stop, d.cause == 1, d.group, start=d.start),
    "restricted mean": lambda d: restricted_mean(d.stop, d.cause > 0, 5.0, start=d.start),
    "concordance": lambda d: harrell_concordance(
        d.covariates[:, 0], d.stop, d.cause == 1, start=d.start
    ),
}

# In the order of BAD: no events, one event, events in one group, constant, collinear, negative,
# entry, infinite covariate, infinite time, one athlete, one row per athlete, tied times.
MODEL_TAIL = [CONSTANT, COLLINEAR, NEGATIVE, ENTRY, COVARIATE, ENDLESS, "'age' does not vary"]
CURVE_TAIL = [FINITE, FINITE, NEGATIVE, ENTRY, FINITE, ENDLESS, FINITE, FINITE, FINITE]
SEPARATED = "covariates limb separate the events"
EXPECTED: dict[str, list[str]] = {
    "Cox": [NO_EVENT, FLAGGED, FLAGGED, *MODEL_TAIL, FINITE, FINITE],
    "proportional hazards": [
        NO_EVENT,
        "all 1 events at one time",
        SEPARATED,
        *MODEL_TAIL,
        FINITE,
        "all 1000 events at one time",
    ],
    "Firth": [NO_EVENT, FINITE, FINITE, *MODEL_TAIL, FINITE, FINITE],
    # The penalty makes constant and collinear columns estimable: that is what it is for.
    "ridge": [
        *(NO_EVENT, FINITE, FINITE, FINITE, FINITE, NEGATIVE, ENTRY, COVARIATE, ENDLESS),
        *(FINITE, FINITE, FINITE),
    ],
    "frailty": [
        *(NO_EVENT, SEPARATED, SEPARATED, *MODEL_TAIL[:-1]),
        *("at least two groups", FINITE, FINITE),
    ],
    # Late entry is not part of these two.
    "Fine-Gray": [
        *("no row ends with cause 1", FLAGGED, FLAGGED, CONSTANT, COLLINEAR, NEGATIVE, FINITE),
        *(COVARIATE, ENDLESS, "'age' does not vary", FINITE, FINITE),
    ],
    "Gray": [
        *("no row ends with cause 1", FINITE, FINITE, ONE_GROUP, FINITE, NEGATIVE, FINITE),
        *(FINITE, ENDLESS, ONE_GROUP, FINITE, FINITE),
    ],
    "Aalen-Johansen, aalen": [FINITE, FINITE, FINITE, *CURVE_TAIL],
    "Aalen-Johansen, greenwood": [FINITE, FINITE, FINITE, *CURVE_TAIL],
    "Kaplan-Meier": [FINITE, FINITE, FINITE, *CURVE_TAIL],
    "Nelson-Aalen": [FINITE, FINITE, FINITE, *CURVE_TAIL],
    "log-rank": [
        *("no row ends with an event", FINITE, FINITE, ONE_GROUP, FINITE, NEGATIVE, ENTRY),
        *(FINITE, ENDLESS, ONE_GROUP, FINITE, FINITE),
    ],
    "restricted mean": [FINITE, FINITE, FINITE, *CURVE_TAIL],
    "concordance": [
        *("no pair of rows can be compared", FINITE, FINITE, FINITE, FINITE, NEGATIVE, ENTRY),
        *("risk: missing or infinite value in row 11", ENDLESS, "no pair of rows can be compared"),
        *(FINITE, FINITE),
    ],
}
UNDEFINED_WHEN_NOBODY_IS_LEFT = {
    "Kaplan-Meier": ("standard_error", "lower", "upper"),
}
"""Documented as not a number once the curve is at zero; R's `survfit` does the same."""

CELLS = [
    (estimator, kind, expected)
    for estimator, row in EXPECTED.items()
    for kind, expected in zip(BAD, row, strict=True)
]


def numbers(result: Any, path: str = "") -> dict[str, np.ndarray]:
    """Return all numeric fields of a result and of the results inside it."""
    found: dict[str, np.ndarray] = {}
    for field in fields(result):
        value, name = getattr(result, field.name), f"{path}{field.name}"
        parts = value if isinstance(value, tuple) else (value,)
        for part in parts:
            if is_dataclass(part):
                found |= numbers(part, f"{name}.")
            elif isinstance(part, int | float | np.ndarray) and np.asarray(part).dtype != object:
                array = np.asarray(part)
                if np.issubdtype(array.dtype, np.number):
                    found[name] = array
    return found


def assert_finite(estimator: str, result: Any) -> None:
    values = numbers(result)
    assert values
    for name, value in values.items():
        if name in UNDEFINED_WHEN_NOBODY_IS_LEFT.get(estimator, ()):
            value = value[result.survival > 0]
        assert np.isfinite(value).all(), name


@pytest.mark.parametrize(("estimator", "kind", "expected"), CELLS)
def test_cell(estimator, kind, expected):
    data = BAD[kind]()
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        if expected in (FINITE, FLAGGED):
            result = ESTIMATORS[estimator](data)
            assert_finite(estimator, result)
            if hasattr(result, "converged"):
                assert result.converged == (expected == FINITE)
            if hasattr(result, "monotone"):
                assert result.monotone == (expected == FLAGGED)
            return
        with pytest.raises(SurvivalDataError, match=expected):
            ESTIMATORS[estimator](data)


@pytest.mark.parametrize("estimator", ESTIMATORS)
def test_sound_data_are_neither_refused_nor_flagged(estimator):
    result = ESTIMATORS[estimator](sound())
    assert_finite(estimator, result)
    assert getattr(result, "converged", True)
    assert not getattr(result, "monotone", False)


def test_no_cell_is_missing():
    assert EXPECTED.keys() == ESTIMATORS.keys()
    assert all(len(row) == len(BAD) for row in EXPECTED.values())
