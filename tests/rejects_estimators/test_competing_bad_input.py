"""Bad input to the curves, tests and competing-risk models: refused with the place, or flagged."""

import numpy as np
import pytest

from analysis.competing.cumulative_incidence import cumulative_incidence
from analysis.competing.fine_gray import fit_fine_gray
from analysis.competing.gray import gray_test
from analysis.survival.concordance import harrell_concordance
from analysis.survival.cox_sample import cox_sample
from analysis.survival.e_value import hazard_ratio_e_value
from analysis.survival.errors import NotIdentifiableError, SurvivalDataError
from analysis.survival.follow_up import completeness
from analysis.survival.incidence import incidence_rate, rate_ratio
from analysis.survival.kaplan_meier import kaplan_meier
from analysis.survival.log_rank import log_rank
from analysis.survival.restricted_mean import restricted_mean
from analysis.survival.ridge import fit_ridge
from analysis.survival.sample_size import events_for_covariate

STOP = np.array([3.0, 5.0, 5.0, 8.0, 9.0, 12.0])
CAUSE = np.array([1, 2, 0, 1, 0, 2])
X = np.array([0.3, 1.0, -0.2, 0.8, 2.0, -1.0])


def test_curves_without_any_event_stay_flat_and_finite():
    curve = kaplan_meier(STOP, np.zeros(6))
    assert curve.survival.tolist() == [1] * 5
    assert curve.lower.tolist() == curve.upper.tolist() == [1] * 5
    assert curve.quantile().time == np.inf
    incidence = cumulative_incidence(STOP, np.zeros(6))
    assert incidence.causes.size == 0
    assert incidence.event_free.tolist() == [1] * 5


def test_curve_after_the_last_observation_is_refused():
    with pytest.raises(SurvivalDataError, match="10 is after the last observation at 9"):
        kaplan_meier(STOP[:5], [1, 0, 0, 1, 0]).at([4, 10])
    with pytest.raises(SurvivalDataError, match="after the last observation"):
        cumulative_incidence(STOP[:5], CAUSE[:5]).at(1, [10])
    with pytest.raises(SurvivalDataError, match="horizon: 20 is after the last observation"):
        restricted_mean(STOP[:5], [1, 0, 0, 1, 0], 20)


def test_when_nobody_is_left_the_limits_are_undefined_not_wrong():
    curve = kaplan_meier([1, 2], [1, 1])
    assert curve.survival.tolist() == [0.5, 0.0]
    assert np.isnan([curve.standard_error[1], curve.lower[1], curve.upper[1]]).all()
    assert np.isfinite([curve.standard_error[0], curve.lower[0], curve.upper[0]]).all()


def test_incidence_that_reaches_one_but_for_rounding_has_finite_limits():
    """Everybody has the event: the sum of 299 steps is 1 - 1e-16 or so, the limits are 1."""
    stop = np.arange(1.0, 300.0)
    curve = cumulative_incidence(stop, np.ones(299))
    assert curve.incidence[-1, 0] == pytest.approx(1, abs=1e-12)
    assert curve.lower[-1, 0] == curve.upper[-1, 0] == curve.incidence[-1, 0]


def test_unknown_cause_interval_type_or_level_is_refused():
    with pytest.raises(SurvivalDataError, match=r"cause: expected one of \[1, 2\], found 3"):
        cumulative_incidence(STOP, CAUSE).at(3, [5])
    with pytest.raises(ValueError, match="interval type: expected plain, log"):
        kaplan_meier(STOP, CAUSE > 0, interval="wilson")
    with pytest.raises(SurvivalDataError, match="level: expected a confidence level"):
        kaplan_meier(STOP, CAUSE > 0, level=95)


def test_cause_must_be_a_whole_number():
    with pytest.raises(SurvivalDataError, match=r"cause: expected whole numbers.*row 1 \(1.5\)"):
        cumulative_incidence(STOP, [1, 1.5, 0, 1, 0, 2])
    with pytest.raises(SurvivalDataError, match="cause: missing or infinite value in row 0"):
        gray_test(STOP, [np.nan, 1, 0, 1, 0, 2], [0, 1] * 3)


