"""Residuals, proportional-hazards test, baseline and prediction against published analyses.

Expected values: R 4.2.2, survival 3.5-3, `residuals.coxph`, `cox.zph`, `basehaz`, `survfit`
(15 digits); data Loprinzi 1994 (lung), Rossi 1980 (rossi). R's own coefficients are 3e-9 from the
maximum (it stops at a relative change of 1e-9), which limits the agreement.
"""

import numpy as np
import pytest

from analysis.survival.cox import fit_cox
from analysis.survival.cox_prediction import baseline_hazards, predict_survival
from analysis.survival.cox_residuals import (
    cumulative_hazards,
    deviance_residuals,
    dfbeta_residuals,
    martingale_residuals,
    schoenfeld_residuals,
    score_residuals,
)
from analysis.survival.cox_sample import cox_sample
from analysis.survival.event_table import step_value
from analysis.survival.proportional_hazards import proportional_hazards_test
from tests.published import survival_tables as tables

LUNG = ["age", "sex", "ph.ecog"]

# Rows 1 to 6 of the complete lung data.
MARTINGALE = [
    0.0438187710826993,
    0.0445889156279973,
    -2.2218789692895,
    0.513520124177009,
    -1.32244446272552,
    -4.3114895942452,
]
DEVIANCE = [
    0.0444756746319018,
    0.0452694301427068,
    -2.10802228132887,
    0.643489889974116,
    -0.979616439243389,
    -2.9364909651641,
]
DFBETA = [
    [1.84408620127889e-05, -0.0019085834819836, 0.000753131570786723],
    [7.77392908745572e-05, -0.000745386428916814, -0.000739333627741872],
    [0.00095987737990283, 0.0173965674918651, 0.0238871951686471],
    [-0.000306176732643221, -0.00480954840818239, 0.00106941672641848],
    [-0.000190122625252204, 0.0129266292770129, 0.0202850897134332],
    [-0.00401720367392199, 0.0374331033895265, 0.00487291744582499],
]
SCORE = [
    [0.342022702900374, -0.0659532532258961, 0.058458022595879],
    [0.804796943462869, -0.0282012734533838, -0.0479814618068021],
    [15.6432073325882, 0.686048018229934, 2.12213055377545],
    [-3.51175170769187, -0.169702424559543, 0.0210726020180415],
    [1.21079402443259, 0.513011520215491, 1.62660018532002],
    [-47.251637384303, 1.33125563211788, -0.193558812822637],
]
SCHOENFELD = [
    [0.850147027979816, 0.731110089643279, -1.20822216497751],
    [9.9093082369174, -0.269167509140404, 0.789964288336811],
    [16.9093082369174, -0.269167509140404, -1.21003571166319],
    [2.9093082369174, -0.269167509140404, -0.210035711663189],
    [10.0258644051624, -0.272515531753221, 0.790895992258956],
    [12.1508405633881, -0.276110514300928, 0.799982659272628],
]
SCALEDSCH = [
    [0.0596552515373129, 3.0058950037255, -2.22926457186067],
    [0.126849087639737, -1.90814291710008, 1.8799535879674],
    [0.285197697759251, -1.59812622587298, -2.56031387907656],
    [0.058129583023105, -1.76055627028397, -0.0264782762944919],
    [0.128460593400277, -1.92365165718993, 1.87895308326156],
    [0.158117129991353, -1.94012426567255, 1.83523831899382],
]
# Sums over all rows.
SUMS = {
    "abs_martingale": 152.374592011522,
    "ss_deviance": 289.155061049784,
    "abs_dfbeta": [0.0915412581356383, 1.88085016198675, 1.09479463613197],
    "abs_score": [1083.39369084513, 66.8330817717813, 83.5257537312426],
    "abs_sch": [1182.08914800823, 70.3558196432867, 85.6442482590618],
}
BRESLOW_SUMS = {
    "abs_martingale": 152.099058855416,
    "abs_score": [1081.09260949048, 66.6909284828599, 83.3823422344495],
    "abs_dfbeta": [0.0913257834881291, 1.87692249602596, 1.09297956474365],
}
# transform: chi-square of age, sex, ph.ecog and of all.
ZPH = {
    "km": [0.18798767365229, 2.30543722740497, 2.05424877405441, 4.46365758875861],
    "rank": [0.117291506990152, 2.04469468023567, 2.54487839262557, 4.71068014128877],
    "identity": [0.15235031725392, 2.49191321710657, 1.57823523837676, 4.11938295147948],
    "log": [3.37363401074948, 2.0349368788848, 0.370496324776842, 5.38982142805895],
}
ROSSI_ZPH = [
    0.0624297513580852,
    5.97398165341843,
    2.06826538748052,
    4.22459563342159,
    1.01102156443575,
    0.0183832991689653,
    0.520584250303012,
    17.694415254455,
]
ROSSI_ZPH_P = [
    0.802696032731047,
    0.0145184627739779,
    0.150392488135829,
    0.0398421117132655,
    0.314658228140405,
    0.892149343960622,
    0.470592563817217,
    0.0134275067856751,
]
BASELINE_TIMES = [15, 183, 291, 524, 1022]
BASELINE_AT_ZERO = [
    0.0225413114407239,
    0.229723885262184,
    0.420309628124918,
    0.9239613893637,
    2.07762788041643,
]
BASELINE_AT_MEANS = [
    0.0323335877495884,
    0.329519310437365,
    0.602898295368102,
    1.3253437688745,
    2.98017990475353,
]
PREDICTION_TIMES = [180, 365, 730]
PREDICTION = {
    "surv": [0.685942974367968, 0.335863369535682, 0.0673577241487362],
    "se": [0.0364575943657428, 0.0433718666212865, 0.0239241445326134],
    "lower": [0.618083273855684, 0.260760826121417, 0.0335781903061702],
    "upper": [0.76125302849505, 0.432596432039747, 0.135119342678319],
}


