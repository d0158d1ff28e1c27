"""The step of the prediction: what it writes, what it refuses, and that no athlete is in it."""

import numpy as np
import pytest

from analysis.cohort.analysis_set import landmark_rows
from analysis.estimates import estimates_table, number_id
from analysis.models.prediction import ANALYSES, NOT_ASKED, prediction, prediction_numbers
from analysis.models.prediction_rows import NULL, PERFORMANCE, SITES, SIZE
from analysis.report.context import Context
from analysis.report.ledger import Ledger
from analysis.report.prediction_sentences import prediction_sentences
from shared.errors import StudyError
from shared.settings.plan import PlanSettings
from shared.settings.strict import validate
from shared.tables import read_table, write_table
from tests.unit import report_study as study

OUTCOME = study.PLAN["prediction"]["outcome"]


def plan(**changes):
    short = {**study.PLAN["prediction"], "bootstrap": 12, "permutations": 6, **changes}
    return {**study.PLAN, "prediction": short}


def rows_of(cohort, settings):
    table = estimates_table(*prediction_numbers(landmark_rows(cohort), settings))
    return table.set_index("number_id", drop=False)


def not_run(rows, analysis):
    chosen = (rows["analysis"] == analysis) & (rows["quantity"] == "not_run")
    return rows.loc[chosen, "note"].tolist()


@pytest.fixture(scope="module")
def rows():
    return rows_of(study.cohort(), plan())


def test_the_same_seed_gives_the_same_rows_and_another_seed_others(rows):
    again = rows_of(study.cohort(), plan())
    assert again.equals(rows)
    other = rows_of(study.cohort(), plan(seed=1))
    address = number_id(PERFORMANCE, OUTCOME, ("with_metrics", "optimism"), "uno_c")
    assert other.loc[address, "estimate"] != rows.loc[address, "estimate"]


def test_corrected_is_apparent_less_optimism_and_differences_are_paired(rows):
    for measure in ("harrell_c", "uno_c", "auc", "brier", "calibration_slope"):
        kinds = [
            rows.loc[number_id(PERFORMANCE, OUTCOME, ("with_metrics", kind), measure), "estimate"]
            for kind in ("apparent", "optimism", "corrected")
        ]
        assert kinds[2] == pytest.approx(kinds[0] - kinds[1], abs=1e-12)
    values = {
        model: rows.loc[number_id(PERFORMANCE, OUTCOME, (model, "corrected"), "auc"), "estimate"]
        for model in ("reference", "with_metrics", "added")
    }
    difference = values["with_metrics"] - values["reference"]
    assert values["added"] == pytest.approx(difference, abs=1e-12)


def test_pure_noise_is_found_to_add_nothing_but_only_after_correction(rows):
    """The invented cohort draws metrics and injuries independently of each other."""
    apparent = rows.loc[
        number_id(PERFORMANCE, OUTCOME, ("with_metrics", "apparent"), "auc"), "estimate"
    ]
    corrected = rows.loc[number_id(PERFORMANCE, OUTCOME, ("with_metrics", "corrected"), "auc")]
    assert corrected["estimate"] < apparent
    assert rows.loc[number_id(NULL, OUTCOME, "with_metrics", "auc"), "estimate"] > 0.5


def test_every_number_names_its_conventions_and_no_row_is_of_an_athlete(rows):
    assert (rows["family"] == "exploratory").all()
    shown = rows.loc[rows["quantity"] != "not_run"]
    assert (shown["horizon_days"] == 730).all()
    intervals = shown.loc[shown["ci_low"].notna()]
    assert len(intervals)
    assert (intervals["ci_type"] != "").all()
    text = rows.to_csv()
    assert not any(code in text for code in study.cohort()["athlete_id"])
    # Points of the curves come from the settings, not from the athletes.
    fewer = rows_of(study.cohort(100), plan())
    assert set(fewer["analysis"]) == set(ANALYSES)
    curves = [(table["analysis"] == "prediction_curve").sum() for table in (rows, fewer)]
    assert curves[0] == curves[1] == 4 * 6 + 2 * 20


