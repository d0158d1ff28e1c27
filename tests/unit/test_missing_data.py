"""Gaps are filled in once; the plan names which handling is primary; what cannot be filled is said.

Pooled numbers are held against lifelines fits of the same completed cohorts and Rubin's rules
written out again (Rubin 1987; Barnard & Rubin 1999, Biometrika 86:948).
"""

import copy

import numpy as np
import pandas as pd
import pytest
from lifelines import CoxPHFitter
from scipy.stats import t as student
from statsmodels.duration.hazard_regression import PHReg

from analysis.cohort.analysis_set import landmark_rows
from analysis.estimates import Estimates, estimates_table, number_id
from analysis.imputation.pooling import pool
from analysis.models.calibrated_cox import calibrated_numbers
from analysis.models.cox_fit import fit_outcome
from analysis.models.cox_models import models_of, second_opinions
from analysis.models.cox_specifications import specification_numbers
from analysis.models.cox_without_event import add_range
from analysis.models.filled_cohort import (
    COMPLETE_CASES,
    FILLED_IN,
    NOTHING,
    NOTHING_MISSING,
    FilledCohort,
)
from analysis.models.impute_cohort import data_sets_needed, fill_in
from analysis.models.imputed_cohort import gaps_of
from analysis.models.outcome_model import primary_model, sensitivity_model
from analysis.models.shifted_cox import NOTHING_TO_SHIFT, shift_word, shifted_numbers
from analysis.survival.errors import SurvivalDataError
from shared.tables import empty_table
from tests.unit import cohort_tables as tables

EXCURSION, PEAK, JUMP = NAMES = [predictor["name"] for predictor in tables.plan()["primary"]]
OUTCOME = "graft_rupture"


def _plan(primary: str = "imputed"):
    plan = tables.plan()
    plan["missing"]["primary"] = primary
    plan["imputation"] |= {"data_sets": 4, "iterations": 4, "shifts_sd": [-0.5, 0.5]}
    return plan


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    """Cohort and trials of 200 athletes: twelve without excursion, nine with a clipped peak."""
    folder = tmp_path_factory.mktemp("gaps")
    rng = np.random.default_rng(9)
    people = tables.athletes(200, rng)
    metrics = tables.trials(people, tables.all_predictors(), rng)
    paths = tables.build(folder, people, tables.outcomes(people, rng), metrics)
    cohort = landmark_rows(pd.read_parquet(paths["cohort"]))
    cohort.loc[:11, EXCURSION] = np.nan
    cohort.loc[:11, f"{EXCURSION}_trials"] = 0
    largest = cohort[PEAK].nlargest(9).index
    clipped = (
        metrics["athlete_id"].isin(cohort.loc[largest, "athlete_id"])
        & (metrics["metric"] == "peak_waist_acceleration")
        & (metrics["limb"] == "involved")
        & (metrics["trial"] == 2)
    )
    metrics.loc[clipped, "censoring"] = "right"
    return cohort, metrics, largest


@pytest.fixture(scope="module")
def filled(study):
    return fill_in(*study[:2], _plan(), "clearance")[0]


def _table(*found):
    return estimates_table(*found).set_index("number_id")


def _primary(filled, plan):
    return _table(
        *models_of(
            lambda outcome: primary_model(filled, plan, outcome),
            plan, "cox_primary", "primary", plan["primary_outcomes"],
        )
    )  # fmt: skip


def test_what_is_missing_or_clipped_is_counted(study):
    rows = _table(*fill_in(*study[:2], _plan(), "clearance")[1])["estimate"]
    assert rows[number_id("imputation", EXCURSION, "missing", "count")] == 12
    assert rows[number_id("imputation", EXCURSION, "clipped", "count")] == 0
    assert rows[number_id("imputation", PEAK, "clipped", "count")] == 9
    share = rows[number_id("imputation", "all", "incomplete", "share")]
    assert 12 / 200 <= share <= 21 / 200
    # At least the percentage of incomplete athletes, though the plan asks for four.
    assert rows[number_id("imputation", "all", "data_sets", "count")] == np.ceil(100 * share)


def test_more_data_sets_than_planned_only_where_more_are_incomplete(study):
    gaps = gaps_of(*study[:2], _plan(), "clearance")
    assert data_sets_needed(gaps, 50) == 50
    assert data_sets_needed(gaps, 2) == np.ceil(100 * gaps.n_incomplete / 200)


