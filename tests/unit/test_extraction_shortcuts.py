"""Shortcuts of extraction give what the long way gives.

Independent: numpy's median, mean, standard deviation and extremes; Python's own parser.
"""

from __future__ import annotations

import ast

import numpy as np
import pytest

from pipeline.calibration.stillness import mean_and_sd
from pipeline.extraction.needed import without_idle_rates
from pipeline.extraction.signals import Signals
from pipeline.extraction.standing import Standing
from pipeline.metrics.outcome import Measured
from pipeline.metrics.waist_impact import shock_duration
from pipeline.readers.checks import (
    find_gaps,
    largest_magnitude,
    steady_step,
    time_problems,
    usual_step,
)
from pipeline.readers.plausibility import signal_problems
from shared.settings.device import DeviceProfile
from shared.sources import PACKAGES, ROOT, import_statements
from shared.tables import read_rows_of, write_table

RNG = np.random.default_rng(11)
TIME_S = np.arange(400) / 450.0
UNIT = DeviceProfile.model_validate(
    {
        "device": "unit",
        "kind": "wearables",
        "description": "a unit at the waist",
        "format": "parquet",
        "rate_hz": 450.0,
        "channels": [
            {
                "channel": f"waist_acceleration.{axis}",
                "column": axis,
                "unit": "m/s2",
                "range": 160.0,
            }
            for axis in "xyz"
        ],
    }
)


@pytest.mark.parametrize("stamps", [TIME_S, np.round(TIME_S, 4), TIME_S + 0.1e-3 * RNG.random(400)])
def test_the_step_of_steady_stamps_is_the_usual_one_and_there_is_nothing_else_to_find(stamps):
    step_s = steady_step(stamps)
    assert step_s == usual_step(stamps)
    assert find_gaps(stamps, step_s) == ()
    assert time_problems(stamps, "r.csv", 2, "time_s") == []


@pytest.mark.parametrize(
    "stamps",
    [
        np.delete(TIME_S, 200),  # one row is missing
        np.where(np.arange(400) == 200, np.nan, TIME_S),
        np.where(np.arange(400) == 399, np.inf, TIME_S),
        np.where(np.arange(400) == 200, TIME_S[199], TIME_S),  # a stamp twice
        TIME_S[::-1],
        TIME_S + 1.7e9,  # a date
        TIME_S[:5],
        TIME_S[:0],
    ],
)
def test_stamps_with_a_fault_are_left_to_the_checks_that_name_it(stamps):
    assert steady_step(stamps) is None


def _reference(axes, factor, turned):
    """Say by numpy's medians whether the usual acceleration is about 1 g, and upright."""
    x, y, z = factor * turned * axes[:, ::7]
    return [
        "unit_contradicts_signal"
        if not 0.5 < np.median(np.sqrt(x * x + y * y + z * z)) / 9.80665 < 2.0
        else "sign_contradicts_signal"
        if np.median(y) / 9.80665 < -0.5
        else ""
    ]


@pytest.mark.parametrize("factor", [1.0, 0.3, 0.49, 0.52, 1.9, 2.2, 9.80665])
@pytest.mark.parametrize("turned", [1.0, -1.0])
@pytest.mark.parametrize("falling", [0.0, 0.45, 0.49, 0.51, 0.6])
def test_counting_samples_judges_unit_and_sign_as_their_medians_do(factor, turned, falling):
    axes = RNG.normal(0.0, 0.2, (3, 7 * 101)) + np.array([[0.0], [9.80665], [0.0]])
    axes[:, RNG.permutation(axes.shape[1])[: round(falling * axes.shape[1])]] *= 0.02
    channels = dict(zip([c.channel for c in UNIT.channels], factor * turned * axes, strict=True))
    found = [problem.rule for problem in signal_problems(channels, UNIT, "r.csv")] or [""]
    assert found == _reference(axes, factor, turned)


def test_the_largest_magnitude_is_that_of_either_end_and_unknown_with_an_empty_cell():
    matrix = RNG.normal(size=(3, 50))
    matrix[1, 7] = -9.0
    matrix[2, 3] = np.nan
    largest = [largest_magnitude(row) for row in matrix]
    assert largest[:2] == np.abs(matrix[:2]).max(axis=1).tolist()
    assert np.isnan(largest[2])


