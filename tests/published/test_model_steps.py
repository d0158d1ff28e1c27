"""The numbers of the model steps against published analyses.

Reference values: `statistics.json` in the folder `shared` beside the project, run in R 4.2.2
(survival 3.5-3, mecor 1.0.0) on the named open data; the original sources stand at each check.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import false_discovery_control

from analysis.estimates import estimates_table
from analysis.models.cox_models import model_numbers
from analysis.models.measurement_error import ErrorModel, correct
from analysis.models.multiplicity import benjamini_hochberg, holm
from analysis.models.outcome_model import complete_case_model
from analysis.models.reliability import variance_components
from analysis.models.sensor_answer import events_needed
from analysis.models.table_one import standardised_difference
from tests.published.survival_tables import reference_table, reference_values
from tests.unit.cohort_tables import plan

NOTHING = {"horizon_days": 1e6, "confidence_level": 0.95, "multiplicity": "holm", "power": 0.8}


def cox_plan(columns: list[str], strata: list[str], ties: str = "efron") -> dict:
    covariates = [{"column": c, "label": c, "reference": None, "per": 1.0} for c in columns]
    cox = {"ties": ties, "strata": strata, "covariates": covariates}
    cox |= {"interval": "wald", "penalty": "none"}
    outcomes = {"event": {"label": "event", "events": ["graft_rupture"]}}
    return {**NOTHING, "cox": cox, "outcomes": outcomes, "primary": [], "exploratory": []}


def as_cohort(table: pd.DataFrame, time: str, event: str) -> pd.DataFrame:
    """Return survival data as rows of the landmark cohort: the event is a graft rupture."""
    return table.assign(followup_days=table[time].astype(float), cause=table[event].astype(int))


def rossi() -> pd.DataFrame:
    return as_cohort(reference_table("rossi"), "week", "arrest")


ROSSI = ["fin", "age", "race", "wexp", "mar", "paro", "prio"]


def rows_of_model(cohort: pd.DataFrame, settings: dict) -> pd.DataFrame:
    model = complete_case_model(cohort, settings["primary"], settings, "event")
    numbers = model_numbers("cox", "descriptive", model, settings, "event", {})
    return estimates_table(numbers).set_index("number_id")


def test_the_cox_step_gives_the_published_recidivism_analysis():
    """Rossi et al. 1980; Allison 1995; Fox & Weisberg, appendix on Cox regression."""
    rows = rows_of_model(rossi(), cox_plan(ROSSI, []))
    expected = {  # coefficient, standard error
        "fin": (-0.3794222, 0.1913795),
        "age": (-0.0574377, 0.0219995),
        "race": (0.3138998, None),
        "wexp": (-0.1497957, None),
        "mar": (-0.4337039, None),
        "paro": (-0.0848711, None),
        "prio": (0.0914971, 0.0286486),
    }
    for name, (coefficient, error) in expected.items():
        row = rows.loc[f"cox.event.{name}.hazard_ratio"]
        assert np.log(row["estimate"]) == pytest.approx(coefficient, abs=5e-8)
        if error is not None:
            assert row["se"] == pytest.approx(error, abs=5e-8)
            limits = np.exp([coefficient - 1.959964 * error, coefficient + 1.959964 * error])
            assert [row["ci_low"], row["ci_high"]] == pytest.approx(limits, rel=1e-6)
        assert (row["n_athletes"], row["n_events"], row["rows_dropped"]) == (432, 114, 0)
    tests = {
        "global": (17.69442, 0.013428),
        "age": (5.97398, 0.014518),
        "wexp": (4.22460, 0.039842),
    }
    for term, (statistic, p) in tests.items():
        row = rows.loc[f"cox.event.{term}.proportional_hazards_test"]
        assert row["statistic"] == pytest.approx(statistic, abs=5e-6)
        assert row["p"] == pytest.approx(p, abs=5e-7)
    assert rows.loc["cox.event.all.events_per_parameter", "estimate"] == 114 / 7


def test_strata_and_both_treatments_of_ties():
    """Veterans' lung cancer trial: Kalbfleisch & Prentice 1980; R survival, strata(celltype)."""
    values = reference_values()["01_cox"]["veteran_strat"]
    cohort = as_cohort(reference_table("veteran"), "time", "status")
    for ties, key in (("efron", "fit"), ("breslow", "breslow")):
        rows = rows_of_model(cohort, cox_plan(["trt", "karno"], ["celltype"], ties))
        for name in ("trt", "karno"):
            row = rows.loc[f"cox.event.{name}.hazard_ratio"]
            assert np.log(row["estimate"]) == pytest.approx(values[key]["coef"][name], rel=1e-8)
            assert row["se"] == pytest.approx(values[key]["se"][name], rel=1e-8)
            assert row["ties"] == ties


