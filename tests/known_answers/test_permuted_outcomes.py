"""Outcomes of a blinded run: whole records, the right distribution, and who had them is lost.

Known answers: the number of permutations that are possible, and that each is as likely as any other
(chi-square by scipy); one record in place on average, whatever the number of athletes (the mean of
the fixed points of a random permutation is 1, Montmort 1708, from memory).
"""

from __future__ import annotations

from collections import Counter

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import settings as tries
from hypothesis import strategies as some
from scipy import stats

from analysis.cohort.landmark import reasons_for_exclusion
from pipeline.intake import people_checks
from pipeline.intake.permuted import (
    donors_of,
    joined_sites,
    permuted_outcomes,
    permuted_tables,
)
from pipeline.intake.study_tables import StudyTables
from shared.settings.study import StudySettings
from tests.rejects.small_study import STUDY

EVENTS = [*people_checks.DATED_EVENTS, "lost", "end_of_study"]
RECORD = ["followup_days", "event", "event_days", "contact", "confirmed_by", "batch"]


def study_of(count: int, seed: int) -> StudyTables:
    """Return checked tables: two sites and a small third, both knees, early events, gaps."""
    rng = np.random.default_rng(seed)
    ids = [f"A{number:04d}" for number in range(count)]
    site = rng.choice(["harbour", "meadow", "ridge"], count, p=[0.6, 0.3, 0.1])
    injured = rng.choice(["left", "right", "both"], count, p=[0.45, 0.45, 0.1])
    athletes = pd.DataFrame({"athlete_id": ids, "site": site, "injured_side": injured})
    event = rng.choice(EVENTS, count)
    one_knee = injured != "both"
    event = np.where(one_knee | (event != "contralateral_tear"), event, "graft_rupture")
    days = np.round(rng.uniform(-60, 800, count), 2)
    other = np.where(injured == "left", "right", "left")
    drawn = rng.choice(["left", "right", "both"], count)
    side = np.where(event == "graft_rupture", np.where(one_knee, injured, drawn), drawn)
    side = np.where(event == "contralateral_tear", other, side)
    dated = pd.Series(event).isin(people_checks.DATED_EVENTS)
    outcomes = pd.DataFrame(
        {
            "athlete_id": ids,
            "followup_days": np.maximum(days, 0.0),
            "event": event,
            "event_days": np.where(dated, days, np.nan),
            "side": np.where(pd.Series(event).isin(people_checks.KNEE_EVENTS), side, ""),
            "contact": rng.choice(["yes", "no", ""], count),
            "confirmed_by": [f"reader {number}" for number in range(count)],
            "negative_control_days": np.nan,
            "batch": [f"extra {number}" for number in range(count)],
        }
    )
    visits = pd.DataFrame({"athlete_id": ids, "visit": "clearance", "days_since_surgery": 270.0})
    log = pd.DataFrame(
        [(person, month, float(10 * number + month)) for number, person in enumerate(ids)
         for month in (1, 2, 3)],
        columns=["athlete_id", "month", "athlete_exposures"],
    )  # fmt: skip
    names = {
        "athletes": athletes,
        "outcomes": outcomes.loc[rng.random(count) > 0.05],
        "visits": visits.loc[rng.random(count) > 0.08],
        "exposure": log,
    }
    return StudyTables({name: _rows(table) for name, table in names.items()})


def _rows(table: pd.DataFrame) -> pd.DataFrame:
    return table.set_axis(range(2, len(table) + 2))


def blinded(seed: int, smallest: int = 10) -> StudySettings:
    return StudySettings.model_validate(
        {**STUDY, "blinded": {"seed": seed, "smallest_group": smallest}}
    )


def reasons(tables: StudyTables) -> pd.Series:
    """Return why each athlete is outside the cohort, as the analysis decides it."""
    athletes, visits = tables["athletes"], tables["visits"].set_index("athlete_id")
    clearance = athletes["athlete_id"].map(visits["days_since_surgery"])
    joined = athletes.assign(clearance_days=clearance).merge(
        tables["outcomes"], on="athlete_id", how="left"
    )
    return reasons_for_exclusion(joined).set_axis(joined["athlete_id"])


