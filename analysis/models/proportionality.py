"""Tests of proportional hazards as rows of `estimates`."""

from __future__ import annotations

from typing import Final

from analysis.estimates import Estimates
from analysis.models.cox_design import CoxDesign
from analysis.models.cox_fit import CoxEstimate
from analysis.survival.errors import NotIdentifiableError
from analysis.survival.linear import ChiSquareTest
from analysis.survival.proportional_hazards import proportional_hazards_test

TRANSFORM: Final = "km"


def _add_test(numbers: Estimates, outcome: str, term: tuple[str, ...], test: ChiSquareTest) -> None:
    numbers.add(
        outcome,
        term,
        "proportional_hazards_test",
        test.statistic,
        unit="chi-squared",
        statistic=test.statistic,
        statistic_kind="chi-squared",
        df=test.df,
        df_method="number of terms tested",
        p=test.p,
        note="score test, time as 1 - Kaplan-Meier (Grambsch & Therneau 1994); a large p is no "
        "proof of proportional hazards when events are few",
    )


def add_proportionality(
    numbers: Estimates, outcome: str, design: CoxDesign, estimate: CoxEstimate
) -> None:
    """Add the score test that hazard ratios change with time: per term and of all at once."""
    address = (outcome, *design.address("proportional_hazards_test"))
    if not estimate.converged or design.n_events <= len(design.terms):
        numbers.not_run(address, "the model did not converge, or has no more events than terms")
        return
    try:
        found = proportional_hazards_test(estimate.sample, estimate.fit, TRANSFORM)
    except NotIdentifiableError as error:
        numbers.not_run(address, str(error))
        return
    for name, test in zip(found.names, found.per_covariate, strict=True):
        _add_test(numbers, outcome, design.address(name), test)
    _add_test(numbers, outcome, design.address("global"), found.overall)
