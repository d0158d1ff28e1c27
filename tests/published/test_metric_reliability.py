"""Reliability of metrics: planted components, the formula of Spearman and Brown, clear refusals."""

import numpy as np
import pandas as pd
import pytest

from analysis.estimates import estimates_table
from analysis.models.metric_reliability import one_group, reliabilities
from analysis.models.reliability_rows import Deviations, trials_to_reach
from analysis.reliability.trials import trials_needed
from tests.unit.report_study import PLAN

TRUE = {"athlete": 3.0, "visit": 1.0, "trial": 2.0}


def trials_of(athletes, visits=("clearance", "follow_up"), trials=3, seed=0):
    rng = np.random.default_rng(seed)
    rows = []
    for number in range(athletes):
        own = rng.normal(0.0, TRUE["athlete"])
        for visit in visits:
            level = 50.0 + own + rng.normal(0.0, TRUE["visit"])
            rows += [
                {
                    "athlete_id": f"A{number:04d}",
                    "site": ("harbour", "meadow", "ridge")[number % 3],
                    "visit": visit,
                    "trial": trial,
                    "value": level + rng.normal(0.0, TRUE["trial"]),
                    "unit": "deg",
                    "censoring": "none",
                    "injured_side": "left",
                    "age_at_surgery_years": 20.0 + number % 7,
                    "sex": ("female", "male")[number % 2],
                }
                for trial in range(1, trials + 1)
            ]
    return pd.DataFrame(rows)


LEVELS = ("knee_flexion_excursion", "camera", "single_leg_drop_landing", "1", "involved")
START = "metric_reliability." + ".".join((*LEVELS[:3], LEVELS[4]))


def numbers(rows, levels=LEVELS, trials=3):
    found = one_group(levels, rows, trials, PLAN, "clearance")
    return estimates_table(found).set_index("number_id")


def test_planted_components_are_recovered():
    cohorts = [numbers(trials_of(300, seed=seed))["estimate"] for seed in range(1, 7)]
    found = pd.concat(cohorts, axis=1).mean(axis=1)
    # The standard deviation of the visit component varies by 0.10 between such cohorts (24 of
    # them), that of the athlete by 0.14: three standard errors of a mean of six.
    bounds = {"athlete": 0.17, "visit": 0.13, "trial": 0.05}
    for term, value in TRUE.items():
        assert found[f"{START}.{term}.standard_deviation"] == pytest.approx(value, abs=bounds[term])
    expected = 9.0 / (9.0 + 1.0 + 4.0 / 3.0)
    assert found[f"{START}.mean_of_trials.reliability"] == pytest.approx(expected, abs=0.03)
    one = cohorts[0]
    named = f"{START}.error_of_mean.standard_error_of_measurement"
    change = one[f"{START}.detectable_change.detectable_change"]
    # de Vet 2006: 1.96 sqrt(2) standard errors
    assert change == pytest.approx(1.96 * np.sqrt(2) * one[named], rel=1e-9)


def test_without_variation_of_visits_trials_follow_spearman_and_brown():
    for trial in (0.5, 1.0, 2.0, 3.0):
        found = Deviations(athlete=2.0, visit=0.0, trial=trial, draws=None)
        single = 4.0 / (4.0 + trial**2)
        for target in (0.8, 0.9):
            assert trials_to_reach(found, target) == (trials_needed(single, target), "")


def test_the_variation_of_visits_sets_a_ceiling():
    found = Deviations(athlete=2.0, visit=1.0, trial=1.0, draws=None)
    count, why = trials_to_reach(found, 0.9)  # the ceiling is 4 / 5
    assert count is None
    assert "0.80" in why
    count, _ = trials_to_reach(found, 0.75)
    reached = 4.0 / (4.0 + 1.0 + 1.0 / count)
    before = 4.0 / (4.0 + 1.0 + 1.0 / (count - 1))
    assert before < 0.75 <= reached


