"""Estimated forces as tables and numbers: who trained what, what never mixes, same bytes."""

import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analysis.force_model.inputs import Inputs
from analysis.force_model.landings import SCOPES, PerLimbError, force_landings
from analysis.models import force_output
from analysis.models.force_errors import limb_errors
from analysis.models.force_ladder import climb
from analysis.models.force_model import force_from_waist
from analysis.models.force_output import estimated_forces
from shared.schemas import schema_of
from shared.sources import ROOT, sources_of
from shared.tables import read_table
from tests.unit import force_study as study
from tests.unit import report_study

QUICK = {**study.SETTINGS, "models": ["linear", "boosting"]}


@pytest.fixture(scope="module")
def forces() -> dict[str, pd.DataFrame]:
    return {
        name: estimated_forces(rows, ladder, study.SETTINGS, study.TASKS)
        for name, (rows, ladder) in study.ladders().items()
    }


def run(folder: Path, name: str) -> list[Path]:
    for table, part in zip(("metrics", "landings", "athletes"), study.tables(), strict=True):
        part.to_parquet(folder / f"{table}.parquet")
    out = [folder / f"{part}{name}.parquet" for part in ("estimates", "forces", "held_out")]
    force_from_waist(
        metrics=folder / "metrics.parquet",
        landings=folder / "landings.parquet",
        athletes=folder / "athletes.parquet",
        estimates=out[0],
        force_estimates=out[1],
        force_held_out=out[2],
        plan={"force_model": QUICK, "confidence_level": 0.95},
        study={"tasks": study.TASKS},
    )
    return out


def test_the_step_writes_the_same_bytes_twice(tmp_path):
    first, second = run(tmp_path, "1"), run(tmp_path, "2")
    for one, two in zip(first, second, strict=True):
        assert one.read_bytes() == two.read_bytes()
    assert len(read_table(first[1])) == len(study.tables()[1])


def test_without_any_plate_the_reason_is_given_and_no_force(tmp_path, monkeypatch):
    metrics, landings, athletes = study.tables()
    worn = metrics.loc[metrics["sensor"] == "waist"]
    monkeypatch.setattr(study, "tables", lambda: (worn, landings, athletes))
    estimates, forces, held_out = (read_table(path) for path in run(tmp_path, ""))
    assert list(estimates["quantity"]) == ["not_run"] * 2
    assert estimates["note"].str.contains("no landing has a valid force").all()
    assert len(forces) == len(held_out) == 0


def test_no_estimate_comes_from_a_model_that_saw_the_athlete(monkeypatch):
    """Each prediction is watched together with the athletes its model was trained on."""
    rows, ladder = study.ladders()["single_leg"]
    trained: list[set[str]] = []
    predicted: list[set[str]] = []
    fit_without = force_output.fit_without

    class Watched:
        def __init__(self, fitted, athletes: set[str]):
            self.fitted, self.athletes = fitted, athletes

        def predict(self, inputs: Inputs):
            trained.append(self.athletes)
            predicted.append(set(inputs.athlete))
            return self.fitted.predict(inputs)

        def prediction_error(self, inputs: Inputs):
            return self.fitted.prediction_error(inputs)

    def watched(model, inputs, force, folds, usable, fold):
        fitted = fit_without(model, inputs, force, folds, usable, fold)
        return Watched(fitted, set(inputs.athlete[usable & (folds != fold)]))

    monkeypatch.setattr(force_output, "fit_without", watched)
    found = force_output.estimated_forces(rows, ladder, study.SETTINGS, study.TASKS)
    assert len(predicted) == 5  # four folds, and the athletes without plates
    for seen, asked in zip(trained, predicted, strict=True):
        assert not seen & asked
    assert set.union(*predicted) == set(rows["athlete_id"]) == set(found["athlete_id"])


def test_an_athletes_own_forces_do_not_move_the_athletes_estimates(forces):
    """Doubling the measured force of one athlete changes the estimates of others only."""
    metrics, landings, athletes = study.tables()
    mine = (metrics["athlete_id"] == "A0000") & (metrics["sensor"] == "plate")
    changed = metrics.assign(value=metrics["value"].where(~mine, 2.0 * metrics["value"]))
    scope = SCOPES[0]
    rows = force_landings(changed, landings, athletes, study.TASKS, scope, 0.95)
    ladder = climb(scope, rows, {**study.SETTINGS, "models": ["linear"]}, 0.95)
    plain = climb(
        scope, study.ladders()[scope.name][0], {**study.SETTINGS, "models": ["linear"]}, 0.95
    )
    after = estimated_forces(rows, ladder, study.SETTINGS, study.TASKS)
    before = estimated_forces(rows, plain, study.SETTINGS, study.TASKS)
    difference = np.abs(after["vgrf_estimated_bw"] - before["vgrf_estimated_bw"])
    own = before["fold"] == int(before.loc[before["athlete_id"] == "A0000", "fold"].iloc[0])
    assert difference[own].max() == 0.0
    assert difference[~own].min() > 0.0


