"""The step that fills gaps: counts, complete cases, bounds, shifts, refusals in words."""

import numpy as np
import pandas as pd
import pytest

from analysis.cohort.analysis_set import landmark_rows
from analysis.estimates import estimates_table, number_id
from analysis.models.cox_models import fit_outcome
from analysis.models.imputed_cohort import completed_sets, gaps_of
from analysis.models.imputed_cox import NOTHING_MISSING, imputation_numbers, shift_word
from tests.unit import cohort_tables as tables

EXCURSION, PEAK, JUMP = (predictor["name"] for predictor in tables.plan()["primary"])
OUTCOME = "graft_rupture"


def _plan():
    plan = tables.plan()
    plan["imputation"] |= {"data_sets": 4, "iterations": 4, "shifts_sd": [-0.5, 0.5]}
    return plan


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    """Cohort and trials of 150 athletes: twelve without excursion, nine with a clipped peak."""
    folder = tmp_path_factory.mktemp("gaps")
    rng = np.random.default_rng(9)
    people = tables.athletes(150, rng)
    metrics = tables.trials(people, tables.all_predictors(), rng)
    paths = tables.build(folder, people, tables.outcomes(people, rng), metrics)
    cohort = landmark_rows(pd.read_parquet(paths["cohort"]))
    cohort.loc[:11, EXCURSION] = np.nan
    largest = cohort[PEAK].nlargest(9).index
    clipped = (
        metrics["athlete_id"].isin(cohort.loc[largest, "athlete_id"])
        & (metrics["metric"] == "peak_waist_acceleration")
        & (metrics["limb"] == "involved")
        & (metrics["trial"] == 2)
    )
    metrics.loc[clipped, "censoring"] = "right"
    return cohort, metrics, largest


def _rows(cohort, metrics, plan):
    found = estimates_table(*imputation_numbers(cohort, metrics, plan, "clearance"))
    return found.set_index("number_id")


@pytest.fixture(scope="module")
def rows(study):
    return _rows(*study[:2], _plan())


def test_what_is_missing_or_clipped_is_counted(rows):
    assert rows.loc[number_id("imputation", EXCURSION, "missing", "count"), "estimate"] == 12
    assert rows.loc[number_id("imputation", EXCURSION, "clipped", "count"), "estimate"] == 0
    assert rows.loc[number_id("imputation", PEAK, "clipped", "count"), "estimate"] == 9
    share = rows.loc[number_id("imputation", "all", "incomplete", "share"), "estimate"]
    assert 12 / 150 <= share <= 21 / 150


def test_the_complete_cases_are_those_of_the_primary_model(study, rows):
    _, estimate = fit_outcome(study[0], _plan()["primary"], _plan(), OUTCOME)
    for name, term in zip((EXCURSION, PEAK, JUMP), estimate.terms, strict=False):
        row = rows.loc[number_id("cox_imputed", OUTCOME, (name, "complete_cases"), "hazard_ratio")]
        assert np.log(row["estimate"]) == pytest.approx(term.coefficient, rel=1e-12)
        assert row["rows_dropped"] == 12


def test_all_athletes_are_in_the_imputed_models_and_conventions_are_named(rows):
    row = rows.loc[number_id("cox_imputed", OUTCOME, EXCURSION, "hazard_ratio")]
    assert (row["n_athletes"], row["rows_dropped"]) == (150, 0)
    assert row["df_method"].startswith("Barnard-Rubin")
    assert 0 < row["df"] < 150
    assert "4 completed data sets" in row["estimation"]
    information = number_id("cox_imputed", OUTCOME, EXCURSION, "missing_information")
    assert 0 < rows.loc[information, "estimate"] < 1


def test_recorded_values_stay_and_clipped_ones_lie_above_their_bound(study):
    cohort, metrics, largest = study
    gaps = gaps_of(cohort, metrics, _plan(), "clearance")
    assert gaps.log.tolist() == [False, True, False]
    for each in completed_sets(gaps, _plan()["imputation"]):
        filled = gaps.frame(each.values)
        assert (filled.loc[largest, PEAK] >= cohort.loc[largest, PEAK] * (1 - 1e-12)).all()
        rest = cohort.index.difference(largest)
        np.testing.assert_allclose(filled.loc[rest, PEAK], cohort.loc[rest, PEAK], rtol=1e-12)
        assert (filled.loc[12:, EXCURSION] == cohort.loc[12:, EXCURSION]).all()
        assert filled.loc[:11, EXCURSION].notna().all()


def test_only_metrics_with_missing_values_are_shifted(rows):
    shifted = rows.loc[rows["analysis"] == "cox_imputed_shifted"]
    assert set(shifted["term"]) == {f"{EXCURSION}.{shift_word(shift)}" for shift in (-0.5, 0.5)}
    assert shift_word(-0.5) == "lower_0_5_sd"
    assert shift_word(1.0) == "higher_1_sd"
    here = number_id("cox_imputed", OUTCOME, EXCURSION, "hazard_ratio")
    lower = number_id("cox_imputed_shifted", OUTCOME, (EXCURSION, shift_word(-0.5)), "hazard_ratio")
    assert rows.loc[here, "estimate"] != rows.loc[lower, "estimate"]


def test_the_same_study_gives_the_same_numbers(study, rows):
    pd.testing.assert_frame_equal(rows, _rows(*study[:2], _plan()))


def test_nothing_missing_is_said(study):
    cohort, metrics, _ = study
    full = cohort.assign(**{EXCURSION: cohort[EXCURSION].fillna(10.0)})
    found = _rows(full, metrics.assign(censoring="none"), _plan())
    assert set(found["quantity"]) == {"not_run"}
    assert (found["note"] == NOTHING_MISSING).all()


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
    found = _rows(cohort.assign(**change), metrics, _plan())
    assert set(found["quantity"]) == {"not_run"}
    assert found["note"].str.startswith(reason).all()


def test_without_an_event_the_models_are_refused_and_the_gaps_still_counted(study):
    cohort, metrics, _ = study
    found = _rows(cohort.assign(cause=0), metrics, _plan())
    refused = found.loc[found["quantity"] == "not_run"]
    assert len(refused) == 4
    assert refused["note"].str.contains("event").all()
    # Event indicators and hazards that are zero for everybody tell nothing, and are named.
    note = found.loc[number_id("imputation", "all", "incomplete", "share"), "note"]
    assert "event of graft_rupture" in note