def test_recorded_values_stay_and_clipped_ones_lie_above_their_bound(study, filled):
    cohort, _, largest = study
    for completed in filled.completed():
        assert (completed.loc[largest, PEAK] >= cohort.loc[largest, PEAK] * (1 - 1e-12)).all()
        rest = cohort.index.difference(largest)
        assert (completed.loc[rest, PEAK] == cohort.loc[rest, PEAK]).all()
        assert (completed.loc[12:, EXCURSION] == cohort.loc[12:, EXCURSION]).all()
        assert completed.loc[:11, EXCURSION].notna().all()
        assert (completed[JUMP] == cohort[JUMP]).all()


def test_the_primary_rows_are_lifelines_fits_pooled_by_rubins_rules(study, filled):
    rows = _primary(filled, _plan())
    complete, _ = fit_outcome(study[0], _plan()["primary"], _plan(), OUTCOME)
    steps = np.array([term.scale for term in complete.terms[:3]])
    coefficients, errors = [], []
    for cohort in filled.completed():
        table = cohort[[*NAMES, "age_at_surgery_years", "site", "followup_days"]].copy()
        table[NAMES] = table[NAMES] / steps  # per SD among the complete cases
        table["male"] = (cohort["sex"] == "male").astype(float)
        table["event"] = cohort["cause"] == 1
        fitter = CoxPHFitter()
        precise = {"precision": 1e-12, "r_precision": 1e-14}
        fitter.fit(table, "followup_days", "event", strata=["site"], fit_options=precise)
        coefficients.append(fitter.params_[NAMES])
        errors.append(fitter.standard_errors_[NAMES])
    found, squares = np.array(coefficients), np.array(errors) ** 2
    m = len(found)
    between, within = found.var(axis=0, ddof=1), squares.mean(axis=0)
    total = within + (1 + 1 / m) * between
    share = (1 + 1 / m) * between / total
    complete_df = 200 - 5
    old = (m - 1) / share**2
    observed = (complete_df + 1) / (complete_df + 3) * complete_df * (1 - share)
    df = old * observed / (old + observed)
    for place, name in enumerate(NAMES):
        row = rows.loc[number_id("cox_primary", OUTCOME, name, "hazard_ratio")]
        mean = found[:, place].mean()
        assert np.log(row["estimate"]) == pytest.approx(mean, abs=1e-7)
        assert row["se"] == pytest.approx(np.sqrt(total[place]), rel=1e-6)
        assert row["df"] == pytest.approx(df[place], rel=1e-5)
        half = student.ppf(0.975, df[place]) * np.sqrt(total[place])
        assert np.log(row["ci_high"]) == pytest.approx(mean + half, abs=1e-6)
        p = 2 * student.sf(abs(mean) / np.sqrt(total[place]), df[place])
        assert row["p"] == pytest.approx(p, rel=1e-5)


def test_every_primary_row_names_how_gaps_were_handled(filled):
    rows = _primary(filled, _plan())
    ratios = rows.loc[rows["quantity"] == "hazard_ratio"]
    assert set(ratios["missing_data"]) == {FILLED_IN}
    assert set(ratios["data_sets"]) == {filled.data_sets}
    assert set(ratios["n_filled"]) == {12}
    assert set(ratios["n_clipped"]) == {9}
    assert set(ratios["n_athletes"]) == {200}
    assert set(ratios["rows_dropped"]) == {0}
    assert ratios["df_method"].str.startswith("Barnard-Rubin").all()
    assert ratios["missing_information"].between(0, 1).all()
    assert (ratios["p_adjusted"].notna() == (ratios["family"] == "primary")).all()
    # A large study hardly depends on it, but the excursion with its gaps depends more.
    lost = ratios.set_index(["outcome", "term"])["missing_information"]
    assert lost[OUTCOME, EXCURSION] > lost[OUTCOME, JUMP]


def test_the_step_is_the_same_under_either_handling(study, filled):
    imputed, complete = (primary_model(filled, _plan(kind), OUTCOME) for kind in (
        "imputed", "complete_cases",
    ))  # fmt: skip
    for one, other in zip(imputed.terms[:3], complete.terms[:3], strict=True):
        assert one.scale == other.scale
    known = study[0].dropna(subset=NAMES)
    assert imputed.terms[1].scale == pytest.approx(known[PEAK].std(), rel=1e-12)