def test_sites_without_plates_have_estimates_by_a_model_of_all_plate_sites(forces):
    for name, table in forces.items():
        ridge = table["site"] == study.SITES[-1]
        assert set(table.loc[ridge, "fold"]) == {0}
        assert len(set(table.loc[ridge, "model_id"])) == 1
        assert set(table.loc[~ridge, "fold"]) == {1, 2, 3, 4}
        assert table["model_id"].nunique() == 5
        assert table["model_id"].str.contains(f".{name}.", regex=False).all()


def test_estimated_and_measured_force_never_share_a_column():
    """No column of the table to use is a measured force; the table to judge has one of each."""
    used = schema_of("force_estimates").names
    judged = schema_of("force_held_out").names
    assert [name for name in used if "vgrf" in name] == [
        "vgrf_estimated_bw",
        "vgrf_estimated_se_bw",
    ]
    assert [name for name in judged if "vgrf" in name] == ["vgrf_held_out_bw", "vgrf_measured_bw"]
    held = study.held_out()
    rows = study.tables()[0].query("sensor == 'plate'").set_index("landing_id")["value"]
    np.testing.assert_array_equal(held["vgrf_measured_bw"], rows.loc[held["landing_id"]])


def test_two_leg_landings_are_estimated_for_the_whole_body_only(forces):
    assert set(forces["whole_body"]["side"]) == {"both"}
    assert set(forces["single_leg"]["side"]) == {"left", "right"}
    rows, ladder = study.ladders()["whole_body"]
    for side in ("left", "right"):
        with pytest.raises(PerLimbError):
            estimated_forces(rows.assign(side=side), ladder, study.SETTINGS, study.TASKS)


def test_clipped_peaks_are_marked_judged_apart_and_do_not_train(forces):
    rows, ladder = study.ladders()["single_leg"]
    assert ladder.rows["clipped"].sum() > 5
    assert not (ladder.usable & ladder.rows["clipped"]).any()
    table = forces["single_leg"].set_index("landing_id")["censoring"]
    assert set(table[rows.loc[rows["clipped"], "landing_id"]]) == {"right"}
    assert set(table[rows.loc[~rows["clipped"], "landing_id"]]) == {"none"}
    found = {row["number_id"]: row for part in study.numbers() for row in part.rows()}
    kept = ladder.kept.name
    clipped = found[f"force_model.single_leg.athletes_left_out.{kept}.clipped.rmse"]
    assert clipped["n_trials"] == ladder.rows["clipped"].sum()
    overall = found[f"force_model.single_leg.athletes_left_out.{kept}.rmse"]
    assert overall["n_trials"] == ladder.usable.sum()


def test_a_differential_error_of_the_limbs_is_found_and_none_is_not_made_up():
    """Planted: estimates of the involved limb 0.20 BW too low in one of two equal sets."""
    random = np.random.default_rng(8)
    rows = pd.DataFrame(
        [
            (f"A{athlete:02d}", visit, limb)
            for athlete in range(30)
            for visit in ("clearance", "follow_up")
            for limb in ("involved", "uninvolved")
            for _ in range(3)
        ],
        columns=["athlete_id", "visit", "limb"],
    ).assign(injured_side="left")
    measured = random.normal(4.5, 0.4, len(rows))
    estimated = measured + random.normal(0.0, 0.2, len(rows))
    involved = (rows["limb"] == "involved").to_numpy()
    none = limb_errors(rows, estimated, measured, 0.95).difference
    biased = limb_errors(rows, estimated - 0.2 * involved, measured, 0.95)
    assert none.low < 0.0 < none.high
    assert biased.difference.estimate == pytest.approx(none.estimate - 0.2, abs=1e-6)
    assert biased.difference.high < 0.0
    assert biased.log_ratio.high < 0.0
    nearly = measured * 1.1 * np.exp(random.normal(0.0, 1e-6, len(rows)))
    perfect = limb_errors(rows, nearly, measured, 0.95).symmetry_r_squared
    assert perfect.value == pytest.approx(1.0, abs=1e-6)
    # Limb ratios that have nothing to do with each other: the interval begins at none, not below.
    unrelated = measured * np.exp(random.normal(0.0, 0.5, len(rows)))
    nothing = limb_errors(rows, unrelated, measured, 0.95).symmetry_r_squared
    assert nothing.low == 0.0
    assert 0.0 <= nothing.value < nothing.high < 0.4


def test_every_model_is_judged_on_athletes_and_on_two_named_sites():
    found = {row["number_id"] for part in study.numbers() for row in part.rows()}
    for scope in ("single_leg", "whole_body"):
        for validation in ("athletes_left_out", "sites_left_out"):
            for model in study.SETTINGS["models"]:
                assert f"force_model.{scope}.{validation}.{model}.rmse" in found
    assert any(".sites_left_out." in name and ".site.meadow.rmse" in name for name in found)
    assert not any(".site.ridge." in name for name in found)


def test_no_model_of_injury_can_reach_the_estimated_forces():
    """The sources of the survival and cohort steps do not import the force models."""
    for step in (
        "analysis.cohort.landmark:build_cohort",
        "analysis.models.cox_models:cox_models",
        "analysis.models.calibrated_cox:calibrated_cox",
    ):
        names = [path.relative_to(ROOT).as_posix() for path in sources_of(step)]
        assert not [name for name in names if re.search(r"analysis/.*force_", name)]
    assert "force_model" in report_study.PLAN
