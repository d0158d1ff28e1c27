"""Planted effects come back from the generated outcomes, found by lifelines."""

import numpy as np
import pandas as pd
import pytest

from pipeline.simulate.hazards import CAUSES, ENDS, draw_follow_up, exposures
from pipeline.simulate.outcomes_only import draw_cohort
from tests.unit.simulation import settings

NAMES = ("knee_flexion_excursion", "peak_waist_acceleration", "flight_time")


@pytest.fixture(scope="module")
def huge() -> pd.DataFrame:
    reliability = dict(zip(NAMES, (0.8, 0.7, 0.9), strict=True))
    rng = np.random.default_rng(7)
    return draw_cohort(settings(), athletes=20_000, reliability=reliability, rng=rng)


@pytest.mark.slow
@pytest.mark.parametrize("code", [1, 2])
def test_cox_model_finds_the_planted_hazard_ratios(huge: pd.DataFrame, code: int) -> None:
    from lifelines import CoxPHFitter

    outcomes = settings().outcomes
    cause = CAUSES[code - 1]
    table = huge[[f"{name}_true" for name in NAMES]].copy()
    table["age"] = huge["age_at_surgery_years"]
    table["woman"] = (huge["sex"] == "female").astype(float)
    table["days"] = huge["followup_days"]
    table["event"] = huge["cause"] == code
    summary = CoxPHFitter().fit(table, "days", "event").summary
    planted = {
        f"{predictor.metric}_true": predictor.hazard_ratio_per_sd[cause]
        for predictor in outcomes.predictors
    }
    planted["age"] = outcomes.age_per_year.hazard_ratio[cause]
    planted["woman"] = outcomes.women.hazard_ratio[cause]
    for term, ratio in planted.items():
        distance = (summary.loc[term, "coef"] - np.log(ratio)) / summary.loc[term, "se(coef)"]
        assert abs(distance) < 3.5, (term, ratio, summary.loc[term, "exp(coef)"])


def test_incidence_is_near_its_target(huge: pd.DataFrame) -> None:
    # 9 % graft rupture and 11 % contralateral tear by 24 months (Wiggins et al. 2016, Paterno et
    # al. 2012 and 2014 give 15 to 30 % for both together), women shifted to contralateral tears.
    from lifelines import AalenJohansenFitter

    for code, target in ((1, 0.09), (2, 0.11)):
        fitter = AalenJohansenFitter(calculate_variance=False, seed=1)
        # Days are whole; ties are broken by hand so that the estimator need not jitter.
        days = huge["followup_days"] - np.random.default_rng(code).random(len(huge))
        fitter.fit(days, huge["cause"], event_of_interest=code)
        assert fitter.cumulative_density_.iloc[-1, 0] == pytest.approx(target, abs=0.008)
    by_sex = huge.groupby("sex")["cause"]
    assert (by_sex.apply(lambda c: (c == 2).mean()).loc[["female", "male"]].diff().iloc[1]) < -0.02
    assert 0.09 < (huge["event"] == "lost").mean() < 0.13


def test_hazard_decreases_as_a_weibull_of_shape_08() -> None:
    # Cumulative hazard H (t / horizon)^0.8, so 6 of 24 months hold 0.25^0.8 of it. Nelson-Aalen
    # estimate, all athletes alike.
    from lifelines import NelsonAalenFitter

    outcomes = settings().outcomes
    draws = np.random.default_rng(11).standard_exponential((40_000, len(ENDS) - 1))
    alike = {cause: np.zeros(len(draws)) for cause in CAUSES}
    follow_up = draw_follow_up(outcomes, alike, draws, np.zeros(len(draws), dtype=bool))
    for code, cause in enumerate(CAUSES):
        fitter = NelsonAalenFitter(nelson_aalen_smoothing=False)
        fitter.fit(follow_up.days, follow_up.event == code)
        reached = fitter.cumulative_hazard_at_times([182, 729]).to_numpy()
        assert reached[1] == pytest.approx(outcomes.cumulative_hazard[cause], rel=0.05)
        assert reached[0] / reached[1] == pytest.approx((182 / 729) ** 0.8, abs=0.02)


def test_measured_predictors_have_the_reliability_asked_for(huge: pd.DataFrame) -> None:
    for name, reliability in zip(NAMES, (0.8, 0.7, 0.9), strict=True):
        measured, true = huge[f"{name}_measured"], huge[f"{name}_true"]
        assert true.std() == pytest.approx(1.0)
        assert true.var() / measured.var() == pytest.approx(reliability, abs=0.02)
        trials = huge[[f"{name}_trial_{trial}" for trial in (1, 2, 3)]]
        np.testing.assert_allclose(trials.mean(axis=1), measured)


def test_predictors_can_be_correlated() -> None:
    correlation = np.array([[1.0, -0.3, 0.0], [-0.3, 1.0, 0.0], [0.0, 0.0, 1.0]])
    cohort = draw_cohort(
        settings(),
        athletes=5000,
        reliability=dict.fromkeys(NAMES, 1.0),
        correlation=correlation,
        rng=np.random.default_rng(2),
    )
    found = np.corrcoef(cohort[f"{NAMES[0]}_true"], cohort[f"{NAMES[1]}_true"])[0, 1]
    assert found == pytest.approx(-0.3, abs=0.04)


def test_bilateral_cases_have_no_contralateral_tear() -> None:
    outcomes = settings().outcomes
    draws = np.full((2, len(ENDS) - 1), 1e-6)
    draws[:, 0] = 10.0
    ratios = {cause: np.zeros(2) for cause in CAUSES}
    follow_up = draw_follow_up(outcomes, ratios, draws, np.array([False, True]))
    assert ENDS[follow_up.event[0]] == "contralateral_tear"
    assert ENDS[follow_up.event[1]] != "contralateral_tear"


def test_exposure_is_that_of_the_published_cohorts() -> None:
    # About 140 athlete-exposures in 12 months (Paterno et al. 2012: 16 events, 1.82 per 1000, 63
    # athletes) and 212 in 24 months (Paterno et al. 2014).
    rng = np.random.default_rng(5)
    outcomes = settings().outcomes
    counts = [np.array([count for _, count in exposures(outcomes, 730, rng)]) for _ in range(3000)]
    first = np.array([count[:12].sum() for count in counts])
    assert first.mean() == pytest.approx(140, rel=0.04)
    assert np.mean([count.sum() for count in counts]) == pytest.approx(212, rel=0.04)
    assert first.var() > 3 * first.mean()  # more than Poisson: athletes differ
