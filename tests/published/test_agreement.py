"""Limits of agreement and concordance against Bland & Altman and Lin."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analysis.agreement import (
    concordance_correlation,
    limits_constant_truth,
    limits_of_agreement,
    limits_varying_truth,
    proportional_bias,
    repeatability,
)
from analysis.mixed import fit_mixed, random_intercept

# Bland & Altman 1986, Lancet i:307, table 1: peak expiratory flow, l/min, two readings each.
WRIGHT = (
    [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427],
    [490, 397, 512, 401, 470, 611, 415, 431, 638, 429, 420, 633, 275, 492, 165, 372, 421],
)
MINI = (
    [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451],
    [525, 415, 508, 444, 500, 625, 460, 390, 642, 432, 420, 605, 227, 467, 268, 370, 443],
)
SBP = Path(__file__).parents[2] / "../shared/reference/stats-data/sbp_ba1999.csv"


def _sbp() -> pd.DataFrame:
    if not SBP.exists():
        pytest.skip("the blood-pressure table sbp_ba1999.csv is not next to the project")
    return pd.read_csv(SBP)


def _first_readings() -> tuple[np.ndarray, np.ndarray]:
    table = _sbp().query("repl == 1").pivot_table(index="item", columns="meth", values="y")
    return table["J"].to_numpy(), table["S"].to_numpy()


def test_peak_flow_limits() -> None:
    # Printed: mean -2.1, sd 38.8, limits -79.7 and 75.5 with two standard deviations of the rounded
    # figures. More digits: R (statistics file row A-BA86).
    found = limits_of_agreement(WRIGHT[0], MINI[0])
    assert round(found.bias, 1) == -2.1
    assert round(found.deviation, 1) == 38.8
    assert [found.low, found.high] == pytest.approx([-78.097301611094, 73.8620074934469], rel=1e-10)
    assert found.bias_interval == pytest.approx((-22.0488376966452, 17.8135435789981), rel=1e-8)
    assert found.limit_error == pytest.approx(16.3951079847145, rel=1e-8)
    assert found.low_interval == pytest.approx((-112.853377909195, -43.341225312993), rel=1e-8)
    assert found.high_interval == pytest.approx((39.1059311953459, 108.618083791548), rel=1e-8)
    # Printed (from memory), with the factor 3 for 1 + 1.96^2 / 2 and rounded figures: intervals
    # -22.0 to 17.8 of the bias, -114.3 to -45.1 and 40.9 to 110.1 of the limits.
    assert [round(limit, 1) for limit in found.bias_interval] == [-22.0, 17.8]
    doubled = limits_of_agreement(WRIGHT[0], MINI[0], multiplier=2.0)
    reach = 2.12 * found.deviation * np.sqrt(3.0 / 17.0)
    printed = [-114.3, -45.1, 40.9, 110.1]
    intervals = [end + sign * reach for end in (doubled.low, doubled.high) for sign in (-1, 1)]
    assert intervals == pytest.approx(printed, abs=0.2)
    assert [doubled.low, doubled.high] == pytest.approx([-79.6479068, 75.4126127], rel=1e-8)


def test_peak_flow_repeatability() -> None:
    # Printed: 43.2 l/min (Wright, from rounded figures) and 56.4 (mini); R: 43.2938 and 56.3163.
    wright, mini = repeatability(*WRIGHT), repeatability(*MINI)
    assert [wright.coefficient, mini.coefficient] == pytest.approx([43.2938, 56.3163], rel=1e-5)
    assert wright.within_deviation == pytest.approx(15.3066690578669, rel=1e-10)


def test_blood_pressure_limits() -> None:
    # Bland & Altman 1999, section 2: -16.29, 19.61, limits -54.7 and 22.1; digits from R.
    found = limits_of_agreement(*_first_readings())
    assert [found.bias, found.deviation] == pytest.approx([-16.2941176, 19.6109927], rel=1e-8)
    assert [found.low, found.high] == pytest.approx([-54.7316634, 22.1434281], rel=1e-8)
    assert found.bias_interval == pytest.approx((-20.5241107807579, -12.0641245133597), rel=1e-8)
    assert found.limit_error == pytest.approx(3.64950893423847, rel=1e-8)
    assert found.low_interval == pytest.approx((-61.9891121721066, -47.474214679425), rel=1e-8)


def test_exact_interval_covers_the_limit_95_times_in_100() -> None:
    # The noncentral-t interval is exact for normal differences at any n; 2000 samples of 8 have a
    # binomial standard error of 0.5 points.
    generator = np.random.default_rng(11)
    truth = 1.0 + 1.96 * 2.0
    hits = 0
    for _ in range(2000):
        found = limits_of_agreement(generator.normal(1.0, 2.0, 8), np.zeros(8))
        hits += found.high_exact[0] <= truth <= found.high_exact[1]
    assert abs(hits / 2000 - 0.95) < 0.015


def test_replicated_blood_pressure_constant_truth() -> None:
    # Bland & Altman 1999, section 5.1 (from memory): within-subject variances 37.408 and 83.141,
    # bias -15.62, adjusted limits -56.68 and 25.44 mmHg.
    table = _sbp()
    j, s = table[table.meth == "J"], table[table.meth == "S"]
    found = limits_constant_truth((j.y, j.item), (s.y, s.item))
    assert round(found.within_variance, 2) == round(37.408 + 83.141, 2)
    assert [round(x, 2) for x in (found.bias, found.low, found.high)] == [-15.62, -56.68, 25.44]
    assert found.low_interval[0] < found.low < found.low_interval[1] < found.high_interval[0]


def test_varying_truth_equals_the_mixed_model_when_balanced() -> None:
    # With equal numbers of pairs the analysis-of-variance components are those of REML.
    first = np.concatenate([WRIGHT[0], WRIGHT[1]]).astype(float)
    second = np.concatenate([MINI[0], MINI[1]]).astype(float)
    subject = np.tile(np.arange(17), 2)
    found = limits_varying_truth(first, second, subject)
    fit = fit_mixed(first - second, np.ones(34), [random_intercept("subject", subject)])
    assert found.between_variance == pytest.approx(
        fit.component("subject").covariance[0, 0], rel=1e-7
    )
    assert found.within_variance == pytest.approx(fit.sigma**2, rel=1e-7)
    assert found.high - found.low == pytest.approx(2 * 1.96 * found.deviation, rel=1e-12)


def test_concordance() -> None:
    # epiR 2.0.57 (statistics file row A-CCC).
    peak = concordance_correlation(WRIGHT[0], MINI[0])
    assert [peak.value, peak.low, peak.high] == pytest.approx(
        [0.942742431427484, 0.85049187316856, 0.978726279170122], rel=1e-8
    )
    assert peak.accuracy == pytest.approx(0.999430693136343, rel=1e-10)
    assert peak.precision * peak.accuracy == pytest.approx(peak.value, rel=1e-12)
    pressure = concordance_correlation(*_first_readings())
    assert [pressure.value, pressure.low, pressure.high] == pytest.approx(
        [0.72589287031324, 0.623450148445619, 0.803833061758898], rel=1e-8
    )


def test_proportional_bias_of_constructed_data() -> None:
    # first = 1.2 m, second = 0.8 m: difference 0.4 of the mean exactly, plus alternating noise.
    mean = np.arange(1.0, 21.0)
    noise = np.tile([0.01, -0.01], 10)
    found = proportional_bias(1.2 * mean + noise, 0.8 * mean - noise)
    assert found.slope == pytest.approx(0.4, abs=1e-3)
    assert found.df == 18
    assert found.p_value < 1e-10


def test_unusable_pairs_are_refused() -> None:
    with pytest.raises(ValueError, match="first is pair 1"):
        limits_of_agreement([1.0, np.nan, 2.0], [1.0, 2.0, 3.0])
    with pytest.raises(ValueError, match="at least 3 pairs"):
        limits_of_agreement([1.0, 2.0], [1.0, 2.0])
    with pytest.raises(ValueError, match="same value for every subject"):
        concordance_correlation([1.0, 1.0, 1.0], [1.0, 2.0, 3.0])
    with pytest.raises(ValueError, match="every subject has one pair"):
        limits_varying_truth([1.0, 2.0, 4.0], [1.0, 2.0, 3.0], [1, 2, 3])
