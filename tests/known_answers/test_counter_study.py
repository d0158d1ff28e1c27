"""A whole study whose files count their samples, from files to metrics.

The plain study has time stamps. Here the same samples carry a counter of one byte that wraps, rows
are lost, and the stamps jitter by a whole period, as those of a radio link do: the counter alone
tells where a sample belongs (`pipeline.readers.counter`). Closed forms: only the file changes.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tests.known_answers.closed_study import change_profiles, plan, write_closed_study
from tests.known_answers.error_table import NATIVE
from tests.tiny_study.extracted import extract

RATE = 500.0
KEY = ["landing_id", "metric", "sensor"]
WRAP, START = 256, 7
LOST = (200, 205)
"""Five rows are lost 0.4 s after the start: in quiet standing, in no window of a landing."""
FROM_THE_START = {"jump_height_from_impulse", "time_to_takeoff", "modified_reactive_strength_index"}
"""Their window begins in the quiet stance before the movement, which may hold the lost rows."""


def counted(table: pd.DataFrame, lost: bool, rng: np.random.Generator) -> pd.DataFrame:
    """Return the rows with a counter and stamps that jitter, less those that were lost."""
    number = np.arange(len(table))
    table = table.assign(
        count=(number + START) % WRAP,
        time_s=table["time_s"] + rng.uniform(-1.0, 1.0, len(table)) / RATE,
    )
    return table[(number < LOST[0]) | (number >= LOST[1])] if lost else table


def declared(profile: dict) -> None:
    profile["counter"] = {"column": "count", "wraps_at": WRAP}


def measured(root, *, lost: bool | None):
    """Measure the study; with a counter unless `lost` is None."""
    settings = write_closed_study(root, RATE, plan({"noise": 1}), processing=NATIVE)
    if lost is not None:
        rng = np.random.default_rng(3)
        for path in sorted(settings.study_folder.glob("*/*.csv")):
            in_trial = lost and path.parent.name == "raw"
            counted(pd.read_csv(path), in_trial, rng).to_csv(path, index=False)
        settings = change_profiles(root, declared)
    return extract(settings, settings.results_folder)


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    return measured(tmp_path_factory.mktemp("plain"), lost=None)


def values(tables) -> pd.DataFrame:
    return tables["metrics"].set_index(KEY)


def test_stamps_that_jitter_move_nothing_beside_a_counter(plain, tmp_path):
    found, expected = values(measured(tmp_path, lost=False)), values(plain)
    # The rate is that of a line through the stamps: known to 1e-6 from 4000 of them.
    pd.testing.assert_series_equal(
        found["value"], expected["value"], check_exact=False, rtol=1e-4, atol=1e-3
    )
    pd.testing.assert_series_equal(found["flags"], expected["flags"])


def test_lost_rows_cost_only_the_values_whose_window_holds_them(plain, tmp_path):
    tables = measured(tmp_path, lost=True)
    found, expected = values(tables), values(plain)
    names = found.index.get_level_values("metric")
    gap = found["flags"].str.contains("gap")
    assert set(names[gap]) <= FROM_THE_START
    assert not found.loc[gap, "valid"].any()
    assert (found["valid"] == expected["valid"])[~gap].all()
    pd.testing.assert_series_equal(
        found.loc[~gap, "value"], expected.loc[~gap, "value"], check_exact=False,
        rtol=1e-4, atol=1e-3,
    )  # fmt: skip
    # Tables name rows of the file: five fewer after the loss.
    peaks = names == "peak_vgrf"
    assert (expected["first_sample"] - found["first_sample"])[peaks].unique() == [5]
    jitter = tables["recordings"]["jitter_s"]
    # Stamps spread evenly over two periods: their largest distance from the line is one period.
    assert jitter.to_numpy() == pytest.approx(1.0 / RATE, rel=0.05)
