"""The landmark cohort: who is in, who is out and why, and what the rows hold."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from analysis.cohort.landmark import (
    EVENT_BEFORE_CLEARANCE,
    NO_CLEARANCE_VISIT,
    NO_FOLLOW_UP,
    NO_FOLLOW_UP_RECORD,
    landmark_cohort,
)
from analysis.cohort.outcomes import exposures_until
from shared.tables import read_table
from tests.unit import cohort_tables as tables

IDS = [f"A{number:04d}" for number in range(1, 7)]


def cohort_of(ends: dict[str, tuple[str, float, float]], with_outcomes: bool = True, **keywords):
    """Build a cohort of six athletes from (event, event_days, followup_days)."""
    people = tables.athletes(6, np.random.default_rng(1))
    visited = keywords.get("visited", IDS)
    visits = pd.DataFrame(
        {"athlete_id": visited, "visit": "clearance", "days_since_surgery": 270.0}
    )
    rows = [
        (athlete, event, days, end, "left", "no") for athlete, (event, days, end) in ends.items()
    ]
    columns = ["athlete_id", "event", "event_days", "followup_days", "side", "contact"]
    outcomes = pd.DataFrame(rows, columns=columns).assign(negative_control_days=90.0)
    exposure = pd.DataFrame({"athlete_id": IDS, "month": 1.0, "athlete_exposures": 5.0})
    return landmark_cohort(
        people,
        visits,
        outcomes,
        exposure,
        pd.DataFrame({"athlete_id": IDS}),
        clearance_visit="clearance",
        horizon_days=730,
        with_outcomes=with_outcomes,
    ).set_index("athlete_id")


ENDS = {
    "A0001": ("graft_rupture", 100.0, 100.0),
    "A0002": ("graft_rupture", -20.0, 300.0),
    "A0003": ("lost", 0.0, 0.0),
    "A0004": ("contralateral_tear", 800.0, 800.0),
    "A0005": ("end_of_sport", 200.0, 200.0),
}


def test_each_reason_for_exclusion():
    cohort = cohort_of(ENDS, visited=["A0001", "A0002", "A0003", "A0004", "A0006"])
    expected = {
        "A0001": "",
        "A0002": EVENT_BEFORE_CLEARANCE,
        "A0003": NO_FOLLOW_UP,
        "A0004": "",
        "A0005": NO_CLEARANCE_VISIT,
        "A0006": NO_FOLLOW_UP_RECORD,
    }
    assert cohort["excluded_because"].to_dict() == expected
    assert cohort["included"].to_dict() == {name: not why for name, why in expected.items()}


def test_event_on_the_day_of_clearance_is_before_follow_up():
    cohort = cohort_of({**ENDS, "A0001": ("graft_rupture", 0.0, 0.0)})
    assert cohort.loc["A0001", "excluded_because"] == EVENT_BEFORE_CLEARANCE


def test_observation_ends_at_the_horizon():
    cohort = cohort_of(ENDS)
    late = cohort.loc["A0004"]
    assert (late["event"], late["cause"], late["followup_days"]) == ("horizon", 0, 730)
    assert np.isnan(late["event_days"])
    assert cohort.loc["A0001", ["cause", "event_days", "followup_days"]].tolist() == [1, 100, 100]
    assert cohort.loc["A0005", "cause"] == 3


def test_a_negative_control_after_the_end_of_observation_was_not_observed():
    cohort = cohort_of({**ENDS, "A0005": ("end_of_sport", 89.0, 300.0)})
    assert cohort.loc["A0001", "negative_control_days"] == 90
    assert np.isnan(cohort.loc["A0005", "negative_control_days"])


def test_outcomes_stay_apart_until_the_plan_is_frozen():
    frozen, open_plan = cohort_of(ENDS), cohort_of(ENDS, with_outcomes=False)
    pd.testing.assert_series_equal(frozen["excluded_because"], open_plan["excluded_because"])
    assert set(open_plan["event"]) == {""}
    assert set(open_plan["side"]) == {""}
    assert (open_plan["cause"] == 0).all()
    assert (
        open_plan[["followup_days", "event_days", "athlete_exposures", "negative_control_days"]]
        .isna()
        .all(axis=None)
    )


def test_exposure_counts_months_begun_before_the_end():
    exposure = pd.DataFrame(
        {"athlete_id": ["A"] * 3 + ["B"], "month": [1, 2, 3, 1], "athlete_exposures": [5, 7, 9, 4]}
    )
    found = exposures_until(exposure, pd.Series(["A", "B", "C"]), pd.Series([31.0, np.nan, 10.0]))
    # Day 31 lies in the second month (it begins at day 30.4); C kept no log.
    np.testing.assert_array_equal(found, [12.0, np.nan, np.nan])


def test_a_log_without_exposure_before_the_end_is_zero_and_not_unknown():
    exposure = pd.DataFrame({"athlete_id": ["A"], "month": [2], "athlete_exposures": [7]})
    found = exposures_until(exposure, pd.Series(["A"]), pd.Series([12.0]))
    np.testing.assert_array_equal(found, [0.0])


def test_predictors_are_means_of_enough_valid_clearance_trials(tmp_path):
    rng = np.random.default_rng(3)
    people = tables.athletes(12, rng)
    people.loc[0, "injured_side"] = "left"
    metrics = tables.trials(people, tables.all_predictors(), rng)
    first = metrics["athlete_id"] == "A0001"
    knee = metrics["metric"] == "knee_flexion_excursion"
    at_clearance = metrics["visit"] == "clearance"
    # A0002 keeps one valid trial, fewer than the two asked for.
    second = (metrics["athlete_id"] == "A0002") & knee & (metrics["trial"] > 1)
    metrics.loc[second, "valid"] = False
    # Both knees of A0001 are operated: each is involved.
    metrics.loc[first & (metrics["limb"] == "uninvolved"), "limb"] = "involved"
    people.loc[0, "injured_side"] = "both"
    paths = tables.build(tmp_path, people, tables.outcomes(people, rng), metrics)
    cohort = read_table(paths["cohort"]).set_index("athlete_id")
    name = "knee_flexion_excursion_involved"
    expected = metrics.loc[first & knee & at_clearance].groupby("side")["value"].mean().mean()
    assert cohort.loc["A0001", name] == pytest.approx(expected, rel=1e-12)
    assert cohort.loc["A0001", name + "_trials"] == 6
    assert np.isnan(cohort.loc["A0002", name])
    assert cohort.loc["A0002", "included"]
    single = metrics.loc[(metrics["athlete_id"] == "A0003") & knee & at_clearance]
    single = single.loc[single["limb"] == "involved", "value"].mean()
    assert cohort.loc["A0003", name] == pytest.approx(single, rel=1e-12)


def test_the_same_input_gives_the_same_bytes(tmp_path):
    one, two = tmp_path / "one", tmp_path / "two"
    for folder in (one, two):
        folder.mkdir()
        tables.typical_study(folder, 30)
    for name in ("cohort", "exclusions"):
        file = f"{name}.parquet"
        assert (one / file).read_bytes() == (two / file).read_bytes()
