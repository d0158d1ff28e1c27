"""How long a sensor was saturated, against the closed form of a clipped half-sine (DOMAIN 2.6)."""

import math

import numpy as np
import pytest

from pipeline.extraction.harmonised import harmonised
from pipeline.extraction.rows import table
from pipeline.extraction.saturated import saturated_rows
from pipeline.quality.windows import FullScale
from tests.unit import extraction_signals as made
from tests.unit.extraction_signals import CONTACT, PROCESSING, RATE, SCALES, G, trial, wearables

PEAK_G, RANGE_G, WIDTH_MS = 24.0, 16.0, 100.0
# 1 g of support and a half-sine above it: over the range between the two crossings
FLAT_MS = WIDTH_MS * (1.0 - 2.0 / math.pi * math.asin((RANGE_G - 1.0) / (PEAK_G - 1.0)))


def clipped_landing():
    force = made.drop_force(made.times(), PEAK_G)
    return wearables(force, peak_axis_g=RANGE_G)


def saturation(*recordings):
    found = saturated_rows(
        trial("single_leg_drop_landing", "left", *recordings), SCALES, PROCESSING.quality
    )
    return table(list(found), "saturation").to_pandas()


def test_time_axis_and_samples_of_a_clipped_peak():
    (row,) = saturation(clipped_landing()).to_dict("records")
    assert row["channel"] == "waist_acceleration.y"
    assert row["sensor"] == "waist"
    assert row["duration_ms"] == pytest.approx(FLAT_MS, abs=2.0)  # one sample on either side
    assert row["samples"] == row["last_sample"] - row["first_sample"] + 1
    assert row["duration_ms"] == pytest.approx(1000.0 * row["samples"] / RATE)
    middle = 0.5 * (row["first_sample"] + row["last_sample"]) / RATE
    assert middle == pytest.approx(CONTACT + WIDTH_MS / 2000.0, abs=1.0 / RATE)
    assert row["start_s"] == pytest.approx(row["first_sample"] / RATE)


def test_it_is_counted_as_recorded_though_the_rate_is_lowered():
    slower = harmonised(clipped_landing(), {"waist": 200.0})
    assert {signals.rate_hz for signals in slower} == {RATE, 200.0}
    assert saturation(*slower).equals(saturation(clipped_landing()))


def test_a_channel_that_cannot_clip_or_does_not_has_no_row():
    loud = clipped_landing()
    gentle = wearables(made.drop_force(made.times(), 4.0))
    assert saturation(gentle).empty
    endless = {"wearables": {name: FullScale(math.inf) for name in loud.channels}}
    found = saturated_rows(
        trial("single_leg_drop_landing", "left", loud), endless, PROCESSING.quality
    )
    assert list(found) == []


def test_a_sensor_that_saturates_twice_has_two_stretches():
    signals = clipped_landing()
    up = signals.channels["waist_acceleration.y"]
    up[1000:1010] = -RANGE_G * G
    rows = saturation(signals)
    assert rows["first_sample"].tolist()[0] == 1000
    assert rows["samples"].tolist()[0] == 10
    assert len(rows) == 2
    assert np.all(np.diff(rows["first_sample"]) > 0)
