"""The numbers of the quality page on hand-made tables, and the check of its page."""

import numpy as np
import pandas as pd
import pytest

from analysis.estimates import estimates_table
from analysis.models.clock_quality import clock_quality
from analysis.models.sensor_quality import bench_quality, calibration_quality, metric_quality
from analysis.models.time_base_quality import time_base_quality
from analysis.report.build import ReportError
from analysis.report.context import Context
from analysis.report.ledger import Ledger
from analysis.report.quality_page import TABLES, build_quality_page
from analysis.tables.calibrations import build_bench
from analysis.tables.clock_quality import build_clocks
from shared.tables import empty_table, write_table

UNDEFINED, EXCLUDING = ["no_force_peaks"], ["no_force_peaks", "gap", "second_hop"]


def numbers(collection):
    return estimates_table(collection).set_index("number_id")


def test_metrics_are_counted_without_what_does_not_exist():
    table = pd.DataFrame(
        {
            "metric": "peak_vgrf",
            "sensor": "plate",
            "value": [1.0, 2.0, 3.0, np.nan, np.nan],
            "flags": ["", "clipped", "bad_fall_time;gap", "gap", "no_force_peaks"],
            "valid": [True, True, False, False, False],
            "censoring": ["none", "right", "none", "none", "none"],
        }
    )
    found = numbers(metric_quality(table, UNDEFINED, EXCLUDING))
    start = "quality_metrics.peak_vgrf.plate"
    assert found.loc[f"{start}.values.count", "estimate"] == 4
    assert found.loc[f"{start}.undefined.count", "estimate"] == 1
    assert found.loc[f"{start}.valid.share", "estimate"] == pytest.approx(0.5)
    assert found.loc[f"{start}.saturated.share", "estimate"] == pytest.approx(0.25)
    # bad_fall_time informs and takes nothing out: it is no reason of a loss
    assert found.loc[f"{start}.valid.share", "note"] == "gap"


def test_noise_and_change_are_shown_in_the_units_of_a_data_sheet():
    table = pd.DataFrame(
        {
            "site": "harbour",
            "device": "unit",
            "location": ["thigh.left", "shank.left", "waist", "thigh.left"],
            "kind": ["standing", "standing", "standing", "standing_end"],
            "spread": [np.radians(0.1), np.radians(0.3), 9.80665e-3, np.radians(0.2)],
            "change": [np.nan, np.nan, np.nan, np.radians(-0.5)],
            "explained_share": np.nan,
            "bench": ["applied", "none", "checked", "none"],
            "accepted": [True, False, True, True],
        }
    )
    found = numbers(calibration_quality(table))["estimate"]
    gyro = "quality_calibrations.harbour.unit.gyro.standing"
    assert found[f"{gyro}.calibrations.count"] == 2
    assert found[f"{gyro}.accepted.share"] == pytest.approx(0.5)
    assert found[f"{gyro}.bench.share"] == pytest.approx(0.5)
    assert found[f"{gyro}.noise.median"] == pytest.approx(0.2)  # degrees per second
    waist = "quality_calibrations.harbour.unit.accelerometer.standing"
    assert found[f"{waist}.noise.median"] == pytest.approx(1.0)  # mg
    change = found["quality_calibrations.harbour.unit.gyro.standing_end.change.median"]
    assert change == pytest.approx(0.5)  # a size, not a direction


def test_lost_samples_are_those_that_the_time_holds_beyond_the_rows():
    table = pd.DataFrame(
        {
            "site": "ridge",
            "device": ["radio", "radio", "radio", "cable", "cable"],
            "rate_hz": [200.0, 200.0001, 199.9999, 500.0, np.nan],
            "samples": [1201, 1199, 1194, 3001, np.nan],
            "duration_s": [6.0, 6.0, 6.0, 6.0, np.nan],
            "jitter_s": [0.010, 0.012, 0.014, np.nan, np.nan],
        }
    )
    found = numbers(time_base_quality(table))["estimate"]
    radio = "quality_time_base.ridge.radio"
    assert found[f"{radio}.recordings.count"] == 3
    assert found[f"{radio}.incomplete.count"] == 2
    assert found[f"{radio}.lost.count"] == 2 + 7
    assert found[f"{radio}.lost.largest"] == 7
    assert found[f"{radio}.jitter.median"] == pytest.approx(12.0)
    assert found[f"{radio}.jitter.largest"] == pytest.approx(14.0)
    cable = "quality_time_base.ridge.cable"
    assert found[f"{cable}.recordings.count"] == 1  # one could not be read
    assert found[f"{cable}.lost.count"] == 0
    assert f"{cable}.jitter.median" not in found


def test_a_unit_counts_as_accepted_only_with_all_its_numbers():
    table = pd.DataFrame(
        {
            "unit_code": ["u1", "u1", "u2"],
            "device": "unit",
            "location": "waist",
            "kind": "six_orientations",
            "quantity": ["bias_x", "residual", "residual"],
            "value": [0.1, 2.0, 7.0],
            "unit": ["m/s2", "mg", "mg"],
            "accepted": [True, True, False],
        }
    )
    found = numbers(bench_quality(table))["estimate"]
    start = "quality_bench.unit.accelerometer.six_orientations"
    assert found[f"{start}.calibrations.count"] == 2
    assert found[f"{start}.accepted.count"] == 1
    assert found[f"{start}.residual.largest"] == pytest.approx(7.0)


