"""Agreement with several pairs per athlete: nested limits, Deming, concordance, percent error."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from analysis.agreement import (
    concordance_correlation,
    deming_regression,
    error_variance_ratio,
    limits_of_agreement,
    limits_varying_truth,
    nested_limits,
    nested_proportional_bias,
    nested_spread_slope,
    nesting,
    percent_error,
    repeated_concordance,
)
from analysis.mixed import ModelRefusedError

ROOT = Path(__file__).parents[2]
TREADMILL = ROOT.parent / "shared/data/sacral_running_Apache2/GRF_IMU_data.csv"

# Bland & Altman 1999, Stat Methods Med Res 8:135, table 4: cardiac output of 12 subjects by
# radionuclide ventriculography and by impedance cardiography, pairs taken at the same moment.
CARDIAC = {
    1: "7.83 6.57 7.42 5.62 7.89 6.90 7.12 6.57 7.88 6.35",
    2: "6.16 4.06 7.26 4.29 6.71 4.26 6.54 4.09",
    3: "4.75 4.71 5.24 5.50 4.86 5.08 4.78 5.02 6.05 6.01 5.42 5.67",
    4: "4.21 4.14 3.61 4.20 3.72 4.61 3.87 4.68 3.92 5.04",
    5: "3.13 3.03 2.98 2.86 2.85 2.77 3.17 2.46 3.09 2.32 3.12 2.43",
    6: "5.92 5.90 6.42 5.81 5.92 5.70 6.27 5.76",
    7: "7.13 5.09 6.62 4.63 6.58 4.61 6.93 5.09",
    8: "4.54 4.72 4.81 4.61 5.11 4.36 5.29 4.20 5.39 4.36 5.57 4.20",
    9: "4.48 3.17 4.92 3.12 3.97 2.96",
    10: "4.22 4.35 4.65 4.62 4.74 3.16 4.44 3.53 4.50 3.53",
    11: "6.78 7.20 6.07 6.09 6.52 7.00 6.42 7.10 6.41 7.40 5.76 6.80",
    12: "5.06 4.50 4.72 4.20 4.90 3.80 4.80 3.80 4.90 4.20 5.10 4.50",
}
# NCSS Statistical Software, chapter 303, example 1 (data and printed results from memory).
DEMING_X = [7.0, 8.3, 10.5, 9.0, 5.1, 8.2, 10.2, 10.3, 7.1, 5.9]
DEMING_Y = [7.9, 8.2, 9.6, 9.0, 6.5, 7.3, 10.2, 10.6, 6.3, 5.2]


def _cardiac() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    pairs = {who: np.array(text.split(), float).reshape(-1, 2) for who, text in CARDIAC.items()}
    values = np.vstack(list(pairs.values()))
    subject = np.repeat(list(pairs), [len(rows) for rows in pairs.values()])
    return values[:, 0], values[:, 1], subject


def _treadmill() -> pd.DataFrame:
    if not TREADMILL.exists():
        pytest.skip("the treadmill table GRF_IMU_data.csv is not next to the project")
    return pd.read_csv(TREADMILL)


def _simulated(seed: int, athletes: int, trials: int) -> tuple[np.ndarray, ...]:
    """Return first, second, athlete, limb: bias 2, SD of athlete 3, limb 2, trial 1."""
    generator = np.random.default_rng(seed)
    athlete = np.repeat(np.arange(athletes), 2 * trials)
    limb = np.tile(np.repeat([0, 1], trials), athletes)
    differences = (
        2.0
        + generator.normal(0, 3, athletes)[athlete]
        + generator.normal(0, 2, 2 * athletes)[2 * athlete + limb]
        + generator.normal(0, 1, athlete.size)
    )
    truth = generator.normal(50, 10, athlete.size)
    return truth + differences / 2, truth - differences / 2, athlete, limb


def test_cardiac_output_by_mixed_model() -> None:
    # lme4 on this table, as a public R vignette prints it (impedance minus radionuclide): bias
    # -0.705, SD between 0.934, within 0.413, total 1.022, limits -2.707 and 1.298. Its interval of
    # the upper limit, by bootstrap, is 0.403 to 2.127; ours is by variance estimates and reaches
    # further out, as a chi-squared interval of a standard deviation does.
    radionuclide, impedance, subject = _cardiac()
    found = nested_limits(impedance, radionuclide, nesting(["athlete"], subject))
    deviations = [found.components[term] ** 0.5 for term in ("athlete", "trial")]
    assert round(found.bias.estimate, 3) == -0.705
    assert [round(value, 3) for value in deviations] == [0.934, 0.413]
    assert round(found.deviation, 3) == 1.022
    assert [round(found.low, 3), round(found.high, 3)] == [-2.707, 1.298]
    assert found.high_interval == pytest.approx((0.403, 2.127), abs=0.5)
    assert found.high_interval[1] > 2.127
    assert (found.pairs, found.athletes) == (60, 12)


def test_cardiac_output_by_analysis_of_variance() -> None:
    # Bland & Altman 1999, section 5.3 (from memory): mean difference 0.60, standard deviation of a
    # single difference 0.99, limits -1.34 and 2.54.
    found = limits_varying_truth(*_cardiac())
    assert [round(x, 2) for x in (found.bias, found.deviation)] == [0.60, 0.99]
    assert [round(x, 2) for x in (found.low, found.high)] == [-1.34, 2.54]


def test_degrees_of_freedom_of_a_balanced_sample() -> None:
    # Closed form: the variance of a single difference is (MSB + (m - 1) MSW) / m, independent mean
    # squares on n - 1 and n (m - 1) degrees of freedom (Satterthwaite 1946).
    first, second, athlete, _ = _simulated(3, athletes=20, trials=2)
    table = (first - second).reshape(20, 4)
    between = 4 * table.mean(axis=1).var(ddof=1)
    within = table.var(axis=1, ddof=1).mean()
    parts = np.array([between, 3 * within]) / 4
    expected = parts.sum() ** 2 / np.sum(parts**2 / [19, 60])
    found = nested_limits(first, second, nesting(["athlete"], athlete))
    assert found.deviation == pytest.approx(parts.sum() ** 0.5, rel=1e-6)
    assert found.deviation_df == pytest.approx(expected, rel=1e-4)
    assert found.bias.df == pytest.approx(19, rel=1e-4)
    assert found.bias.standard_error == pytest.approx((between / 80) ** 0.5, rel=1e-6)


def test_intervals_of_nested_limits_cover_the_truth() -> None:
    # Planted: bias 2, SD sqrt(9 + 4 + 1). With 80 samples a coverage of 0.95 has a binomial
    # standard error of 0.024; the bound is 2.5 of them. Over 400 samples found: 0.940 and 0.945.
    truth = 2.0 + 1.96 * np.sqrt(14.0)
    hits = []
    for seed in range(80):
        first, second, athlete, limb = _simulated(seed, athletes=15, trials=3)
        found = nested_limits(first, second, nesting(["athlete", "limb"], athlete, limb))
        inside = found.high_interval[0] <= truth <= found.high_interval[1]
        hits.append((inside, found.bias.low <= 2.0 <= found.bias.high))
    assert np.all(np.abs(np.mean(hits, axis=0) - 0.95) < 0.06)


def test_pairs_as_if_independent_are_too_sure() -> None:
    first, second, athlete, limb = _simulated(5, athletes=15, trials=6)
    naive = limits_of_agreement(first, second)
    found = nested_limits(first, second, nesting(["athlete", "limb"], athlete, limb))
    width = found.bias.high - found.bias.low
    assert width > 1.5 * (naive.bias_interval[1] - naive.bias_interval[0])


def test_levels_without_variance_of_their_own_are_no_terms() -> None:
    athlete = [1, 1, 2, 2, 3, 3]
    one_limb, trial = ["both"] * 6, range(6)
    names = ["athlete", "limb", "trial"]
    assert [term.name for term in nesting(names, athlete, one_limb, trial)] == ["athlete"]
    assert nesting(["athlete"], range(6)) == []
    with pytest.raises(ModelRefusedError, match="no athlete has several pairs"):
        nested_limits(np.arange(6.0), np.zeros(6), [])


def test_proportional_bias_and_spread_of_planted_data() -> None:
    # first = 1.1 x second on average, the random part 4 % of the size: the slope of the difference
    # on the mean is 0.1 / 1.05, the absolute residual 0.04 sqrt(2 / pi) of the size.
    generator = np.random.default_rng(8)
    athlete = np.repeat(np.arange(150), 6)
    truth = np.exp(generator.normal(1.5, 0.5, 150))[athlete] * generator.uniform(0.9, 1.1, 900)
    first = 1.1 * truth * (1 + generator.normal(0, 0.04, 900))
    random = nesting(["athlete"], athlete)
    slope = nested_proportional_bias(first, truth, random).slope
    spread = nested_spread_slope(first, truth, random).slope
    assert slope.low < 0.1 / 1.05 < slope.high
    assert spread.estimate == pytest.approx(0.04 * 1.1 / 1.05 * np.sqrt(2 / np.pi), rel=0.1)
    assert spread.p_value < 1e-6
    logs = nested_spread_slope(np.log(first), np.log(truth), random).slope
    assert logs.low < 0 < logs.high


def test_deming_worked_example() -> None:
    # Printed: intercept -0.0897 (standard error 1.7220), slope 1.0012 (0.1872), where the variance
    # of the error of X is four times that of Y.
    found = deming_regression(DEMING_X, DEMING_Y, range(10), error_ratio=0.25)
    assert round(found.intercept.value, 4) == -0.0897
    assert round(found.intercept.standard_error, 4) == 1.7220
    assert round(found.slope.value, 4) == 1.0012
    assert round(found.slope.standard_error, 4) == 0.1872


@pytest.mark.parametrize("scale", [1.0, -3.0, 0.2])
def test_orthogonal_regression_is_the_first_principal_axis(scale: float) -> None:
    # Closed form: for equal errors the line is the direction of the largest singular value.
    y = scale * np.array(DEMING_Y)
    centred = np.column_stack([DEMING_X - np.mean(DEMING_X), y - y.mean()])
    direction = np.linalg.svd(centred)[2][0]
    found = deming_regression(DEMING_X, y, range(10))
    assert found.slope.value == pytest.approx(direction[1] / direction[0], rel=1e-12)


def test_deming_with_a_ratio_is_orthogonal_on_scaled_axes() -> None:
    # Closed form: dividing y by the ratio of the standard deviations makes the errors equal.
    for ratio in (0.3, 4.0):
        scaled = np.array(DEMING_Y) / np.sqrt(ratio)
        centred = np.column_stack([DEMING_X - np.mean(DEMING_X), scaled - scaled.mean()])
        direction = np.linalg.svd(centred)[2][0]
        found = deming_regression(DEMING_X, DEMING_Y, range(10), ratio)
        expected = np.sqrt(ratio) * direction[1] / direction[0]
        assert found.slope.value == pytest.approx(expected, rel=1e-12)


def test_deming_lies_between_the_two_ordinary_lines() -> None:
    ordinary = stats.linregress(DEMING_X, DEMING_Y).slope
    inverse = 1 / stats.linregress(DEMING_Y, DEMING_X).slope
    assert deming_regression(DEMING_X, DEMING_Y, range(10), 1e9).slope.value == pytest.approx(
        ordinary, rel=1e-6
    )
    assert deming_regression(DEMING_X, DEMING_Y, range(10), 1e-9).slope.value == pytest.approx(
        inverse, rel=1e-6
    )


def test_error_ratio_from_replicates() -> None:
    # Bland & Altman 1999, section 5.1 (from memory): within-subject variances 37.408 and 83.141.
    table_path = ROOT.parent / "shared/reference/stats-data/sbp_ba1999.csv"
    if not table_path.exists():
        pytest.skip("the blood-pressure table sbp_ba1999.csv is not next to the project")
    table = pd.read_csv(table_path)
    j, s = table[table.meth == "J"], table[table.meth == "S"]
    found = error_variance_ratio((j.y, j.item), (s.y, s.item))
    assert found == pytest.approx(83.141 / 37.408, rel=1e-4)


def test_jackknife_leaves_out_whole_athletes() -> None:
    # The fast sums against the obvious loop.
    radionuclide, impedance, subject = _cardiac()
    slopes, concordances = [], []
    for who in np.unique(subject):
        x, y = radionuclide[subject != who], impedance[subject != who]
        centred = np.column_stack([x - x.mean(), y - y.mean()])
        direction = np.linalg.svd(centred)[2][0]
        slopes.append(direction[1] / direction[0])
        concordances.append(np.arctanh(concordance_correlation(x, y).value))
    loop = [np.sqrt(11 / 12 * np.sum((v - np.mean(v)) ** 2)) for v in (slopes, concordances)]
    line = deming_regression(radionuclide, impedance, subject)
    agreement = repeated_concordance(radionuclide, impedance, subject)
    assert [line.slope.standard_error, agreement.standard_error] == pytest.approx(loop, rel=1e-9)
    known = concordance_correlation(radionuclide, impedance).value
    assert agreement.value == pytest.approx(known, rel=1e-12)


def test_percent_error_of_constructed_data() -> None:
    known = np.array([1.0, 2.0, 4.0, 5.0])
    found = percent_error(known, known * [1.1, 0.9, 1.3, 0.9], range(4))
    assert found.mean.value == pytest.approx(5.0)
    assert found.root_mean_square.value == pytest.approx(np.sqrt(300.0))
    assert found.percentile_95.value == pytest.approx(27.0)
    library = stats.ttest_1samp([10.0, -10.0, 30.0, -10.0], 0).confidence_interval()
    assert [found.mean.low, found.mean.high] == pytest.approx(list(library))


def test_no_limit_of_a_root_mean_square_is_below_zero() -> None:
    # One of five athletes errs by thirty times as much: by a loop on logarithms, and Student's t.
    known, errors = np.full(5, 2.0), np.array([1.0, -1.0, 1.0, -1.0, 30.0])
    found = percent_error(known, known * (1.0 + errors / 100.0), range(5)).root_mean_square
    logs = [0.5 * np.log(np.mean(np.delete(errors, left) ** 2)) for left in range(5)]
    half = stats.t.ppf(0.975, 4) * np.sqrt(4 / 5 * np.sum((logs - np.mean(logs)) ** 2))
    value = np.sqrt(np.mean(errors**2))
    assert found.value == pytest.approx(value)
    limits = [value * np.exp(-half), value * np.exp(half)]
    assert [found.low, found.high] == pytest.approx(limits, rel=1e-9)
    assert found.value * (1.0 - half) < 0.0 < found.low


def test_treadmill_table_by_a_second_library() -> None:
    # Alcantara et al. 2021, PeerJ 9:e11199: treadmill force against sacral acceleration, 37 runners
    # at 2 or 3 speeds. The paper prints no limits of these columns; statsmodels is the second path.
    from statsmodels.regression.mixed_linear_model import MixedLM

    table = _treadmill()
    for waist, plate in (("IMUtc", "GRFtc"), ("IMUPeak", "GRFPeak")):
        differences = (table[waist] - table[plate]).to_numpy()
        scale = differences.std()
        library = MixedLM(differences / scale, np.ones(87), groups=table["Sub"]).fit(reml=True)
        total = scale * np.sqrt(library.cov_re[0, 0] + library.scale)
        found = nested_limits(table[waist], table[plate], nesting(["athlete"], table["Sub"]))
        assert found.bias.estimate == pytest.approx(scale * library.params[0], rel=1e-4)
        assert found.deviation == pytest.approx(total, rel=1e-3)
        means = ((table[waist] + table[plate]) / 2).to_numpy()
        fixed = np.column_stack([np.ones(87), (means - means.mean()) / scale])
        line = MixedLM(differences / scale, fixed, groups=table["Sub"]).fit(reml=True)
        slope = nested_proportional_bias(
            table[waist], table[plate], nesting(["athlete"], table["Sub"])
        ).slope
        assert slope.estimate == pytest.approx(line.params[1], rel=1e-3)
        # The library's standard error is of the full Hessian; this is generalised least squares.
        same = table["Sub"].to_numpy()[:, None] == table["Sub"].to_numpy()
        covariance = line.cov_re[0, 0] * same + line.scale * np.eye(87)
        error = np.linalg.inv(fixed.T @ np.linalg.solve(covariance, fixed))[1, 1] ** 0.5
        assert slope.standard_error == pytest.approx(error, rel=1e-3)


def test_treadmill_orthogonal_line_by_svd() -> None:
    table = _treadmill()
    centred = table[["GRFPeak", "IMUPeak"]] - table[["GRFPeak", "IMUPeak"]].mean()
    direction = np.linalg.svd(centred.to_numpy())[2][0]
    found = deming_regression(table["GRFPeak"], table["IMUPeak"], table["Sub"])
    assert found.slope.value == pytest.approx(direction[1] / direction[0], rel=1e-10)


def test_unusable_pairs_are_refused() -> None:
    with pytest.raises(ValueError, match="2 athletes"):
        deming_regression([1.0, 2.0, 4.0], [1.0, 2.0, 3.0], [1, 1, 2])
    with pytest.raises(ValueError, match="above zero"):
        deming_regression([1.0, 2.0, 4.0], [1.0, 2.0, 3.0], [1, 2, 3], error_ratio=0.0)
    with pytest.raises(ValueError, match="do not vary together"):
        deming_regression([1.0, 1.0, 1.0, 1.0], [1.0, 2.0, 3.0, 4.0], [1, 2, 3, 4])
    with pytest.raises(ValueError, match="the smallest is 0"):
        percent_error([1.0, 0.0, 2.0], [1.0, 1.0, 1.0], [1, 2, 3])
    with pytest.raises(ValueError, match="agree exactly"):
        repeated_concordance([1.0, 2.0, 3.0], [1.0, 2.0, 3.0], [1, 2, 3])
    with pytest.raises(ValueError, match="give one per pair"):
        percent_error([1.0, 2.0, 3.0], [1.0, 2.0, 3.0], [1, 2])
