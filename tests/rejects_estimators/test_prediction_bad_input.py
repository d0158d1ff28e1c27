"""Bad input to the measures of prediction: refused in one clear sentence, never NaN."""

import numpy as np
import pytest

from analysis.prediction.brier import brier_score, integrated_brier_score
from analysis.prediction.calibration import (
    calibration_curve,
    calibration_slope,
    observed_expected,
)
from analysis.prediction.dynamic_auc import dynamic_auc
from analysis.prediction.net_benefit import decision_curve
from analysis.prediction.optimism import optimism_bootstrap
from analysis.prediction.required_size import required_size
from analysis.prediction.uno import uno_concordance
from analysis.survival.errors import SurvivalDataError

STOP = np.array([3.0, 5.0, 5.0, 8.0, 9.0, 12.0])
CAUSE = np.array([1, 2, 0, 1, 0, 0])
RISK = np.array([0.5, 0.4, 0.3, 0.2, 0.1, 0.6])

AT_HORIZON = {
    "auc": lambda stop, cause, horizon: dynamic_auc(RISK, stop, cause, horizon=horizon),
    "brier": lambda stop, cause, horizon: brier_score(RISK, stop, cause, horizon=horizon),
    "integrated": lambda stop, cause, horizon: integrated_brier_score(
        np.column_stack([RISK, RISK]), stop, cause, moments=[horizon / 2, horizon]
    ),
    "ratio": lambda stop, cause, horizon: observed_expected(RISK, stop, cause, horizon=horizon),
    "curve": lambda stop, cause, horizon: calibration_curve(RISK, stop, cause, horizon=horizon),
    "benefit": lambda stop, cause, horizon: decision_curve(
        RISK, stop, cause, horizon=horizon, thresholds=[0.2, 0.3]
    ),
}


@pytest.fixture(params=sorted(AT_HORIZON))
def measure(request):
    return AT_HORIZON[request.param]


def test_no_event_before_the_horizon(measure):
    with pytest.raises(SurvivalDataError, match="no row has the event 1 by the horizon"):
        measure(STOP, CAUSE, 2.0)


def test_all_censored(measure):
    with pytest.raises(SurvivalDataError, match="no row has the event 1"):
        measure(STOP, np.zeros(6), 8.0)


@pytest.mark.parametrize("horizon", [12.0, 20.0])
def test_horizon_at_or_beyond_the_last_time_where_nobody_stands_for_the_censored(measure, horizon):
    with pytest.raises(SurvivalDataError, match=r"G = 0|no row has the event"):
        measure(STOP, CAUSE, horizon)


def test_impossible_horizon(measure):
    with pytest.raises(SurvivalDataError, match=r"horizon: expected a positive time|moments"):
        measure(STOP, CAUSE, np.nan)


def test_no_control_is_left():
    with pytest.raises(SurvivalDataError, match="no control"):
        dynamic_auc([1, 2, 3], [1, 2, 3], [1, 1, 1], horizon=3)
    with pytest.raises(SurvivalDataError, match="controls: expected event_free"):
        dynamic_auc(RISK, STOP, CAUSE, horizon=8, controls="healthy")


def test_null_model_that_is_perfect():
    with pytest.raises(SurvivalDataError, match="every row has the event"):
        brier_score([0.1, 0.2], [1, 2], [1, 1], horizon=2)


def test_uno_without_event_or_beyond_the_last_time():
    with pytest.raises(SurvivalDataError, match="truncation: expected a time up to"):
        uno_concordance(RISK, STOP, CAUSE == 1, truncation=13)
    with pytest.raises(SurvivalDataError, match="by the truncation time 2"):
        uno_concordance(RISK, STOP, CAUSE == 1, truncation=2)
    with pytest.raises(SurvivalDataError, match="by the truncation time"):
        uno_concordance(RISK, STOP, np.zeros(6), truncation=12)
    with pytest.raises(SurvivalDataError, match="no pair of rows"):
        uno_concordance([1, 2], [4, 4], [1, 1], truncation=4)