def test_the_plan_names_the_primary_handling_and_the_other_stands_beside(filled):
    plans = {kind: _plan(kind) for kind in ("imputed", "complete_cases")}
    primary = {kind: primary_model(filled, plan, OUTCOME) for kind, plan in plans.items()}
    beside = {kind: sensitivity_model(filled, plan, OUTCOME) for kind, plan in plans.items()}
    assert primary["imputed"].inferences == beside["complete_cases"].inferences
    assert primary["complete_cases"].inferences == beside["imputed"].inferences
    assert primary["imputed"].inferences != beside["imputed"].inferences


def test_a_study_without_gaps_gives_the_complete_cases_and_says_so(study):
    cohort, metrics, _ = study
    full = cohort.assign(**{EXCURSION: cohort[EXCURSION].fillna(10.0)})
    filled, counted = fill_in(full, metrics.assign(censoring="none"), _plan(), "clearance")
    assert filled.reason == NOTHING_MISSING
    assert [row["note"] for part in counted for row in part.rows()] == [NOTHING_MISSING]
    rows = _primary(filled, _plan())
    ratios = rows.loc[rows["quantity"] == "hazard_ratio"]
    assert set(ratios["missing_data"]) == {NOTHING}
    _, estimate = fit_outcome(full, _plan()["primary"], _plan(), OUTCOME)
    for name, term in zip(NAMES, estimate.terms, strict=False):
        row = rows.loc[number_id("cox_primary", OUTCOME, name, "hazard_ratio")]
        assert (np.log(row["estimate"]), row["p"]) == pytest.approx((term.coefficient, term.p))
    with pytest.raises(SurvivalDataError, match="nothing to fill in"):
        sensitivity_model(filled, _plan(), OUTCOME)
    shifted = _table(*shifted_numbers(filled, _plan()))
    assert set(shifted["note"]) == {NOTHING_MISSING}


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({EXCURSION: np.nan}, f"{EXCURSION}: no athlete has a value"),
        ({JUMP: 0.5}, f"{JUMP}: every athlete with a value has the same one"),
        ({PEAK: -1.0}, f"{PEAK}: a value is not positive and has no logarithm"),
        ({"mass_kg": np.nan}, "mass_kg: a column that must be complete has a gap"),
    ],
)
def test_what_cannot_be_filled_is_refused_in_words(change, reason, study):
    cohort, metrics, _ = study
    filled, counted = fill_in(cohort.assign(**change), metrics, _plan(), "clearance")
    assert filled.filled.empty
    assert filled.reason.startswith(reason)
    assert _table(*counted)["note"].tolist() == [filled.reason]


def test_complete_cases_that_stand_in_are_named_in_every_row(study):
    cohort, metrics, _ = study
    gap = cohort.assign(mass_kg=np.nan)
    filled, _ = fill_in(gap, metrics, _plan(), "clearance")
    rows = _primary(filled, _plan())
    ratios = rows.loc[rows["quantity"] == "hazard_ratio"]
    assert set(ratios["missing_data"]) == {COMPLETE_CASES}
    assert ratios["note"].str.contains("could not be filled in: mass_kg: a column").all()
    assert set(ratios["rows_dropped"]) == {12}
    with pytest.raises(SurvivalDataError, match="mass_kg: a column"):
        sensitivity_model(filled, _plan(), OUTCOME)


def test_an_outcome_whose_completed_cohorts_refuse_falls_back_alone(study, filled):
    # A level of a covariate that only incomplete athletes have: pooled terms have no counterpart.
    plan = copy.deepcopy(_plan())
    plan["cox"]["covariates"].append(
        {"column": "graft", "label": "graft", "reference": "hamstring", "per": 1.0}
    )
    cohort = filled.measured.copy()
    cohort.loc[:5, "graft"] = "quadriceps"
    model = primary_model(FilledCohort(cohort, filled.filled, ""), plan, OUTCOME)
    assert model.fields["missing_data"] == COMPLETE_CASES
    assert "a category occurs among incomplete athletes only" in model.note


def test_without_an_event_the_models_are_refused_and_the_gaps_still_counted(study):
    cohort, metrics, _ = study
    filled, counted = fill_in(cohort.assign(cause=0), metrics, _plan(), "clearance")
    refused = _primary(filled, _plan())
    assert set(refused["quantity"]) == {"not_run"}
    assert refused["note"].str.contains("event").all()
    # Event indicators and hazards that are zero for everybody tell nothing, and are named.
    note = _table(*counted).loc[number_id("imputation", "all", "incomplete", "share"), "note"]
    assert "event of graft_rupture" in note


