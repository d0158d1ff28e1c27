"""The model steps on small studies: they run, count right, refuse in words, repeat their bytes."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import false_discovery_control

from analysis.estimates import estimates_table
from analysis.models import flow, table_one
from analysis.models.calibrated_cox import calibrated_cox
from analysis.models.cox_models import cox_models, family_p_values
from analysis.models.cumulative_incidence import incidence_curves
from analysis.models.flow import flow_diagram
from analysis.models.incidence_rates import incidence_rates
from analysis.models.limb_difference import limb_differences
from analysis.models.outcome_model import complete_case_model
from analysis.models.quality import defined, nuisances_found
from analysis.models.sensor_answer import sensor_answer
from analysis.models.shifted_cox import shifted_cox
from shared.tables import read_table
from tests.unit import cohort_tables as tables

WITH_GAPS = (cox_models, calibrated_cox, shifted_cox)
OF_OUTCOMES = (
    flow_diagram, table_one.table_one, cox_models, incidence_rates, incidence_curves, shifted_cox,
)  # fmt: skip
WITH_TRIALS = (calibrated_cox, sensor_answer)


def run(step, paths, folder, freeze=tables.FROZEN, name="estimates.parquet") -> pd.DataFrame:
    """Run a step on a study and return its rows by address."""
    inputs = {"cohort": paths["cohort"], "plan": tables.plan(), "freeze": freeze}
    if step in WITH_TRIALS or step is limb_differences:
        inputs |= {"metrics": paths["metrics"], "study": tables.study()}
    if step in WITH_GAPS:
        inputs |= {"filled": paths["filled"], "imputation": paths["imputation"]}
    if step is flow_diagram:
        inputs |= {"withdrawals": paths["withdrawals"]}
    if step is limb_differences:
        del inputs["freeze"]
    step(**inputs, estimates=folder / name)
    return read_table(folder / name).set_index("number_id")


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    folder = tmp_path_factory.mktemp("study")
    return folder, tables.typical_study(folder)


@pytest.mark.parametrize("step", [*OF_OUTCOMES, *WITH_TRIALS])
def test_without_a_frozen_plan_no_step_touches_outcomes(step, study):
    folder, paths = study
    rows = run(step, paths, folder, tables.NOT_FROZEN)
    refused = rows.loc[rows["quantity"] == "not_run"]
    assert not refused.empty
    assert refused["note"].str.contains("not frozen").all()
    assert rows["n_events"].isna().all()
    assert not rows["quantity"].isin(["hazard_ratio", "cumulative_incidence"]).any()


@pytest.mark.parametrize("step", [*OF_OUTCOMES, *WITH_TRIALS, limb_differences])
def test_the_same_input_gives_the_same_bytes(step, study):
    folder, paths = study
    run(step, paths, folder, name="one.parquet")
    run(step, paths, folder, name="two.parquet")
    assert (folder / "one.parquet").read_bytes() == (folder / "two.parquet").read_bytes()


@pytest.mark.parametrize("step", [*OF_OUTCOMES, *WITH_TRIALS, limb_differences])
def test_a_study_of_six_athletes_ends_in_words_not_in_a_crash(step, tmp_path):
    rng = np.random.default_rng(5)
    people = tables.athletes(6, rng)
    ends = tables.outcomes(people, rng).assign(event="end_of_study", side="", contact="")
    paths = tables.build(
        tmp_path, people, ends, tables.trials(people, tables.all_predictors(), rng)
    )
    rows = run(step, paths, tmp_path)
    refused = rows.loc[rows["quantity"] == "not_run", "note"]
    assert (refused != "").all()
    # Counts, descriptions, a rate of zero and limb differences exist without any event.
    needs_no_event = (flow_diagram, table_one.table_one, incidence_rates, limb_differences)
    assert step in needs_no_event or not refused.empty


def test_the_flow_adds_up(study):
    _, paths = study
    cohort = read_table(paths["cohort"])
    cohort.loc[:4, "included"] = False
    cohort.loc[:4, "excluded_because"] = "event before clearance"
    rows = estimates_table(flow.count_flow(cohort)).set_index("number_id")["estimate"]
    excluded = rows.filter(regex=r"^flow\.excluded\.").sum()
    assert rows["flow.enrolled.all.count"] - excluded == rows["flow.landmark_cohort.all.count"]
    assert rows["flow.excluded.event_before_clearance.count"] == 5
    assert rows["flow.remaining.after_event_before_clearance.count"] == 115
    assert rows.filter(regex=r"landmark_cohort\.(harbour|meadow|ridge)").sum() == 115


def test_table_one_describes_groups_by_event_status(study):
    folder, paths = study
    rows = run(table_one.table_one, paths, folder)["estimate"]
    cohort = read_table(paths["cohort"])
    graft = cohort.loc[cohort["cause"] == 1]
    variable = "table_one.age_at_surgery_years"
    assert rows[f"{variable}.graft_rupture.mean"] == graft["age_at_surgery_years"].mean()
    assert rows["table_one.athletes.graft_rupture.count"] == len(graft)
    women = (graft["sex"] == "female").sum()
    assert rows["table_one.sex.graft_rupture.female.count"] == women
    injured = cohort["cause"].isin([1, 2])
    one, two = cohort.loc[injured, "mass_kg"], cohort.loc[~injured, "mass_kg"]
    expected = (one.mean() - two.mean()) / np.sqrt((one.var() + two.var()) / 2)
    found = rows["table_one.mass_kg.second_injury_against_none.standardised_difference"]
    assert found == pytest.approx(expected, rel=1e-12)


def test_table_one_has_no_p_values(study):
    folder, paths = study
    assert run(table_one.table_one, paths, folder)["p"].isna().all()


def test_missing_predictors_are_filled_in_or_dropped_and_counted(tmp_path):
    rng = np.random.default_rng(11)
    people = tables.athletes(90, rng)
    metrics = tables.trials(people, tables.all_predictors(), rng)
    lost = metrics["athlete_id"].isin(people["athlete_id"][:7]) & (
        metrics["metric"] == "flight_time"
    )
    metrics.loc[lost, "valid"] = False
    paths = tables.build(tmp_path, people, tables.outcomes(people, rng), metrics)
    rows = run(cox_models, paths, tmp_path)
    primary = rows.loc[(rows["analysis"] == "cox_primary") & (rows["quantity"] == "hazard_ratio")]
    assert set(primary["rows_dropped"]) == {0}
    assert set(primary["n_athletes"]) == {90}
    assert set(primary["n_filled"]) == {7}
    complete = rows.loc[
        (rows["analysis"] == "cox_complete_cases") & (rows["quantity"] == "hazard_ratio")
    ]
    assert set(complete["rows_dropped"]) == {7}
    assert set(complete["n_athletes"]) == {83}
    assert set(rows.loc[rows["analysis"] == "cox_exploratory", "rows_dropped"].dropna()) == {0}


def test_every_hazard_ratio_names_its_conventions(study):
    folder, paths = study
    rows = run(cox_models, paths, folder)
    ratios = rows.loc[rows["quantity"] == "hazard_ratio"]
    own = ratios.loc[ratios["analysis"] != "cox_second_opinion"]
    for column in ("ties", "estimation", "censoring", "ci_type", "se_scale", "unit", "model"):
        assert (own[column] != "").all(), column
    for column in ("horizon_days", "rows_dropped", "converged", "n_athletes", "n_events"):
        assert own[column].notna().all(), column
    # A ridge estimate is biased towards one: it has neither interval nor test.
    assert own.loc[own["analysis"] != "cox_ridge", "p"].notna().all()
    assert own.loc[own["analysis"] == "cox_ridge", ["p", "ci_low", "ci_high"]].isna().all(axis=None)


def test_the_plan_settles_by_events_whether_penalised_fits_stand_beside(study):
    folder, paths = study
    settings = tables.plan()
    settings["sensitivity"]["penalised"]["below_events_per_coefficient"] = 1.0
    cox_models(
        **{name: paths[name] for name in ("cohort", "filled", "imputation")},
        estimates=folder / "few.parquet",
        plan=settings,
        freeze=tables.FROZEN,
    )
    rows = read_table(folder / "few.parquet")
    for analysis in ("cox_firth", "cox_ridge"):
        found = rows.loc[rows["analysis"] == analysis]
        assert set(found["quantity"]) == {"not_run"}
        assert found["note"].str.contains("fewer than 1 events per coefficient").all()


def test_holm_counts_primary_predictors_times_outcomes(study):
    folder, paths = study
    rows = run(cox_models, paths, folder)
    family = rows.loc[(rows["family"] == "primary") & (rows["quantity"] == "hazard_ratio")]
    assert len(family) == 6
    smallest = family["p"].idxmin()
    assert family.loc[smallest, "p_adjusted"] == pytest.approx(min(1, 6 * family["p"].min()))
    assert (family["p_adjusted"] >= family["p"]).all()
    others = ~rows["family"].isin(["primary", "exploratory"])
    assert rows.loc[others, "p_adjusted"].isna().all()


def test_the_false_discovery_rate_counts_exploratory_predictors_times_outcomes(study):
    """scipy.stats.false_discovery_control with the planned tests that gave no p as ones."""
    folder, paths = study
    plan = tables.plan()
    rows = run(cox_models, paths, folder)
    family = rows.loc[(rows["family"] == "exploratory") & (rows["quantity"] == "hazard_ratio")]
    planned = len(plan["exploratory"]) * len(plan["outcomes"])
    p = [*family["p"].astype(float), *[1.0] * (planned - len(family))]
    expected = false_discovery_control(p, method="bh")[: len(family)]
    assert family["p_adjusted"].astype(float).to_numpy() == pytest.approx(expected, rel=1e-12)
    assert family["adjustment"].str.startswith("benjamini hochberg").all()


def test_a_model_that_could_not_run_does_not_shrink_the_family(study):
    plan = tables.plan()
    cohort = read_table(study[1]["cohort"]).query("included")
    outcome = plan["primary_outcomes"][0]
    model = complete_case_model(cohort, plan["primary"], plan, outcome)
    adjusted = family_p_values([(outcome, model)], "holm", planned=6)
    found = {
        (outcome, term.name): inference.p
        for term, inference in zip(model.terms, model.inferences, strict=True)
        if term.is_predictor
    }
    assert adjusted.keys() == found.keys()
    smallest = min(found, key=found.get)
    # Holm 1979: the smallest p times the number of planned tests, three of which gave no p.
    assert adjusted[smallest] == pytest.approx(min(1, 6 * found[smallest]))


def test_the_library_agrees_with_the_primary_models(study):
    folder, paths = study
    rows = run(cox_models, paths, folder)
    apart = rows.loc[rows["quantity"] == "difference_in_standard_errors", "estimate"]
    wider = rows.loc[rows["quantity"] == "relative_difference_of_standard_error", "estimate"]
    assert len(apart) == len(wider) == 10
    # lifelines 0.30, Newton to 1e-12; without tied event times both maximise the same function.
    assert apart.abs().max() < 1e-6
    assert wider.abs().max() < 1e-6


def test_limb_differences_agree_with_the_library_and_the_planted_shift(study):
    folder, paths = study
    rows = run(limb_differences, paths, folder)
    name = "knee_flexion_excursion.gyro.single_leg_drop_landing.involved"
    difference = rows.loc[f"limb_difference.{name}.mean_difference"]
    assert difference["ci_low"] < -1 < difference["ci_high"]  # tables.trials plants -1
    assert difference["n_athletes"] == 120
    assert difference["df_method"] == "Satterthwaite"
    second = rows.loc[f"limb_difference_second_opinion.{name}.mean_difference"]
    # statsmodels stops at a relative change of 1e-8 of the likelihood: 1e-3 of a standard error.
    assert second["estimate"] == pytest.approx(difference["estimate"], abs=1e-3 * difference["se"])
    assert second["se"] == pytest.approx(difference["se"], rel=1e-2)


def test_both_knees_operated_have_no_limb_difference(tmp_path):
    rng = np.random.default_rng(2)
    people = tables.athletes(30, rng)
    metrics = tables.trials(people, tables.all_predictors(), rng)
    people.loc[0, "injured_side"] = "both"
    metrics.loc[(metrics["athlete_id"] == "A0001") & (metrics["limb"] == "uninvolved"), "limb"] = (
        "involved"
    )
    paths = tables.build(tmp_path, people, tables.outcomes(people, rng), metrics)
    rows = run(limb_differences, paths, tmp_path)
    name = "limb_difference.knee_flexion_excursion.gyro.single_leg_drop_landing.involved"
    row = rows.loc[f"{name}.mean_difference"]
    assert row["n_athletes"] == 29
    assert row["rows_dropped"] == 12  # 2 knees x 2 visits x 3 trials


def test_incidences_of_the_causes_and_freedom_from_events_add_to_one(study):
    folder, paths = study
    rows = run(incidence_curves, paths, folder)
    cohort = read_table(paths["cohort"])
    at_end = "all.day_00730.cumulative_incidence"
    total = sum(
        rows.loc[f"cumulative_incidence.{cause}.{at_end}", "estimate"]
        for cause in ("graft_rupture", "contralateral_tear")
    )
    from lifelines import KaplanMeierFitter

    any_end = KaplanMeierFitter().fit(cohort["followup_days"], cohort["cause"] > 0)
    assert total < 1 - any_end.predict(730)
    one, two = cohort["cause"].replace(3, 0), cohort["followup_days"]
    curve = KaplanMeierFitter().fit(two, one > 0)
    censored = sum(
        rows.loc[f"cumulative_incidence_others_censored.{cause}.{at_end}", "estimate"]
        for cause in ("graft_rupture", "contralateral_tear")
    )
    # Without other competing ends, incidences and the Kaplan-Meier curve add to one.
    assert censored == pytest.approx(1 - curve.predict(730), abs=1e-12)


def test_the_curve_ends_where_the_table_of_times_says(study):
    folder, paths = study
    rows = run(incidence_curves, paths, folder)
    steps = rows.loc[rows["analysis"] == "cumulative_incidence_curve"]
    for cause in ("graft_rupture", "contralateral_tear"):
        curve = steps.loc[(steps["outcome"] == cause) & steps["term"].str.startswith("all.")]
        last = curve.sort_values("time_days")["estimate"].iloc[-1]
        name = f"cumulative_incidence.{cause}.all.day_00730.cumulative_incidence"
        assert last == rows.loc[name, "estimate"]
    at_start = "cumulative_incidence_curve.at_risk.all.day_00000.number_at_risk"
    assert rows.loc[at_start, "estimate"] == 120


def test_rates_divide_events_by_the_time_under_observation(study):
    folder, paths = study
    rows = run(incidence_rates, paths, folder)
    cohort = read_table(paths["cohort"])
    graft = (cohort["cause"] == 1).sum()
    years = cohort["followup_days"].sum() / 365.25
    rate = rows.loc["incidence_rates.graft_rupture.all.rate_per_100_person_years"]
    assert rate["estimate"] == pytest.approx(100 * graft / years, rel=1e-12)
    from scipy.stats import chi2

    # Garwood's limits by the chi-squared distribution.
    assert rate["ci_low"] == pytest.approx(50 * chi2.ppf(0.025, 2 * graft) / years, rel=1e-9)
    assert rate["ci_high"] == pytest.approx(50 * chi2.ppf(0.975, 2 * graft + 2) / years, rel=1e-9)
    exposures = "incidence_rates.graft_rupture.all.rate_per_1000_athlete_exposures"
    expected = 1000 * graft / cohort["athlete_exposures"].sum()
    assert rows.loc[exposures, "estimate"] == pytest.approx(expected, rel=1e-12)


def test_nuisances_say_what_and_where():
    recordings = pd.DataFrame(
        {
            "site": ["ridge", "ridge", "meadow"],
            "device": ["wearables_basic", "wearables_basic", "lab_c3d"],
            "recording_id": ["A.c.t.left.1.wearables_basic", "B.c.t.left.1.wearables_basic", "C"],
            "flags": ["mirrored_sensor", "gap;mirrored_sensor", ""],
        }
    )
    cohort = pd.DataFrame(
        {
            "athlete_id": ["A", "B"],
            "injured_side": ["both", "left"],
            "excluded_because": ["", "event before clearance"],
        }
    )
    rows = estimates_table(nuisances_found(recordings, recordings, cohort)).set_index("number_id")
    mirrored = rows.loc["nuisances.mirrored_sensor.all.count"]
    assert mirrored["estimate"] == 2  # each recording once, though its values carry the flag too
    assert "wearables_basic at ridge" in mirrored["note"]
    assert rows.loc["nuisances.gap.all.count", "estimate"] == 1
    assert rows.loc["nuisances.bilateral_case.all.count", "estimate"] == 1
    assert rows.loc["nuisances.event_before_clearance.all.count", "estimate"] == 1


def test_values_that_do_not_exist_are_not_counted_as_lost():
    values = pd.DataFrame(
        {
            "metric": ["a", "b", "c", "d"],
            "value": [1.0, np.nan, np.nan, 2.0],
            "flags": ["", "no_force_peaks", "clipped;short_recording", "not_spring_like"],
        }
    )
    kept = defined(values, ["no_force_peaks", "not_spring_like"])
    # b has no second peak; c was lost; d has a value, whatever its flag says
    assert kept["metric"].tolist() == ["a", "c", "d"]
