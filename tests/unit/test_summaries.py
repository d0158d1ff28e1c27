"""Summaries against the textbook formulas (Python, module statistics); what is never pooled."""

import statistics

import pandas as pd
import pytest

from pipeline.metrics.summaries import KEYS, summarise
from shared.schemas import schema_of
from shared.tables import to_arrow


def rows(values, valid=None, **changes):
    valid = [True] * len(values) if valid is None else valid
    base = {
        "athlete_id": "A0001",
        "site": "harbour",
        "visit": "clearance",
        "task": "single_leg_drop_landing",
        "limb": "involved",
        "side": "left",
        "landing": 1,
        "metric": "peak_vgrf",
        "sensor": "plate",
        "unit": "BW",
    } | changes
    return pd.DataFrame(
        [
            base | {"trial": trial, "value": value, "valid": usable}
            for trial, (value, usable) in enumerate(zip(values, valid, strict=True), start=1)
        ]
    )


def test_statistics_of_the_valid_trials():
    values = [3.1, 4.0, 3.4, 9.9]
    table = summarise(rows(values, [True, True, True, False]))
    assert len(table) == 1
    row = table.iloc[0]
    # Source of the formulas: Python standard library, statistics.
    assert row["mean"] == pytest.approx(statistics.fmean(values[:3]))
    assert row["sd"] == pytest.approx(statistics.stdev(values[:3]))
    assert row["cv"] == pytest.approx(statistics.stdev(values[:3]) / statistics.fmean(values[:3]))
    assert row["median"] == statistics.median(values[:3])
    assert (row["minimum"], row["maximum"]) == (3.1, 4.0)
    assert (row["n_valid"], row["n_total"]) == (3, 4)


def test_a_group_without_valid_trials_stays_countable():
    row = summarise(rows([3.1, float("nan")], [False, False])).iloc[0]
    assert pd.isna(row["mean"])
    assert (row["n_valid"], row["n_total"]) == (0, 2)


def test_one_trial_has_no_standard_deviation():
    assert pd.isna(summarise(rows([3.1])).iloc[0]["sd"])


@pytest.mark.parametrize(
    ("metric", "sensor"), [("knee_flexion_at_contact", "camera"), ("contact_lag_of_waist", "waist")]
)
def test_without_a_natural_zero_there_is_no_coefficient_of_variation(metric, sensor):
    """DOMAIN 6: ratios are undefined for angles and near zero; a mean near zero is no yardstick."""
    row = summarise(rows([-0.1, 0.2, 0.1], metric=metric, sensor=sensor)).iloc[0]
    assert row["sd"] > 0.0
    assert pd.isna(row["cv"])


@pytest.mark.parametrize(
    "change",
    [
        {"sensor": "waist"},
        {"side": "right"},
        {"landing": 2},
        {"visit": "follow_up"},
        {"limb": "uninvolved"},
    ],
)
def test_nothing_is_pooled_across(change):
    """Two sensors, two sides of a bilateral case, two landings of a drop jump ... stay apart."""
    table = summarise(pd.concat([rows([1.0, 2.0]), rows([5.0, 6.0], **change)], ignore_index=True))
    assert sorted(table["mean"]) == [1.5, 5.5]
    assert (table["n_valid"] == 2).all()


def test_the_table_keeps_its_schema_and_is_sorted():
    table = summarise(pd.concat([rows([1.0], athlete_id="A0002"), rows([2.0])], ignore_index=True))
    to_arrow(table, "summaries")
    assert list(table.columns) == schema_of("summaries").names
    assert table[KEYS].equals(table[KEYS].sort_values(KEYS, ignore_index=True))