def test_uno_with_censoring_until_nobody_could_be_seen_stays_finite():
    """The last event comes after all censorings: its G is positive, its pairs are none."""
    found = uno_concordance([3, 2, 1, 0], [1, 2, 2, 3], [1, 0, 0, 1], truncation=3)
    assert np.isfinite([found.estimate, found.standard_error, found.largest_weight]).all()


def test_predictions_that_are_no_risks():
    for bad in ([0.5, 0.4, 0.3, 0.2, 0.1, 1.2], [0.5, 0.4, 0.3, 0.2, 0.1, np.nan]):
        with pytest.raises(SurvivalDataError, match=r"predicted: expected risks .* in row 5"):
            brier_score(bad, STOP, CAUSE, horizon=8)
    with pytest.raises(SurvivalDataError, match=r"predicted: expected shape \(6,\)"):
        observed_expected([0.5], STOP, CAUSE, horizon=8)
    with pytest.raises(SurvivalDataError, match="all risks are zero"):
        observed_expected(np.zeros(6), STOP, CAUSE, horizon=8)
    with pytest.raises(SurvivalDataError, match="strictly between 0 and 1"):
        calibration_curve(np.zeros(6), STOP, CAUSE, horizon=8)
    with pytest.raises(SurvivalDataError, match=r"knots .* coincide"):
        calibration_curve(np.full(6, 0.3), STOP, CAUSE, horizon=8)


def test_slope_of_a_predictor_that_separates_or_does_not_vary():
    with pytest.raises(SurvivalDataError, match="no finite value"):
        calibration_slope([4, 3, 2, 1], [1, 2, 3, 4], [1, 1, 1, 0])
    with pytest.raises(SurvivalDataError, match="does not vary"):
        calibration_slope(np.ones(6), STOP, CAUSE == 1)
    with pytest.raises(SurvivalDataError, match="none of the 6 rows"):
        calibration_slope(RISK, STOP, CAUSE == 1, horizon=2)


def test_thresholds_out_of_range_or_with_too_short_follow_up_above():
    for bad in ([0.0, 0.5], [0.5, 1.0], [0.5, 0.2]):
        with pytest.raises(SurvivalDataError, match="thresholds: expected rising risks"):
            decision_curve(RISK, STOP, CAUSE, horizon=8, thresholds=bad)
    risk = [0.1, 0.1, 0.9, 0.1, 0.1, 0.1]
    with pytest.raises(SurvivalDataError, match=r"above 0.5 \(1 rows\) follow-up ends before"):
        decision_curve(risk, STOP, CAUSE, horizon=8, thresholds=[0.5])


def test_moments_that_do_not_rise():
    with pytest.raises(SurvivalDataError, match="moments: expected two or more rising times"):
        integrated_brier_score(np.column_stack([RISK, RISK]), STOP, CAUSE, moments=[8, 4])


def test_models_that_predict_nothing_finite():
    measures = {"mean": lambda values, rows: float(values.mean())}
    with pytest.raises(SurvivalDataError, match="6 not finite"):
        optimism_bootstrap(
            6, lambda p, o: lambda rows: np.full(rows.shape, np.nan), measures, resamples=5, seed=1
        )
    with pytest.raises(SurvivalDataError, match="measure 'C': expected a finite number"):
        optimism_bootstrap(
            6,
            lambda p, o: lambda rows: np.ones(rows.shape),
            {"C": lambda values, rows: float("nan")},
            resamples=5,
            seed=1,
        )


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"parameters": 0}, "parameters: expected at least 1"),
        ({"rate": 0.0}, "rate: expected a positive number"),
        ({"r_squared": 0.7}, "r_squared: expected a share above 0 and below 0.596"),
        ({"shrinkage": 1.0}, "shrinkage: expected a share"),
    ],
)
def test_required_size_out_of_range(change, message):
    usual = {
        "parameters": 5,
        "r_squared": 0.05,
        "rate": 0.08,
        "horizon": 2.0,
        "mean_follow_up": 2.0,
    }
    with pytest.raises(SurvivalDataError, match=message):
        required_size(**{**usual, **change})