def test_mean_and_deviation_are_those_of_numpy_to_the_last_digit():
    for size in (1, 2, 9, 1000, 12345):
        still = 700.0 + RNG.normal(size=size)
        assert mean_and_sd(still) == (float(still.mean()), float(still.std()))


@pytest.mark.parametrize("contact", [3.0, 3.25, 3.999])
@pytest.mark.parametrize("window_s", [0.1, 0.105, 0.0001])
def test_time_above_a_threshold_is_that_of_the_interpolated_signal(contact, window_s):
    signal = 4.0 * np.abs(np.sin(np.arange(60) / 3.0))
    found = shock_duration(signal, 100.0, contact=contact, waist_peak_s=window_s, threshold_g=2.0)
    assert isinstance(found, Measured)
    fine = np.linspace(contact, contact + 100.0 * window_s, 200_001)
    above = np.interp(fine, np.arange(60), signal) > 2.0
    assert found.value == pytest.approx(1000.0 * window_s * above.mean(), abs=1e-2 * window_s)


def test_only_rates_that_nothing_reads_are_left_out():
    names = [
        f"{x}_rate.{s}.{a}" for x in ("thigh", "shank") for s in ("left", "right") for a in "xyz"
    ]
    names += ["waist_acceleration.x", "vertical_force.left", "knee_flexion.right"]
    signals = Signals("r", "d", 0.0, 100.0, {name: np.zeros(3) for name in names})
    standing = Standing(700.0, "scale")
    one = without_idle_rates(signals, ("left",), standing)
    assert list(one.channels) == ["thigh_rate.left.z", "shank_rate.left.z", *names[-3:]]
    both = without_idle_rates(signals, ("left", "right"), standing)
    read = [name for name in names if "_rate." in name and name.endswith(".z")]
    assert [name for name in both.channels if "_rate." in name] == read
    felt = [name.replace("_rate", "_acceleration") for name in names[:12]]
    unit = Signals("r", "d", 0.0, 100.0, {name: np.zeros(3) for name in (*names, *felt)})
    of_leg = without_idle_rates(unit, ("left",), standing).channels
    assert [x for x in of_leg if x in felt] == [x for x in felt if ".left." in x]
    idle = Signals("r", "d", 0.0, 100.0, {"thigh_rate.right.z": np.zeros(3)})
    assert without_idle_rates(idle, ("left",), standing) is idle


def _project_imports(statements):
    found = set()
    for node in statements:
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            found |= {(node.level, node.module, alias.name) for alias in node.names}
    return {x for x in found if str(x[1] if isinstance(x, tuple) else x).split(".")[0] in PACKAGES}


def test_imports_found_line_by_line_are_those_of_the_parsed_modules():
    files = [file for package in PACKAGES for file in (ROOT / package).rglob("*.py")]
    assert len(files) > 300
    for file in files:
        text = file.read_text(encoding="utf-8")
        parsed = _project_imports(ast.walk(ast.parse(text)))
        assert _project_imports(import_statements(text)) == parsed, file


@pytest.mark.parametrize(
    "text",
    [
        "from shared.x import (\n    a,\n    b,\n)\n",
        "def f():\n    if x:\n        from shared.x import a, b\n    import shared.x\n",
        "from shared.x import a, \\\n    b\n",
        '"""A sentence begins:\n\nfrom shared clocks on.\n"""\nfrom shared.x import a\n',
        "try:\n    from pipeline.y import c\nfinally:\n    pass\n",
    ],
)
def test_imports_are_found_however_they_are_written(text):
    assert _project_imports(import_statements(text)) == _project_imports(ast.walk(ast.parse(text)))


def test_rows_of_some_words_come_without_the_others(tmp_path):
    import pandas as pd

    columns = ["level", "id", "site", "step", "reason", "detail"]
    rows = [("recording", name, "s", "extract", "gap", "") for name in ("a", "b", "c")]
    write_table(pd.DataFrame(rows, columns=columns), tmp_path / "x.parquet", "exclusions")
    found = read_rows_of(tmp_path / "x.parquet", "id", {"a", "c", "unknown"})
    assert [row["id"] for row in found] == ["a", "c"]
    assert read_rows_of(tmp_path / "x.parquet", "id", set()) == []