def test_a_predictor_is_reported_per_standard_deviation():
    """Age of the recidivism data as a predictor: published coefficient times the SD (n - 1)."""
    cohort = rossi()
    settings = cox_plan([name for name in ROSSI if name != "age"], [])
    settings["primary"] = [{**plan()["primary"][0], "name": "age"}]
    row = rows_of_model(cohort, settings).loc["cox.event.age.hazard_ratio"]
    deviation = cohort["age"].std(ddof=1)
    assert np.log(row["estimate"]) == pytest.approx(-0.0574377 * deviation, abs=1e-6)
    assert row["unit"] == "per SD"
    assert (row["metric"], row["sensor"]) == ("knee_flexion_excursion", "gyro")


def test_regression_calibration_with_replicates():
    """Blood pressure during pregnancy, mecor for R: Rosner et al. 1992; Bartlett et al. 2009.

    The covariance of the main measurement with the mean of its replicates, given age, is the true
    variance. mecor's standard error is that of the delta method; ours draws the two variances, so
    they agree to the leading order only. The replicates are those of its manual: sbp60, sbp120.
    """
    values = {row["_row"]: row for row in reference_values()["07_me"]["bp_rc_repl"]["unc"]}
    table = reference_table("mecor_bp")
    given = np.column_stack([np.ones(len(table)), table["age"]])
    pair = np.column_stack([table["sbp30"], table[["sbp60", "sbp120"]].mean(axis=1)])
    left = pair - given @ np.linalg.lstsq(given, pair, rcond=None)[0]
    df = len(table) - 2.0
    covariance = left.T @ left / df
    measured, true = covariance[0, 0], covariance[0, 1]
    model = ErrorModel(
        np.array([[measured]]), np.array([[measured - true]]), df, df, np.array([measured])
    )
    naive = values["sbp30"]
    found = correct(
        np.array([naive["Estimate"]]),
        np.array([[naive["Std. Error"] ** 2]]),
        model,
        np.random.default_rng(1),
    )
    assert found.coefficients[0] == pytest.approx(0.186233, abs=1e-6)
    assert found.standard_errors()[0] == pytest.approx(0.082465, rel=0.01)


@pytest.mark.parametrize(("meter", "within"), [("Wright", 15.30667), ("Mini", 19.91083)])
def test_trial_error_is_the_published_within_subject_deviation(meter, within):
    """Peak expiratory flow, Bland & Altman 1986, Lancet 1:307: sqrt(sum of d^2 / 2n)."""
    table = reference_table("pefr_ba1986")
    rows = table.loc[table["meth"] == meter]
    trials = pd.DataFrame(
        {
            "athlete_id": rows["item"].astype(str),
            "site": "one",
            "visit": "clearance",
            "value": rows["y"].astype(float),
        }
    ).reset_index(drop=True)
    found = variance_components(trials, [], "clearance")
    assert found.trial**0.5 == pytest.approx(within, abs=5e-6)
    assert found.visit is None
    assert (found.n_athletes, found.n_trials) == (17, 34)


def test_holm_adjusts_as_published():
    """Holm 1979, and the 15 p-values of Benjamini & Hochberg 1995 (values from R p.adjust)."""
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02], abs=1e-15)
    p = [
        *(0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344),
        *(0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0),
    ]
    expected = [0.0015, 0.0056, 0.0247, 0.114, 0.2211, 0.278, 0.278, 0.278, 0.3213]
    assert holm(p)[:9] == pytest.approx(expected, abs=1e-12)
    assert (holm(p)[9:] == 1).all()
    # The paper of the false discovery rate on the same tests: at 0.05 the first four are found.
    assert (benjamini_hochberg(p) <= 0.05).tolist() == [True] * 4 + [False] * 11
    assert benjamini_hochberg(p) == pytest.approx(false_discovery_control(p), rel=1e-14)


@pytest.mark.parametrize(
    ("ratio", "events"), [(1.3, 114.0), (1.5, 47.74), (1.7, 27.9), (2.0, 16.3)]
)
def test_events_needed_for_a_hazard_ratio_per_standard_deviation(ratio, events):
    """Schoenfeld 1983, two-sided 0.05, 80 % power."""
    assert events_needed(ratio, {"confidence_level": 0.95, "power": 0.8}) == pytest.approx(
        events, abs=0.06
    )


def test_standardised_difference_of_the_cars_data():
    """Motor Trend cars, miles per gallon by gearbox: means and SDs as in R's mtcars help pages.

    With the mean of the two variances in the denominator: Austin 2009, Stat Med 28:3083.
    """
    table = reference_table("mtcars")
    manual, automatic = table["mpg"][table["am"] == 1], table["mpg"][table["am"] == 0]
    # 24.392308 - 17.147368 over sqrt((6.166504^2 + 3.833966^2) / 2), from published summaries.
    assert standardised_difference(manual, automatic) == pytest.approx(1.411046, abs=1e-6)
