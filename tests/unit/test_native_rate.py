"""Sensitivity to the common sampling rate: how far predictors move, by site."""

import pandas as pd
import pytest

from analysis.models.native_rate import differences, with_native_predictors

PREDICTOR = {
    "name": "peak", "metric": "peak_waist_acceleration", "sensor": "waist",
    "task": "single_leg_drop_landing", "limb": "involved", "landing": 1,
}  # fmt: skip
PLAN = {"primary": [PREDICTOR], "exploratory": []}


def _summaries(values):
    rows = {key: PREDICTOR[key] for key in ("metric", "sensor", "task", "limb", "landing")}
    return pd.DataFrame(
        [
            {"athlete_id": name, "visit": "clearance", "n_valid": 3, "mean": value, **rows}
            for name, value in values.items()
        ]
    )


def test_only_the_site_with_another_rate_moves():
    common = pd.DataFrame(
        {"athlete_id": list("abcd"), "site": ["x", "x", "y", "y"], "peak": [1.0, 2.0, 3.0, 4.0]}
    )
    native = with_native_predictors(
        common, _summaries({"a": 1.0, "b": 2.0, "c": 3.3, "d": 4.5}), PLAN, "clearance", 2
    )
    (numbers,) = differences(common, native, PLAN)
    found = {(row["site"], row["quantity"]): row["estimate"] for row in numbers.rows()}
    spread = common["peak"].std(ddof=1)
    assert found["x", "mean_change_in_sd"] == 0.0
    assert found["y", "mean_change_in_sd"] == pytest.approx(0.4 / spread)
    assert found["y", "largest_change_in_sd"] == pytest.approx(0.5 / spread)


def test_a_predictor_of_nobody_is_said_not_to_be_run():
    common = pd.DataFrame({"athlete_id": ["a"], "site": ["x"], "peak": [float("nan")]})
    (numbers,) = differences(common, common, PLAN)
    assert [row["quantity"] for row in numbers.rows()] == ["not_run"]