def test_the_first_sentence_says_that_the_sample_is_too_small(rows):
    context = Context(rows.reset_index(drop=True), study.STUDY, study.PROCESSING, plan())
    first = str(prediction_sentences(context, Ledger(context.estimates, "test"))[0])
    assert "too small to build a prediction model" in first
    needed = rows.loc[number_id(SIZE, OUTCOME, "required", "athletes"), "estimate"]
    assert needed > rows.loc[number_id(SIZE, OUTCOME, "found", "athletes"), "estimate"]


def constant_metric(cohort):
    return cohort.assign(flight_time_jump=0.5)


def constant_covariate(cohort):
    return cohort.assign(graft="hamstring")


def no_events(cohort):
    return cohort.assign(cause=0, event="lost")


def nobody_complete(cohort):
    return cohort.assign(flight_time_jump=np.nan)


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (constant_metric, "flight_time_jump has the same value in every athlete"),
        (constant_covariate, "graft has the same value in every athlete"),
        (no_events, "no athlete had the event by the horizon of 730 days"),
        (nobody_complete, "fewer than two athletes have all metrics"),
    ],
)
def test_what_carries_no_model_is_refused_by_every_part_with_one_reason(change, reason):
    rows = rows_of(change(study.cohort()), plan())
    assert (rows["quantity"] == "not_run").all()
    for analysis in ANALYSES:
        assert reason in not_run(rows, analysis)[0]


def test_events_after_an_early_horizon_do_not_count():
    cohort = study.cohort()
    cohort["followup_days"] = cohort["followup_days"].clip(lower=200)
    rows = rows_of(cohort, plan(horizon_days=100.0))
    assert "no athlete had the event by the horizon of 100 days" in not_run(rows, SIZE)[0]


def test_one_site_is_judged_as_a_whole_and_not_by_site():
    rows = rows_of(study.cohort().assign(site="harbour"), plan())
    assert "one site" in not_run(rows, SITES)[0]
    assert not not_run(rows, PERFORMANCE)


def test_all_events_in_one_site_leave_no_site_to_judge():
    cohort = study.cohort()
    away = cohort["site"] != "harbour"
    cohort.loc[away, ["cause", "event", "followup_days"]] = [0, "horizon", 730.0]
    rows = rows_of(cohort, plan(smallest_site_events=2))
    reasons = not_run(rows, SITES)
    assert len(reasons) == len(study.SITES)
    assert sum("events at this site: 0" in reason for reason in reasons) == 2
    assert sum("not built without this site" in reason for reason in reasons) == 1


def test_a_plan_without_prediction_runs_nothing_and_says_so(tmp_path):
    write_table(study.cohort(), tmp_path / "cohort.parquet", "cohort")
    prediction(
        cohort=tmp_path / "cohort.parquet",
        estimates=tmp_path / "numbers.parquet",
        plan={**study.PLAN, "prediction": None},
        freeze=study.FROZEN,
    )
    found = read_table(tmp_path / "numbers.parquet")
    assert found["note"].tolist() == [NOT_ASKED] * len(ANALYSES)
    assert (found["quantity"] == "not_run").all()


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"bootstrap": 200}, "greater than or equal to 500"),
        ({"outcome": "cold"}, "'cold' is no outcome"),
        ({"metrics": ["peak_vgrf"]}, "'peak_vgrf' is no predictor of the plan"),
        ({"horizon_days": 900}, "later than the horizon of the plan"),
        ({"thresholds": {"first": 0.3, "last": 0.1, "step": 0.05}}, "must lie above the first"),
        ({"penalties": [4, 1]}, "rising values"),
        ({"bootstraps": 500}, "bootstraps"),
    ],
)
def test_a_wrong_prediction_in_the_plan_is_refused_with_its_place(changes, expected):
    wrong = {**study.PLAN, "prediction": {**study.PLAN["prediction"], **changes}}
    with pytest.raises(StudyError) as stopped:
        validate(PlanSettings, wrong, "plan.yaml")
    assert expected in str(stopped.value)