def lung_sample():
    table = tables.complete_lung()
    return cox_sample(table[LUNG], table["time"], table["event"], names=LUNG)


@pytest.fixture(scope="module")
def lung():
    sample = lung_sample()
    return sample, fit_cox(sample)


def test_first_residuals_of_lung(lung):
    near = {"rel": 1e-7, "abs": 1e-8}
    assert martingale_residuals(*lung)[:6] == pytest.approx(MARTINGALE, **near)
    assert deviance_residuals(*lung)[:6] == pytest.approx(DEVIANCE, **near)
    assert dfbeta_residuals(*lung)[:6] == pytest.approx(np.array(DFBETA), **near)
    assert score_residuals(*lung)[:6] == pytest.approx(np.array(SCORE), **near)
    schoenfeld = schoenfeld_residuals(*lung)
    assert schoenfeld.residuals[:6] == pytest.approx(np.array(SCHOENFELD), **near)
    assert schoenfeld.scaled[:6] == pytest.approx(np.array(SCALEDSCH), **near)


def test_sums_of_residuals_of_lung(lung):
    def total(residuals):
        return np.abs(residuals).sum(axis=0)

    near = {"rel": 1e-8}
    assert total(martingale_residuals(*lung)) == pytest.approx(SUMS["abs_martingale"], **near)
    assert np.sum(deviance_residuals(*lung) ** 2) == pytest.approx(SUMS["ss_deviance"], **near)
    assert total(dfbeta_residuals(*lung)) == pytest.approx(SUMS["abs_dfbeta"], **near)
    assert total(score_residuals(*lung)) == pytest.approx(SUMS["abs_score"], **near)
    assert total(schoenfeld_residuals(*lung).residuals) == pytest.approx(SUMS["abs_sch"], **near)


def test_residuals_follow_the_tie_method():
    sample = lung_sample()
    fit = fit_cox(sample, ties="breslow")
    found = np.abs(martingale_residuals(sample, fit)).sum()
    assert found == pytest.approx(BRESLOW_SUMS["abs_martingale"], rel=1e-8)
    found = np.abs(score_residuals(sample, fit)).sum(axis=0)
    assert found == pytest.approx(BRESLOW_SUMS["abs_score"], rel=1e-8)
    found = np.abs(dfbeta_residuals(sample, fit)).sum(axis=0)
    assert found == pytest.approx(BRESLOW_SUMS["abs_dfbeta"], rel=1e-8)


