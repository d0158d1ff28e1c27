"""Tests of proportional hazards as rows of `estimates`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from analysis.estimates import EstimateFields, Estimates
from analysis.imputation.pooling import pool_chi_squared
from analysis.models.outcome_model import OutcomeModel
from analysis.survival.errors import NotIdentifiableError
from analysis.survival.linear import ChiSquareTest
from analysis.survival.proportional_hazards import proportional_hazards_test

TRANSFORM: Final = "km"

_READING = "a large p is no proof of proportional hazards when events are few"


def test_fields(tests: Sequence[ChiSquareTest], counted: str) -> EstimateFields:
    """Return statistic, degrees of freedom and p of a test, pooled if it was made several times.

    Parameters
    ----------
    counted
        What the degrees of freedom count.
    """
    first = tests[0]
    if len(tests) == 1:
        return {
            "unit": "chi-squared",
            "statistic": first.statistic,
            "statistic_kind": "chi-squared",
            "df": first.df,
            "df_method": counted,
            "p": first.p,
        }
    pooled = pool_chi_squared([max(0.0, test.statistic) for test in tests], first.df)
    return {
        "unit": "F",
        "statistic": pooled.statistic,
        "statistic_kind": "F, chi-squared statistics pooled (Li, Meng, Raghunathan & Rubin 1991)",
        "df": pooled.df,
        "df_method": f"{counted}; of the denominator {pooled.denominator_df:.6g}",
        "p": pooled.p,
    }


def _add_test(
    numbers: Estimates, outcome: str, term: tuple[str, ...], tests: Sequence[ChiSquareTest]
) -> None:
    fields = test_fields(tests, "number of terms tested")
    fields["note"] = f"score test, time as 1 - Kaplan-Meier (Grambsch & Therneau 1994); {_READING}"
    numbers.add(outcome, term, "proportional_hazards_test", fields["statistic"], **fields)


def add_proportionality(numbers: Estimates, outcome: str, model: OutcomeModel) -> None:
    """Add the score test that hazard ratios change with time: per term and of all at once."""
    design = model.design
    address = (outcome, *design.address("proportional_hazards_test"))
    converged = all(each.converged and each.fit.converged for _, each in model.fits)
    if not converged or design.n_events <= len(design.terms):
        numbers.not_run(address, "the model did not converge, or has no more events than terms")
        return
    try:
        found = [
            proportional_hazards_test(estimate.sample, estimate.fit, TRANSFORM)
            for _, estimate in model.fits
        ]
    except NotIdentifiableError as error:
        numbers.not_run(address, str(error))
        return
    for place, name in enumerate(found[0].names):
        tests = [each.per_covariate[place] for each in found]
        _add_test(numbers, outcome, design.address(name), tests)
    _add_test(numbers, outcome, design.address("global"), [each.overall for each in found])
