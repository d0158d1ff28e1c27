"""The bundle for R: what is in it, what R says, and what is said without R.

Source of the numbers compared: R itself (packages survival, lme4), where it is installed.
"""

import re
import shutil

import numpy as np
import pandas as pd
import pytest

from analysis.audit import r_bundle
from analysis.audit.r_models import cox_for_r, mixed_for_r
from analysis.estimates import Estimates, estimates_table
from tests.unit import report_study as study

LIMITS = study.PLAN["audit"]["r_bundle"]
needs_r = pytest.mark.skipif(shutil.which("Rscript") is None, reason="R is not installed")


def cohort(size: int = 200) -> pd.DataFrame:
    """Return a cohort with enough events for the primary models, ties among their times."""
    random = np.random.default_rng(7)
    table = pd.DataFrame(
        {
            "athlete_id": [f"A{i:04d}" for i in range(size)],
            "site": random.choice(study.SITES, size),
            "sex": random.choice(["female", "male"], size),
            "age_at_surgery_years": random.integers(15, 35, size).astype(float),
            "injured_side": random.choice(["left", "right"], size),
            "included": True,
            "followup_days": random.integers(1, 60, size) * 10.0,
            "event": random.choice(
                ["graft_rupture", "contralateral_tear", "end_of_study"], size, p=[0.2, 0.2, 0.6]
            ),
        }
    )
    table["cause"] = table["event"].map({"graft_rupture": 1, "contralateral_tear": 2}).fillna(0)
    for predictor in study.PLAN["primary"]:
        table[predictor["name"]] = random.normal(10.0, 2.0, size)
    return table


def trials(people: pd.DataFrame) -> pd.DataFrame:
    """Return trials of both limbs at two visits, with a limb difference that varies."""
    random, rows = np.random.default_rng(8), []
    for athlete in people["athlete_id"].iloc[:40]:
        level, difference = random.normal(50.0, 8.0), random.normal(-6.0, 3.0)
        for visit in ("clearance", "follow_up"):
            shift = random.normal(0.0, 3.0)
            for limb, trial in [(x, n) for x in ("involved", "uninvolved") for n in (1, 2, 3)]:
                value = level + shift + difference * (limb == "involved") + random.normal(0, 2)
                rows.append((athlete, visit, limb, trial, value))
    table = pd.DataFrame(rows, columns=["athlete_id", "visit", "limb", "trial", "value"])
    return table.assign(
        metric="knee_flexion_excursion",
        sensor="gyro",
        task="single_leg_drop_landing",
        landing=1,
        unit="deg",
        valid=True,
        site=table["athlete_id"].map(people.set_index("athlete_id")["site"]),
    )


@pytest.fixture(scope="module")
def models():
    people = cohort()
    clearance = study.STUDY["clearance_visit"]
    return [
        *cox_for_r(people, study.PLAN),
        *mixed_for_r(trials(people), people, study.PLAN, clearance),
    ]


def found(numbers: Estimates) -> pd.Series:
    return estimates_table(numbers).set_index("number_id")["estimate"]


def test_the_models_are_those_of_the_plan(models):
    names = [model.name for model in models]
    assert names == [
        *(f"cox_{outcome}" for outcome in study.PLAN["primary_outcomes"]),
        "limb_difference_knee_flexion_excursion_gyro_single_leg_drop_landing",
    ]
    assert not any(model.reason for model in models)


def test_a_bundle_holds_no_identifier_and_no_order_of_athletes(models, tmp_path):
    folder = tmp_path / "bundle"
    r_bundle.write_bundle(models, folder)
    text = "".join(path.read_text(encoding="utf-8") for path in sorted(folder.iterdir()))
    assert re.search(r"A\d{4}", text) is None
    cox = "".join(path.read_text(encoding="utf-8") for path in folder.glob("cox_*.csv"))
    assert not any(site in cox for site in study.SITES)
    times = pd.read_csv(folder / f"{models[0].name}.csv")["time"]
    assert times.is_monotonic_increasing
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    r_bundle.write_bundle(models, folder)
    assert before == {path.name: path.read_bytes() for path in folder.iterdir()}
    expected = pd.read_csv(folder / "expected.csv", float_precision="round_trip")
    assert expected["coefficient"].iloc[0] == models[0].coefficients[0]


@needs_r
def test_r_finds_the_same(models, tmp_path):
    folder = tmp_path / "bundle"
    r_bundle.write_bundle(models, folder)
    numbers = found(r_bundle.r_numbers(models, folder, LIMITS))
    for model in models:
        base = f"r_second_opinion.{'.'.join(model.subject)}.all"
        assert numbers[f"{base}.passed"] == 1.0
        assert abs(numbers[f"{base}.relative_difference_of_log_likelihood"]) < 1e-8
        limit = 1e-6 if model.kind == "cox" else 1e-4
        assert abs(numbers[f"{base}.largest_difference_in_standard_errors"]) < limit
    assert sorted(path.name for path in folder.glob("r_numbers*")) == []


def test_a_wrong_coefficient_does_not_pass(models):
    """By hand: R's numbers are ours, but one coefficient is off by a hundredth of its error."""
    model = models[0]
    by_r = pd.DataFrame(
        {
            "model": model.name,
            "coefficient": model.coefficients + np.eye(len(model.names))[0] * model.errors * 0.01,
            "standard_error": model.errors,
            "log_likelihood": model.log_likelihood,
            "version": "R",
        }
    )
    numbers = Estimates("r_second_opinion")
    r_bundle.compare_with_r(model, by_r, LIMITS, numbers)
    values = found(numbers)
    base = f"r_second_opinion.{'.'.join(model.subject)}.all"
    assert values[f"{base}.largest_difference_in_standard_errors"] == pytest.approx(0.01)
    assert values[f"{base}.passed"] == 0.0


def test_without_r_the_run_says_so(models, tmp_path, monkeypatch):
    monkeypatch.setattr(shutil, "which", lambda program: None)
    table = estimates_table(r_bundle.r_numbers(models, tmp_path, LIMITS))
    assert table["quantity"].tolist() == ["not_run"]
    assert table["note"].tolist() == ["R is not installed"]


@needs_r
def test_r_that_fails_is_told(models, tmp_path):
    folder = tmp_path / "bundle"
    r_bundle.write_bundle(models, folder)
    (folder / "models.R").write_text('stop("no such model")\n')
    table = estimates_table(r_bundle.r_numbers(models, folder, LIMITS))
    assert table["quantity"].tolist() == ["not_run"]
    assert table["note"].iloc[0].startswith("R failed")


def test_a_model_without_finite_estimates_is_not_compared():
    people = cohort()
    name = study.PLAN["primary"][0]["name"]
    people[name] = (people["event"] == "graft_rupture") * 5.0
    first = next(cox_for_r(people, study.PLAN))
    assert first.reason != ""