def records(tables: StudyTables) -> Counter:
    """Return how often each record stands in a table, whoever has it; its knee aside."""
    table = tables["outcomes"][RECORD].fillna("")
    return Counter(table.itertuples(index=False, name=None))


@given(some.integers(1, 90), some.integers(0, 2**32), some.integers(2, 20))
@tries(max_examples=30, deadline=None, derandomize=True)
def test_whole_records_change_hands_and_stay_possible(count, seed, smallest):
    before = study_of(count, seed % 1000)
    after = permuted_tables(before, blinded(seed, smallest))
    assert records(after) == records(before)
    pd.testing.assert_series_equal(
        after["outcomes"]["athlete_id"], before["outcomes"]["athlete_id"]
    )
    for name in ("athletes", "visits"):
        assert after[name] is before[name]
    # Membership of the cohort, and the reason of who is outside, is that of the true run.
    pd.testing.assert_series_equal(reasons(after), reasons(before))
    # The project's own check of days, events and knees finds nothing new.
    inside = reasons(before) == ""
    for tables in (before, after):
        rows = tables["outcomes"]
        kept = rows.loc[rows["athlete_id"].map(inside)]
        checked = StudyTables({**tables.tables, "outcomes": kept})
        assert people_checks.check_outcomes(checked, blinded(1)) == []


def test_the_exposure_log_goes_with_its_record():
    before = study_of(80, 3)
    after = permuted_tables(before, blinded(7))
    logs = {name: _logs(tables) for name, tables in (("before", before), ("after", after))}
    record = before["outcomes"].set_index("batch")["athlete_id"]
    moved = 0
    for batch, receiver in after["outcomes"].set_index("batch")["athlete_id"].items():
        assert logs["after"][receiver] == logs["before"][record[batch]]
        moved += receiver != record[batch]
    assert moved > 60
    alone = set(before["athletes"]["athlete_id"]) - set(record)
    assert alone
    assert all(logs["after"][person] == logs["before"][person] for person in alone)


def _logs(tables: StudyTables) -> dict[str, tuple]:
    rows = tables["exposure"].groupby("athlete_id")["athlete_exposures"]
    return {str(person): tuple(sorted(values)) for person, values in rows}


def test_the_seed_decides_and_the_order_of_rows_does_not():
    tables = study_of(70, 4)
    first = permuted_tables(tables, blinded(11))["outcomes"].set_index("athlete_id").sort_index()
    mixed = StudyTables({n: t.sample(frac=1, random_state=5) for n, t in tables.tables.items()})
    again = permuted_tables(mixed, blinded(11))["outcomes"]
    assert again.index.tolist() == mixed["outcomes"].index.tolist()
    pd.testing.assert_frame_equal(again.set_index("athlete_id").sort_index(), first)
    other = permuted_tables(tables, blinded(12))["outcomes"].set_index("athlete_id").sort_index()
    assert (other["batch"] != first["batch"]).mean() > 0.8


@pytest.mark.parametrize(
    ("of_donor", "event", "side", "of_receiver", "expected"),
    [
        ("left", "graft_rupture", "left", "right", "right"),
        ("left", "graft_rupture", "left", "left", "left"),
        ("both", "graft_rupture", "left", "right", "right"),
        ("left", "graft_rupture", "left", "both", "left"),
        ("left", "graft_rupture", "both", "right", "both"),
        ("left", "contralateral_tear", "right", "right", "left"),
        ("right", "other_knee_injury", "left", "left", "right"),
        ("right", "other_knee_injury", "right", "left", "left"),
        ("both", "other_knee_injury", "left", "right", "left"),
        ("left", "other_knee_injury", "left", "both", "left"),
        ("left", "lost", "", "right", ""),
    ],
)  # fmt: skip
def test_the_knee_fits_the_athlete_who_gets_the_record(
    of_donor, event, side, of_receiver, expected
):
    athletes = pd.DataFrame(
        {"athlete_id": ["A1", "A2"], "site": "harbour", "injured_side": [of_donor, of_receiver]}
    )
    outcomes = pd.DataFrame(
        {"athlete_id": ["A1", "A2"], "followup_days": 9.0, "event": [event, "lost"],
         "event_days": np.nan, "side": [side, ""]}
    )  # fmt: skip
    for seed in range(50):
        found, receivers = permuted_outcomes(
            outcomes, athletes, outcomes["athlete_id"], seed=seed, smallest_group=2
        )
        if receivers["A1"] == "A2":
            assert found.set_index("athlete_id").loc["A2", "side"] == expected
            return
    pytest.fail("fifty seeds, and the records were never exchanged")


