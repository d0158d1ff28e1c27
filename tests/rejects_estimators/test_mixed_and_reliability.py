"""Hopeless trial data: mixed models, reliability and agreement refuse or stay finite."""

import warnings
from dataclasses import asdict

import numpy as np
import pytest

from analysis.agreement import limits_of_agreement, proportional_bias
from analysis.mixed import (
    ModelRefusedError,
    fit_mixed,
    kenward_roger_t,
    nested_labels,
    random_intercept,
    satterthwaite_t,
)
from analysis.reliability import average_agreement_interval, intraclass_correlations

TIED = 2000


def trials(athletes: int = 12, visits: int = 2, repeats: int = 4) -> dict[str, np.ndarray]:
    """Trials in visits in athletes, with one covariate."""
    generator = np.random.default_rng(3)
    visit = np.repeat(np.arange(athletes * visits), repeats)
    athlete = visit // visits
    speed = generator.normal(size=visit.size)
    outcome = 2 + 0.5 * speed + generator.normal(size=athletes)[athlete]
    outcome += 0.5 * generator.normal(size=athletes * visits)[visit]
    outcome += 0.4 * generator.normal(size=visit.size)
    fixed = np.column_stack([np.ones(visit.size), speed])
    return {"outcome": outcome, "fixed": fixed, "athlete": athlete, "visit": visit}


def fitted(data: dict[str, np.ndarray]):
    terms = [
        random_intercept("athlete", data["athlete"]),
        random_intercept("visit", nested_labels(data["athlete"], data["visit"])),
    ]
    return fit_mixed(data["outcome"], data["fixed"], terms)


def with_column(column: np.ndarray | float) -> dict[str, np.ndarray]:
    data = trials()
    wide = np.broadcast_to(column, data["outcome"].shape)
    return {**data, "fixed": np.column_stack([data["fixed"], wide])}


def with_infinite(name: str) -> dict[str, np.ndarray]:
    data = trials()
    data[name] = data[name].copy()
    data[name][5] = np.inf
    return data


REFUSED = {
    "constant covariate": (lambda: with_column(1.7), "'x2' is a combination of"),
    "collinear": (lambda: with_column(3 - trials()["fixed"][:, 1]), "'x2' is a combination of"),
    "infinite outcome": (lambda: with_infinite("outcome"), "missing or infinite .* row 5"),
    "infinite covariate": (lambda: with_infinite("fixed"), "missing or infinite .* row 5"),
    "one athlete": (lambda: trials(athletes=1), "'athlete' has 1 group"),
    "one visit each": (lambda: trials(visits=1), "group the rows alike"),
    "one trial per visit": (lambda: trials(repeats=1), "cannot be told from the residual"),
    "one trial each": (lambda: trials(visits=1, repeats=1), "cannot be told from the residual"),
    "equal outcomes": (lambda: {**trials(), "outcome": np.full(96, 3.0)}, "does not vary"),
}


@pytest.mark.parametrize("kind", REFUSED)
def test_mixed_model_refuses(kind):
    build, message = REFUSED[kind]
    with pytest.raises(ModelRefusedError, match=message):
        fitted(build())


def test_terms_that_group_alike_but_share_no_effect_are_fitted():
    """An intercept and a slope of the same athletes are two effects, whatever their terms."""
    data = trials()
    slope = random_intercept("athlete slope", data["athlete"])
    slope = type(slope)(
        "athlete slope", data["athlete"], data["fixed"][:, 1:], ("speed",), slope.structure
    )
    terms = [random_intercept("athlete", data["athlete"]), slope]
    assert fit_mixed(data["outcome"], data["fixed"], terms).converged


def test_mixed_model_with_two_thousand_tied_outcomes():
    """Outcomes rounded to whole numbers: few distinct values, and a finite answer."""
    data = trials(athletes=100, visits=2, repeats=10)
    data["outcome"] = np.round(data["outcome"])
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        fit = fitted(data)
        tests = [*satterthwaite_t(fit), *kenward_roger_t(fit)]
    assert fit.converged
    assert data["outcome"].size == TIED
    values = [[t.estimate, t.standard_error, t.df, t.low, t.high] for t in tests]
    assert np.isfinite(values).all()


def scores(subjects: int, raters: int) -> np.ndarray:
    generator = np.random.default_rng(8)
    return generator.normal(size=(subjects, 1)) + 0.5 * generator.normal(size=(subjects, raters))


SCORES_REFUSED = {
    "one athlete": (scores(1, 3), "at least 2 subjects"),
    "one trial each": (scores(8, 1), "at least 2 subjects"),
    "infinite": (np.where(np.arange(24).reshape(8, 3) == 4, np.inf, scores(8, 3)), "column 1"),
    "equal": (np.full((8, 3), 2.0), "no subject differs"),
    "subjects alike": (np.tile([1.0, 2.0, 3.0], (8, 1)), "no subject differs"),
}


@pytest.mark.parametrize("estimate", [intraclass_correlations, average_agreement_interval])
@pytest.mark.parametrize("kind", SCORES_REFUSED)
def test_reliability_refuses(estimate, kind):
    table, message = SCORES_REFUSED[kind]
    with pytest.raises(ValueError, match=message):
        estimate(table)


def test_reliability_without_error_is_one():
    table = np.tile(np.arange(8.0)[:, None], (1, 3))
    assert average_agreement_interval(table) == (1.0, 1.0)
    assert {found.value for found in intraclass_correlations(table).values()} == {1.0}


def test_reliability_of_two_thousand_tied_scores():
    for found in intraclass_correlations(np.round(scores(TIED, 3))).values():
        assert found.low < found.value < found.high
        assert np.isfinite([found.statistic, found.p_value]).all()


def test_limit_of_a_reliability_stays_below_the_estimate():
    """Two subjects, raters that differ less than their error: no lower limit, not one above 1."""
    generator = np.random.default_rng(2)
    for _ in range(200):
        table = generator.normal(size=(2, 1)) + 0.5 * generator.normal(size=(2, 2))
        low, high = average_agreement_interval(table)
        assert low <= intraclass_correlations(table)["ICC(2,k)"].value
        assert high <= 1


def test_agreement_of_identical_methods():
    readings = np.array([1.0, 2.0, 3.0, 4.0])
    assert np.isfinite(
        [
            v
            for v in asdict(limits_of_agreement(readings, readings)).values()
            if isinstance(v, float)
        ]
    ).all()
    with pytest.raises(ValueError, match="on a line exactly"):
        proportional_bias(readings, readings)