def test_an_athlete_without_a_covariate_is_left_out_of_either_handling(study):
    cohort, metrics, _ = study
    gap = cohort.copy()
    gap.loc[100, "sex"] = ""
    filled, _ = fill_in(gap, metrics, _plan(), "clearance")
    model = primary_model(filled, _plan(), OUTCOME)
    assert (model.design.dropped, len(model.design.rows)) == (1, 199)
    beside = sensitivity_model(filled, _plan(), OUTCOME)
    assert (beside.design.dropped, len(beside.design.rows)) == (13, 187)


def test_only_metrics_with_missing_values_are_shifted_and_by_as_much(study, filled):
    rows = _table(*shifted_numbers(filled, _plan()))
    assert set(rows["term"]) == {f"{EXCURSION}.{shift_word(shift)}" for shift in (-0.5, 0.5)}
    assert shift_word(-0.5) == "lower_0_5_sd"
    assert shift_word(1.0) == "higher_1_sd"
    step = 0.5 * study[0][EXCURSION].std()
    for one, other in zip(
        filled.completed(), filled.shifted(EXCURSION, 0.5, is_log=False), strict=True
    ):
        moved = other[EXCURSION] - one[EXCURSION]
        assert moved[:12].to_numpy() == pytest.approx(step)
        assert (moved[12:] == 0).all()
        assert (one[PEAK] == other[PEAK]).all()


def test_where_values_are_clipped_only_nothing_is_shifted(filled):
    only = filled.filled.loc[filled.filled["kind"] == "clipped"]
    cohort = filled.measured.fillna({EXCURSION: 10.0})
    rows = _table(*shifted_numbers(FilledCohort(cohort, only, ""), _plan()))
    assert rows["note"].tolist() == [NOTHING_TO_SHIFT]


def test_the_library_refits_complete_cases_and_a_completed_data_set(filled):
    rows = _table(*second_opinions(filled, _plan()))
    apart = rows.loc[rows["quantity"] == "difference_in_standard_errors"]
    assert len(apart) == 2 * 2 * 5  # data sets, outcomes, coefficients
    assert apart["term"].str.endswith(".filled_in").sum() == 10
    assert set(apart["missing_data"]) == {COMPLETE_CASES, FILLED_IN}
    # lifelines 0.30, Newton to 1e-12; without tied event times both maximise the same function.
    assert apart["estimate"].abs().max() < 1e-6
    firth = rows.loc[rows["analysis"] == "cox_firth"]
    assert firth["estimation"].str.startswith("penalised").all()
    assert set(firth["missing_data"]) == {FILLED_IN}


def test_corrected_estimates_are_pooled_and_those_of_complete_cases_stand_beside(study, filled):
    cohort, metrics, _ = study
    rows = _table(*calibrated_numbers(filled, metrics, _plan(), "clearance", True))
    analysis = "cox_calibrated_trial_error"
    own = rows.loc[number_id(analysis, OUTCOME, EXCURSION, "hazard_ratio")]
    beside = rows.loc[number_id(analysis, OUTCOME, (EXCURSION, "complete_cases"), "hazard_ratio")]
    assert (own["missing_data"], beside["missing_data"]) == (FILLED_IN, COMPLETE_CASES)
    assert (own["n_athletes"], beside["n_athletes"]) == (200, 188)
    # Nothing of the complete cases hangs on the filled-in values.
    nothing = FilledCohort(cohort, empty_table("filled_values"), "not filled in")
    alone = _table(*calibrated_numbers(nothing, metrics, _plan(), "clearance", True))
    again = alone.loc[number_id(analysis, OUTCOME, EXCURSION, "hazard_ratio")]
    assert again["estimate"] == beside["estimate"]
    # One correction: pooled naive times the inverse of the reliability, as far as the predictors
    # hardly depend on each other.
    naive = rows.loc[number_id(analysis, OUTCOME, (EXCURSION, "naive"), "hazard_ratio")]
    reliability = rows.loc[number_id(analysis, OUTCOME, EXCURSION, "reliability"), "estimate"]
    expected = np.log(naive["estimate"]) / np.sqrt(reliability)
    assert np.log(own["estimate"]) == pytest.approx(expected, rel=0.1)
    # What is missing weighs about as much in the corrected estimate as in the naive one.
    assert own["missing_information"] == pytest.approx(naive["missing_information"], abs=0.05)
    assert own["df_method"].startswith("none: pooled within each draw")
    assert pd.isna(beside["missing_information"])