def bench_rows(location, kind, unit_of_residual, **values):
    return pd.DataFrame(
        {
            "unit_code": "u1",
            "device": "unit",
            "location": location,
            "kind": kind,
            "quantity": list(values),
            "value": list(values.values()),
            "unit": [unit_of_residual if name == "residual" else "1" for name in values],
            "accepted": True,
        }
    )


def shown(build, collection):
    """Return the cells of a table's rows as text."""
    study = {"sites": {"harbour": {"label": "Harbour"}}}
    context = Context(estimates_table(collection), study, {}, {})
    table = build(context, Ledger(context.estimates, "table.test"))
    texts = [
        [
            "".join(str(part) for part in (cell if isinstance(cell, tuple) else (cell,)))
            for cell in r.cells
        ]
        for r in table.rows
    ]
    return table, texts


def test_the_bench_shows_scale_swap_and_residuals_in_their_own_units():
    units = pd.concat(
        [
            bench_rows(
                "waist", "six_orientations", "mg", residual=2.0, scale_xx=0.98, scale_xy=0.3
            ),
            bench_rows("plate.left", "plate_load", "N", residual=1.5, gain=1.004),
            bench_rows("plate", "plate_load", "N", gain_mismatch=-0.007),
        ]
    )
    _, rows = shown(build_bench, bench_quality(units))
    accelerometer, plates = rows
    assert accelerometer[3].endswith(" mg")
    assert plates[3].endswith(" N")  # a residual of a plate is no mg
    assert accelerometer[4:] == ["2.0\xa0%", ""]  # a cross axis term is not true at 1
    assert plates[4:] == ["0.4\xa0%", "0.7\xa0%"]


def test_the_lag_that_two_stomps_leave_is_shown():
    clocks = pd.DataFrame(
        {
            "site": "harbour",
            "device": "unit",
            "applied": [True, True, True, False],
            "correlation": [0.95, 0.90, 0.85, np.nan],
            "residual_lag_s": [0.002, -0.004, np.nan, np.nan],
            "lag_s": [0.2, -0.3, 0.1, np.nan],
            "place": ["start", "start", "start", ""],
            "reason": ["", "", "", "no stomp: the largest shock is 0.1 g"],
        }
    )
    table, rows = shown(build_clocks, clock_quality(clocks))
    assert not table.why_absent
    # half of 2 and 4 ms, and nine tenths of the way from 2 to 4 ms (numpy's own quantile)
    assert rows[0][1:] == ["4", "75.0\xa0%", "300", "0.90", "0.85", "3.00", "3.80"]
    assert shown(build_clocks, clock_quality(clocks.iloc[:0]))[0].why_absent


def test_an_expired_bench_calibration_is_told_from_a_refused_one():
    table = pd.DataFrame(
        {
            "site": "harbour",
            "device": "unit",
            "location": "waist",
            "kind": "standing",
            "spread": 0.01,
            "change": np.nan,
            "explained_share": np.nan,
            "bench": ["applied", "expired", "expired", "refused"],
            "accepted": True,
        }
    )
    found = numbers(calibration_quality(table))["estimate"]
    start = "quality_calibrations.harbour.unit.accelerometer.standing"
    assert found[f"{start}.bench_expired.count"] == 2
    assert found[f"{start}.bench_refused.count"] == 1


STUDY = {"title": "A study", "edition": "restricted", "demo": None, "tasks": {}}


@pytest.fixture
def page_inputs(tmp_path):
    """What the page is built from: empty tables, a drawing, and its text."""
    fragments = [tmp_path / f"{name}.html" for name in TABLES]
    for path in fragments:
        path.write_text("<p>nothing to count</p>")
    write_table(empty_table("ledger"), tmp_path / "numbers.parquet", "ledger")
    write_table(empty_table("estimates"), tmp_path / "estimates.parquet", "estimates")
    (tmp_path / "residual_analysis.svg").write_text("<svg></svg>")
    (tmp_path / "residual_analysis.rst").write_text("What is left over.")
    return {
        "fragments": fragments,
        "numbers": tmp_path / "numbers.parquet",
        "estimates": tmp_path / "estimates.parquet",
        "figures": [tmp_path / "residual_analysis.svg"],
        "captions": [tmp_path / "residual_analysis.rst"],
        "page": tmp_path / "quality.html",
        "study": STUDY,
        "processing": {},
        "plan": {},
    }


def test_the_page_carries_its_stamp_and_cautions(page_inputs):
    build_quality_page(**page_inputs)
    text = page_inputs["page"].read_text()
    assert "for the study team only" in text
    assert "It clears nobody for sport" in text
    assert "What is left over." in text


@pytest.mark.parametrize("number", ["97", '<span class="number" data-number="x/y">97</span>'])
def test_a_number_without_an_address_stops_the_page(page_inputs, number):
    page_inputs["fragments"][0].write_text(f"<p>{number}</p>")
    with pytest.raises(ReportError, match="97"):
        build_quality_page(**page_inputs)
    assert not page_inputs["page"].exists()