def test_each_possible_permutation_is_as_likely_as_any_other():
    """Four athletes, one with two operated knees, one tear of the other knee: 4! - 3! are left."""
    random = np.random.default_rng(1)
    both = np.array([True, False, False, False])
    tear = np.array([False, True, False, False])
    found = Counter(tuple(donors_of(both, tear, random).tolist()) for _ in range(3600))
    assert len(found) == 18
    assert all(sorted(order) == [0, 1, 2, 3] and order[0] != 1 for order in found)
    # 200 of each are expected; one seed in ten thousand would fail.
    assert stats.chisquare(list(found.values())).pvalue > 1e-4


def test_on_average_one_athlete_of_a_group_keeps_the_own_record():
    nobody, random = np.zeros(40, dtype=bool), np.random.default_rng(2)
    kept = [int((donors_of(nobody, nobody, random) == np.arange(40)).sum()) for _ in range(4000)]
    # The variance is 1 too: the mean of 4000 has a standard error of 0.016.
    assert abs(np.mean(kept) - 1.0) < 4 * 0.016
    assert abs(np.var(kept) - 1.0) < 0.15


def test_small_sites_are_put_together():
    assert joined_sites(pd.Series({"a": 30, "b": 12}), 10) == {"a": "a", "b": "b"}
    assert joined_sites(pd.Series({"a": 30, "b": 4, "c": 7}), 10) == {
        "a": "a", "b": "b+c", "c": "b+c",
    }  # fmt: skip
    # Four athletes would be too few still, so the next site joins them.
    assert joined_sites(pd.Series({"a": 30, "b": 4, "c": 12}), 10) == {
        "a": "a", "b": "b+c", "c": "b+c",
    }  # fmt: skip
    assert joined_sites(pd.Series({"a": 3, "b": 4}), 10) == {"a": "a+b", "b": "a+b"}
    assert joined_sites(pd.Series(dtype="int64"), 10) == {}


def test_an_association_is_lost_but_for_chance():
    """Permuted within sites, a difference of means has the permutation distribution: mean zero.

    Its variance is that of a sample without replacement (Cochran, Sampling Techniques, from
    memory): S^2 (1/n1 + 1/n0) for one site, S^2 the variance of the metric.
    """
    count, rng = 60, np.random.default_rng(1)
    metric = rng.normal(size=count)
    ids = [f"A{number:02d}" for number in range(count)]
    event = np.where(metric > 0.5, "graft_rupture", "end_of_study")
    athletes = pd.DataFrame({"athlete_id": ids, "site": "s", "injured_side": "left"})
    outcomes = pd.DataFrame(
        {"athlete_id": ids, "followup_days": 9.0, "event": event, "event_days": 9.0,
         "side": np.where(event == "graft_rupture", "left", "")}
    )  # fmt: skip
    found = []
    for seed in range(200):
        table, _ = permuted_outcomes(
            outcomes, athletes, athletes["athlete_id"], seed=seed, smallest_group=10
        )
        ruptured = (table["event"] == "graft_rupture").to_numpy()
        found.append(metric[ruptured].mean() - metric[~ruptured].mean())
    ruptures = int((event == "graft_rupture").sum())
    variance = metric.var(ddof=1) * (1 / ruptures + 1 / (count - ruptures))
    true = metric[event == "graft_rupture"].mean() - metric[event != "graft_rupture"].mean()
    assert true > 5 * np.sqrt(variance)
    assert abs(np.mean(found)) < 4 * np.sqrt(variance / 200)
    assert np.var(found, ddof=1) == pytest.approx(variance, rel=4 * np.sqrt(2 / 200))
