"""Studies in which something is missing altogether still reach their tables, with the reasons.

No outside source: what must hold is that a step refuses in words and never fails or shows an empty
number as if it were one.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from analysis.estimates import collect_estimates
from analysis.models import limb_difference
from analysis.models.agreement import agreement_of_sensors
from analysis.models.asymmetry import asymmetry_of_limbs
from analysis.models.calibrated_cox import calibrated_cox
from analysis.models.contact_lag import contact_lag_of_waist
from analysis.models.cox_alternatives import cox_alternatives
from analysis.models.cox_models import cox_models
from analysis.models.cox_sensitivity import cox_sensitivity
from analysis.models.cumulative_incidence import incidence_curves
from analysis.models.flow import flow_diagram
from analysis.models.force_model import force_from_waist
from analysis.models.impute_cohort import impute_cohort
from analysis.models.incidence_rates import incidence_rates
from analysis.models.known_groups import known_groups
from analysis.models.limb_checks import limb_checks
from analysis.models.metric_reliability import metric_reliability
from analysis.models.native_rate import native_rate
from analysis.models.prediction import prediction
from analysis.models.sensor_answer import sensor_answer
from analysis.models.shifted_cox import shifted_cox
from analysis.models.table_one import table_one
from analysis.report.context import Context
from analysis.report.ledger import Ledger
from analysis.tables.journal import as_csv, as_html
from analysis.tables.write import TABLES
from shared.tables import read_table
from tests.unit import cohort_tables as tables
from tests.unit import report_study

OF_METRICS = (
    limb_difference.limb_differences, limb_checks, metric_reliability, known_groups,
    force_from_waist, asymmetry_of_limbs, agreement_of_sensors, contact_lag_of_waist,
)  # fmt: skip
OF_OUTCOMES = (
    flow_diagram, table_one, cox_models, incidence_curves, incidence_rates, calibrated_cox,
    sensor_answer, cox_sensitivity, cox_alternatives, native_rate, prediction, impute_cohort,
    shifted_cox,
)  # fmt: skip

Change = Callable[[pd.DataFrame, pd.DataFrame, pd.DataFrame], tuple[pd.DataFrame, ...]]


def nothing_valid(people, ends, metrics):
    """As after a protocol error: every landing was refused, no value is left."""
    return people, ends, metrics.assign(valid=False, value=np.nan, flags="not_synchronous")


def values_not_valid(people, ends, metrics):
    return people, ends, metrics.assign(valid=False)


def no_metrics(people, ends, metrics):
    return people, ends, metrics.iloc[:0]


def one_site(people, ends, metrics):
    kept = people.loc[people["site"] == "harbour"].reset_index(drop=True)
    of_site = [
        table.loc[table["athlete_id"].isin(kept["athlete_id"])].reset_index(drop=True)
        for table in (ends, metrics)
    ]
    return kept, *of_site


def no_plate(people, ends, metrics):
    return people, ends, metrics.loc[metrics["sensor"] != "plate"].reset_index(drop=True)


def no_gyroscope(people, ends, metrics):
    return people, ends, metrics.loc[metrics["sensor"] != "gyro"].reset_index(drop=True)


def no_events(people, ends, metrics):
    return people, ends.assign(event="lost", side="", contact="", confirmed_by=""), metrics


def no_outcomes(people, ends, metrics):
    return people, ends.iloc[:0], metrics


def one_event(people, ends, metrics):
    changed = ends.assign(event="lost", side="", contact="", confirmed_by="")
    changed.loc[4, ["event", "side", "contact"]] = ["graft_rupture", "left", "no"]
    return people, changed, metrics


def other_tasks(people, ends, metrics):
    """As after a wrong list of tasks: nothing was measured in a task of the plan."""
    return people, ends, metrics.assign(task="cut")


CHANGES = (
    nothing_valid, values_not_valid, no_metrics, one_site, no_plate, no_gyroscope, no_events,
    no_outcomes, one_event, other_tasks,
)  # fmt: skip
WITHOUT_METRICS = (nothing_valid, values_not_valid, no_metrics, other_tasks)
WITHOUT_EVENTS = (no_events, no_outcomes)
OUTCOMES_CHANGED = (no_events, no_outcomes, one_event)


def settings() -> dict[str, Any]:
    plan = tables.plan()
    plan["sensitivity"]["simex"]["refits"] = 20
    plan["mixed"]["reliability_refits"] = 5
    plan["prediction"] |= {"bootstrap": 20, "permutations": 10}
    plan["force_model"] |= {"models": ["linear", "log_log"], "folds": 3}
    return plan


def run(step: Any, folder: Path, paths: dict[str, Path]) -> Path:
    """Run a step with whatever of tables and settings it asks for."""
    name = step.__name__
    offered = {
        **paths,
        "native_summaries": paths["summaries"],
        "estimates": folder / f"numbers_{name}.parquet",
        "force_estimates": folder / "forces.parquet",
        "force_held_out": folder / "held_out.parquet",
        "plan": settings(),
        "study": report_study.STUDY,
        "freeze": tables.FROZEN,
        "minimum_valid_trials": 2,
    }
    step(**{key: offered[key] for key in inspect.signature(step).parameters})
    return offered["estimates"]


def write_changed_study(folder: Path, change: Change) -> dict[str, Path]:
    rng = np.random.default_rng(11)
    people = tables.athletes(27, rng)
    ends = tables.outcomes(people, rng)
    metrics = tables.trials(people, tables.all_predictors(), rng)
    paths = tables.build(folder, *change(people, ends, metrics))
    landings = read_table(paths["metrics"])[["landing_id", "task"]].drop_duplicates()
    paths["landings"] = folder / "landings.parquet"
    landings.assign(box_height_m=0.3).to_parquet(paths["landings"])
    return paths


@pytest.fixture(scope="module", params=CHANGES, ids=lambda change: change.__name__)
def study(request, tmp_path_factory):
    """All numbers of a study in which something is missing.

    Bootstrap and second fits by a library are cut short: they take most of the time.
    """
    folder = tmp_path_factory.mktemp(request.param.__name__)
    paths = write_changed_study(folder, request.param)
    with pytest.MonkeyPatch.context() as shortened:
        shortened.setattr(limb_difference, "LIBRARY_ATHLETES", 0)
        steps = OF_OUTCOMES if request.param in OUTCOMES_CHANGED else (*OF_METRICS, *OF_OUTCOMES)
        parts = [run(step, folder, paths) for step in steps]
    collect_estimates(parts=parts, estimates=folder / "estimates.parquet")
    return request.param, read_table(folder / "estimates.parquet")


def test_every_analysis_says_something(study):
    change, rows = study
    begun = {name.split("_")[0] for name in rows["analysis"]}
    expected = {"flow", "table", "cox", "cumulative", "incidence", "sensor", "native", "prediction"}
    if change not in OUTCOMES_CHANGED:
        expected |= {"limb", "metric", "known", "force", "asymmetry", "agreement", "contact"}
    assert expected <= begun
    for analysis in (
        "cox_primary", "cox_second_opinion", "cox_calibrated_trial_error", "cox_simex_trial_error",
    ):  # fmt: skip
        assert (rows["analysis"] == analysis).any(), analysis


def test_reasons_are_sentences_for_people(study):
    _, rows = study
    reasons = rows.loc[rows["quantity"] == "not_run", "note"]
    assert len(reasons)
    assert reasons[reasons.str.len() <= 15].tolist() == []
    code = reasons.str.contains(r"\bnan\b|Error|index|array|Traceback|None", case=True)
    assert reasons[code].tolist() == []


def test_an_empty_number_says_why(study):
    _, rows = study
    empty = rows["estimate"].isna() & (rows["quantity"] != "not_run") & (rows["note"] == "")
    assert rows.loc[empty, "number_id"].tolist() == []


def test_no_model_of_metrics_has_numbers_without_metrics(study):
    change, rows = study
    if change not in WITHOUT_METRICS:
        pytest.skip("this study has metrics")
    models = rows["analysis"].str.match("cox_|limb_|metric_reliability|sensor_|measurement_")
    assert models.any()
    assert (rows.loc[models, "quantity"] == "not_run").all()


def test_no_model_of_outcomes_has_numbers_without_events(study):
    change, rows = study
    if change not in WITHOUT_EVENTS:
        pytest.skip("this study has events")
    models = rows["analysis"].str.startswith("cox_")
    assert models.any()
    assert (rows.loc[models, "quantity"] == "not_run").all()


@pytest.mark.parametrize("name", TABLES)
def test_no_table_shows_a_number_that_is_none(study, name):
    _, rows = study
    context = Context(rows, report_study.STUDY, report_study.PROCESSING, settings())
    table = TABLES[name](context, Ledger(rows, name))
    text = as_csv(table) + as_html(table, 1)
    for empty in ("nan", "NaN", "<NA>", ">None<", "inf "):
        assert empty not in text.replace("instance", "")
    assert table.rows or table.absent