def test_athletes_who_do_not_differ_are_reached_by_no_number_of_trials():
    count, why = trials_to_reach(Deviations(0.0, 0.0, 1.0, None), 0.8)
    assert count is None
    assert "do not differ" in why


def test_every_number_has_an_interval_that_holds_it():
    rows = trials_of(60)
    found = numbers(rows)
    drawn = found.loc[found["ci_type"] == "parametric bootstrap, percentiles"]
    assert len(drawn) == 8 + 10 + 2  # components and what follows, the curve, trials needed
    drawn = found.loc[found["ci_low"].notna() & found["ci_high"].notna()]
    named = drawn["ci_type"].value_counts().to_dict()
    assert named["Q-profile"] == 1
    assert named["F, Shrout & Fleiss 1979"] == named["F, McGraw & Wong 1996"] == 2
    assert named["chi-squared, Satterthwaite df"] == 4
    assert (drawn["ci_low"] <= drawn["estimate"]).all()
    assert (drawn["estimate"] <= drawn["ci_high"]).all()
    again = numbers(rows)
    pd.testing.assert_frame_equal(found, again)


def test_one_visit_only_is_told():
    found = numbers(trials_of(30, visits=("clearance",)))
    assert "nobody has two visits" in found["note"].iloc[0]
    # a reliability between visits cannot come from one visit: empty, never a number too high
    for term, quantity in (
        ("visit", "standard_deviation"),
        ("one_trial", "reliability"),
        ("mean_of_trials", "reliability"),
        ("detectable_change", "detectable_change"),
        ("for_80", "trials_needed"),
    ):
        row = found.loc[f"{START}.{term}.{quantity}"]
        assert pd.isna(row["estimate"])
        assert "nobody has two visits" in row["note"]
    assert 0.0 < found.loc[f"{START}.within_visit.reliability", "estimate"] < 1.0


@pytest.mark.parametrize(
    "rows", [trials_of(1), trials_of(20, visits=("clearance",), trials=1)], ids=["one", "single"]
)
def test_too_little_to_tell_is_not_run_with_its_reason(rows):
    found = numbers(rows)
    assert list(found["quantity"]) == ["not_run"]
    assert found["note"].iloc[0]


def test_a_logarithm_of_zero_is_refused():
    rows = trials_of(20).assign(value=0.0)
    levels = ("peak_vgrf", *LEVELS[1:])
    found = estimates_table(one_group(levels, rows, 3, PLAN, "clearance"))
    assert "logarithm" in found["note"].iloc[0]


def test_groups_come_from_the_plan_and_valid_values_only():
    rows = trials_of(12).assign(
        metric=LEVELS[0], sensor=LEVELS[1], task=LEVELS[2], landing=1, limb=LEVELS[4], valid=True
    )
    other = rows.assign(metric="flight_time", limb="both", task="drop_vertical_jump")
    people = rows.drop_duplicates("athlete_id")[
        ["athlete_id", "injured_side", "age_at_surgery_years", "sex"]
    ]
    metrics = pd.concat([rows, other], ignore_index=True).drop(
        columns=["injured_side", "age_at_surgery_years", "sex"]
    )
    parts = list(reliabilities(metrics, people, PLAN, "clearance"))
    assert len(parts) == 1


def test_a_deviation_of_logarithms_is_told_as_a_share_for_sites_too():
    levels = ("peak_vgrf", *LEVELS[1:])
    found = numbers(trials_of(30), levels)
    start = ".".join(("metric_reliability", "peak_vgrf", *LEVELS[1:3], LEVELS[4]))
    for term in ("site", "athlete", "trial"):
        log, share = (
            found.loc[f"{start}.{term}.standard_deviation"],
            found.loc[f"{start}.{term}.share_of_value"],
        )
        assert share["estimate"] == pytest.approx(np.exp(log["estimate"]) - 1)
        assert share["ci_high"] == pytest.approx(np.exp(log["ci_high"]) - 1)