def test_residuals_sum_to_zero_with_late_entry_and_strata():
    """Identities of the score equations; rows in the caller's order."""
    table = tables.heart()
    columns = table[["age", "year", "transplant"]]
    sample = cox_sample(
        columns, table["stop"], table["event"], start=table["start"], strata=table["surgery"]
    )
    fit = fit_cox(sample)
    assert martingale_residuals(sample, fit).sum() == pytest.approx(0, abs=1e-10)
    assert score_residuals(sample, fit).sum(axis=0) == pytest.approx(np.zeros(3), abs=1e-8)
    assert schoenfeld_residuals(sample, fit).residuals.sum(axis=0) == pytest.approx(
        np.zeros(3), abs=1e-8
    )
    died = schoenfeld_residuals(sample, fit).rows
    assert (table["event"].to_numpy()[died] == 1).all()


@pytest.mark.parametrize("transform", ZPH)
def test_proportional_hazards_score_test_of_lung(lung, transform):
    result = proportional_hazards_test(*lung, transform)
    found = [test.statistic for test in result.per_covariate] + [result.overall.statistic]
    assert found == pytest.approx(ZPH[transform], rel=1e-8)


def test_proportional_hazards_score_test_of_rossi():
    """Allison 1995 and Fox & Weisberg 2011 discuss the violations by age and wexp."""
    table = tables.rossi()
    columns = ["fin", "age", "race", "wexp", "mar", "paro", "prio"]
    sample = cox_sample(table[columns], table["week"], table["arrest"], names=columns)
    result = proportional_hazards_test(sample, fit_cox(sample))
    tests = [*result.per_covariate, result.overall]
    assert [test.statistic for test in tests] == pytest.approx(ROSSI_ZPH, rel=1e-6)
    assert [test.p for test in tests] == pytest.approx(ROSSI_ZPH_P, rel=1e-6)
    assert [test.df for test in tests] == [1] * 7 + [7]


def test_baseline_at_means_and_at_zero(lung):
    sample, fit = lung
    at_means, at_zero = (
        baseline_hazards(sample, fit)[0],
        baseline_hazards(sample, fit, [0, 0, 0])[0],
    )
    for baseline, expected in [(at_means, BASELINE_AT_MEANS), (at_zero, BASELINE_AT_ZERO)]:
        found = step_value(
            baseline.times, baseline.cumulative_hazard, np.array(BASELINE_TIMES, dtype=float), 0.0
        )
        assert found == pytest.approx(expected, rel=1e-8)


def test_predicted_survival_with_its_error(lung):
    """Age 60, sex 1, ECOG 1; a step function, so nothing is interpolated between events."""
    sample, fit = lung
    for reference in (None, [0, 0, 0]):
        baseline = baseline_hazards(sample, fit, reference)[0]
        found = predict_survival(baseline, fit, [[60, 1, 1]], PREDICTION_TIMES)
        assert found.survival[0] == pytest.approx(PREDICTION["surv"], rel=1e-8)
        assert found.standard_error[0] == pytest.approx(PREDICTION["se"], rel=1e-8)
        assert found.lower[0] == pytest.approx(PREDICTION["lower"], rel=1e-8)
        assert found.upper[0] == pytest.approx(PREDICTION["upper"], rel=1e-8)


def test_prediction_within_strata_equals_expected_events():
    """The hazard predicted for a row at its own exit is the one its residual is made from."""
    table = tables.veteran()
    columns = ["trt", "karno"]
    sample = cox_sample(
        table[columns], table["time"], table["status"], strata=table["celltype"], names=columns
    )
    fit = fit_cox(sample, ties="breslow")
    expected = cumulative_hazards(sample, fit)
    for baseline in baseline_hazards(sample, fit):
        rows = np.flatnonzero(table["celltype"] == baseline.stratum)[:5]
        for row in rows:
            found = predict_survival(
                baseline, fit, table[columns].to_numpy()[[row]], [table["time"].iloc[row]]
            )
            assert -np.log(found.survival[0, 0]) == pytest.approx(expected[row], rel=1e-9)
