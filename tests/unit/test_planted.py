"""The demo's comparison with its truth: exact where the answer is known by construction."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from analysis.estimates import estimates_table
from analysis.models.cox_design import cox_design
from analysis.models.planted_effects import expected_naive, planted_log_ratio
from analysis.models.planted_signals import (
    errors_of_metrics,
    found_pairs,
    metric_numbers,
    nuisance_numbers,
)
from tests.unit import cohort_tables as tables


def design(cohort: pd.DataFrame):
    return cox_design(cohort, tables.plan()["primary"][:2], tables.plan(), ["graft_rupture"])


def cohort(count: int, rng: np.random.Generator, error: float) -> tuple[pd.DataFrame, np.ndarray]:
    """Return a cohort whose two predictors are standard normal truths plus normal error."""
    people = tables.athletes(count, rng)
    true = rng.standard_normal((count, 2))
    names = [predictor["name"] for predictor in tables.plan()["primary"][:2]]
    measured = true + error * rng.standard_normal((count, 2))
    ends = {"followup_days": 730.0, "cause": (np.arange(count) % 2).astype(int)}
    return people.assign(**dict(zip(names, measured.T, strict=True)), **ends), true


def test_without_error_the_naive_effect_is_the_planted_one():
    table, true = cohort(500, np.random.default_rng(1), 0.0)
    planted = np.log([0.6, 1.6])
    scale = true.std(axis=0, ddof=1)
    found = expected_naive(design(table), true / scale, planted)
    np.testing.assert_allclose(found, planted, atol=1e-12)


def test_error_attenuates_by_the_root_of_the_reliability_per_measured_deviation():
    # Hutcheon et al. 2010, BMJ 340:c2289: the slope shrinks by the reliability; per SD of the
    # measured value, which is larger by its root, the coefficient shrinks by its root.
    table, true = cohort(200_000, np.random.default_rng(2), 0.5)
    found = expected_naive(design(table), true, np.log([0.6, 1.6]))
    np.testing.assert_allclose(found, np.log([0.6, 1.6]) * np.sqrt(1 / 1.25), atol=0.01)


def test_planted_covariates_are_brought_to_the_steps_of_the_plan():
    effects = pd.DataFrame(
        {
            "term": ["age_at_surgery_years", "sex_female"],
            "cause": "graft_rupture",
            "log_hazard_ratio": np.log([0.95, 1.5]),
        }
    )
    table, _ = cohort(50, np.random.default_rng(3), 0.1)
    terms = {term.name: term for term in design(table).terms}
    age = planted_log_ratio(effects, terms["age_at_surgery_years"], "graft_rupture")
    assert age == pytest.approx(5 * np.log(0.95))
    male = planted_log_ratio(effects, terms["sex_male"], "graft_rupture")
    assert male == pytest.approx(-np.log(1.5))


def test_errors_of_metrics_are_extracted_minus_true():
    rng = np.random.default_rng(4)
    people = tables.athletes(9, rng)
    metrics = tables.trials(people, tables.plan()["primary"], rng)
    truth = metrics.assign(value=metrics["value"] - 0.25)
    metrics.loc[0, "valid"] = False
    errors = errors_of_metrics(metrics, truth)
    assert len(errors) == len(metrics) - 1
    np.testing.assert_allclose(errors["error"], 0.25)
    rows = estimates_table(metric_numbers(metrics, truth)).set_index("number_id")
    name = "planted_metrics.knee_flexion_excursion.gyro.single_leg_drop_landing.ridge"
    assert rows.loc[f"{name}.bias", "estimate"] == pytest.approx(0.25)
    assert rows.loc[f"{name}.standard_deviation", "estimate"] == pytest.approx(0, abs=1e-12)
    assert rows.loc[f"{name}.bias", "n_athletes"] == 3


def test_nuisances_are_matched_by_recording_trial_unit_and_athlete():
    def name(athlete: str, side: str = "left", trial: int = 1) -> str:
        return f"{athlete}.clearance.drop.{side}.{trial}.device"

    recordings = pd.DataFrame(
        {
            "recording_id": [name("A1"), name("A2"), name("A3"), name("A4"), name("A5")],
            "site": "ridge",
            "device": "device",
            "flags": ["gap", "gap", "clipped", "clipped", ""],
        }
    )
    metrics = pd.DataFrame(
        {
            "recording_id": [name("A5")],
            "site": ["ridge"],
            "athlete_id": ["A5"],
            "visit": ["clearance"],
            "side": ["left"],
            "flags": ["mirrored_sensor"],
        }
    )
    landings = pd.DataFrame({"landing_id": [name("A2")[:-6] + "involved.1"], "flags": "second_hop"})
    cohort_table = pd.DataFrame(
        {
            "athlete_id": ["A1", "A2"],
            "injured_side": ["both", "left"],
            "excluded_because": ["", "event before clearance"],
        }
    )
    planted = pd.DataFrame(
        [
            ("gap", name("A1")),
            ("missing_samples", name("A2")),
            ("clipped", name("A3")),
            ("second_hop", "A2.clearance.drop.left.1"),
            ("mirrored_sensor", "A5.clearance.left"),
            ("mirrored_sensor", "A6.clearance.left"),
            ("bilateral_case", "A1"),
            ("event_before_clearance", "A2"),
        ],
        columns=["kind", "id"],
    )
    found = found_pairs(recordings, landings, metrics, cohort_table)
    rows = estimates_table(nuisance_numbers(planted, found, recordings))
    counts = rows.set_index("number_id")["estimate"].to_dict()
    for kind in ("gap", "missing_samples", "clipped", "second_hop", "mirrored_sensor"):
        assert counts[f"planted_nuisances.{kind}.found.count"] == 1, kind
    for kind in ("bilateral_case", "event_before_clearance"):
        assert counts[f"planted_nuisances.{kind}.found.count"] == 1, kind
    assert counts["planted_nuisances.mirrored_sensor.planted.count"] == 2
    # A4 is flagged as clipped and nobody planted it; A2's missing samples explain its gap.
    assert counts["planted_nuisances.clipped.flagged_without_cause.count"] == 1
    assert counts["planted_nuisances.gap.flagged_without_cause.count"] == 0