def test_group_tests_need_two_groups_and_an_event():
    with pytest.raises(SurvivalDataError, match="group: expected at least two groups"):
        log_rank(STOP, CAUSE > 0, ["a"] * 6)
    with pytest.raises(SurvivalDataError, match="group: expected at least two groups"):
        gray_test(STOP, CAUSE, ["a"] * 6)
    with pytest.raises(SurvivalDataError, match="hazards cannot be compared"):
        log_rank(STOP, np.zeros(6), [0, 1] * 3)
    with pytest.raises(SurvivalDataError, match="no row ends with cause 4"):
        gray_test(STOP, CAUSE, [0, 1] * 3, of_cause=4)


def test_groups_never_at_risk_together_are_refused():
    start, stop, event = [0, 0, 5, 5], [3, 4, 8, 9], [1, 1, 1, 1]
    with pytest.raises(SurvivalDataError, match="no two groups are at risk together"):
        log_rank(stop, event, ["early", "early", "late", "late"], start=start)
    with pytest.raises(SurvivalDataError, match="no two groups are at risk together"):
        gray_test([2, 3, 8, 9], [0, 0, 1, 1], ["early", "early", "late", "late"])


def test_a_group_that_ends_early_does_not_break_the_tests():
    group = (STOP > 5).astype(int)
    for result in (log_rank(STOP, CAUSE > 0, group), gray_test(STOP, CAUSE, group)):
        assert np.isfinite([result.test.statistic, result.test.p]).all()


def test_fine_gray_refuses_or_flags():
    with pytest.raises(SurvivalDataError, match="no row ends with cause 3"):
        fit_fine_gray(X, STOP, CAUSE, of_cause=3)
    with pytest.raises(NotIdentifiableError, match="'height' does not vary"):
        fit_fine_gray(np.full(6, 1.8), STOP, CAUSE, names=["height"])
    with pytest.raises(SurvivalDataError, match="'speed': missing or infinite value in row 2"):
        fit_fine_gray(np.where(np.arange(6) == 2, np.inf, X), STOP, CAUSE, names=["speed"])
    fit = fit_fine_gray((CAUSE == 1).astype(float), STOP, CAUSE, names=["group"])
    assert fit.monotone
    assert not fit.converged
    assert fit.diverging == ("group",)
    assert np.isfinite(fit.coefficients).all()
    assert np.isfinite(fit.covariance).all()


def test_fine_gray_with_two_thousand_tied_times():
    generator = np.random.default_rng(3)
    columns = generator.normal(size=(4000, 2))
    stop = np.where(np.arange(4000) < 2000, 5.0, 9.0)
    cause = generator.integers(0, 3, size=4000)
    fit = fit_fine_gray(columns, stop, cause)
    assert fit.converged
    assert np.isfinite(fit.standard_errors).all()


def test_concordance_without_comparable_pairs_is_refused():
    with pytest.raises(SurvivalDataError, match="no pair of rows can be compared"):
        harrell_concordance([1, 2], [5, 6], [0, 0])


def test_counts_exposures_and_times_must_make_sense():
    with pytest.raises(SurvivalDataError, match="events: expected a whole number"):
        incidence_rate(-1, 10.0)
    with pytest.raises(SurvivalDataError, match="exposure: expected positive exposure"):
        incidence_rate(1, 0.0)
    with pytest.raises(SurvivalDataError, match="no event in either group"):
        rate_ratio(0, 1.0, 0, 1.0)
    with pytest.raises(SurvivalDataError, match=r"possible: expected a positive time .* row 1"):
        completeness([1, 5], [4, 4], [0, 0])
    with pytest.raises(SurvivalDataError, match="expected 0 < lower <= ratio <= upper"):
        hazard_ratio_e_value(2.0, 2.5, 3.0, outcome="rare")
    with pytest.raises(SurvivalDataError, match="hazard_ratio: expected a positive ratio"):
        events_for_covariate(1.0)
    with pytest.raises(SurvivalDataError, match="penalty: expected a positive weight"):
        fit_ridge(cox_sample(X, STOP, CAUSE > 0), 0.0)