def test_refits_without_one_event_are_pooled_as_the_model_is(filled):
    few = FilledCohort(filled.measured, filled.filled.query("data_set <= 3"), "")
    model = primary_model(few, _plan(), OUTCOME)
    numbers = Estimates("cox_leave_one_event_out")
    add_range(numbers, OUTCOME, model, 1000, 0.95)
    rows = _table(numbers)["estimate"]
    place = 1
    found = []
    for event in np.flatnonzero(model.design.event):
        kept = np.arange(len(model.design.event)) != event
        fits = []
        for design, _ in model.fits:
            fit = PHReg(
                design.time[kept], design.matrix[kept], status=design.event[kept],
                strata=design.strata[kept], ties="efron",
            ).fit()  # fmt: skip
            fits.append((fit.params[place], fit.bse[place] ** 2))
        found.append(pool(*np.array(fits).T, 200 - 1 - 5))
    ratios = np.exp([each.estimate for each in found])
    p = [2 * student.sf(abs(each.estimate) / each.standard_error, each.df) for each in found]
    subject = ("cox_leave_one_event_out", OUTCOME, PEAK)
    for quantity, expected in (
        ("smallest_hazard_ratio", min(ratios)), ("largest_hazard_ratio", max(ratios)),
        ("smallest_p", min(p)), ("largest_p", max(p)), ("refits", len(found)),
    ):  # fmt: skip
        # statsmodels 0.15 stops a little earlier than our fit
        assert rows[number_id(*subject, quantity)] == pytest.approx(expected, rel=1e-5)


def test_the_same_study_gives_the_same_draws(study, filled):
    again = fill_in(*study[:2], _plan(), "clearance")[0]
    pd.testing.assert_frame_equal(filled.filled, again.filled)


def _without_first_days(filled, plan):
    plan["sensitivity"]["specifications"] |= {
        "without_first_days": 200.0,
        "least_events_per_coefficient": 0.5,
    }
    model = primary_model(filled, plan, OUTCOME)
    return model, _table(specification_numbers(filled, model, plan, OUTCOME))


def test_another_choice_fills_gaps_as_the_primary_model_does(filled):
    """Some of those with gaps leave the rows: their drawn values must not reach anybody else."""
    model, rows = _without_first_days(filled, _plan())
    late = filled.measured["followup_days"] > 200
    fits = []
    for completed in filled.completed():
        table = completed.loc[late]
        columns = pd.DataFrame({name: table[name] for name in NAMES})
        columns["age"] = table["age_at_surgery_years"]
        columns["male"] = (table["sex"] == "male").astype(float)
        steps = [term.scale for term in model.terms[:3]]
        columns[NAMES] = columns[NAMES] / steps
        event = table["cause"] == 1
        columns = columns.assign(t=table["followup_days"], d=event, site=table["site"])
        fits.append(CoxPHFitter().fit(columns, "t", "d", strata=["site"]))
    for name in NAMES:
        values = np.array([fit.params_[name] for fit in fits])
        squares = np.array([fit.standard_errors_[name] ** 2 for fit in fits])
        expected = pool(values, squares, late.sum() - 5)
        row = rows.loc[f"cox_specifications.{OUTCOME}.without_first_days.{name}.hazard_ratio"]
        assert np.log(row["estimate"]) == pytest.approx(expected.estimate, abs=1e-5)
        assert row["se"] == pytest.approx(expected.standard_error, rel=1e-4)
        assert row["df"] == pytest.approx(expected.df, rel=1e-3)
        assert row["missing_data"] == FILLED_IN
        assert "pooled over" in row["estimation"]
    gone = set(filled.measured.loc[~late, "athlete_id"])
    assert gone & set(filled.filled["athlete_id"])


def test_hazard_ratios_of_two_periods_are_pooled(filled):
    _, rows = _without_first_days(filled, _plan())
    for period in (1, 2):
        row = rows.loc[f"cox_specifications.{OUTCOME}.period_{period}.{PEAK}.hazard_ratio"]
        assert row["missing_data"] == FILLED_IN
        assert row["ci_type"] == "t, pooled"
        assert 0 < row["missing_information"] < 1
    test = rows.loc[f"cox_specifications.{OUTCOME}.periods.{PEAK}.equal_hazard_ratios_test"]
    assert test["statistic_kind"].startswith("F, chi-squared statistics pooled")
    assert 0 <= test["p"] <= 1
