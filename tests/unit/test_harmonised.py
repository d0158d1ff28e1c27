"""One rate per kind of sensor: what is split, and where saturation and gaps are judged."""

import math

import numpy as np
import pytest

from pipeline.calibration.saturation import Clipping, clipping
from pipeline.extraction.harmonised import harmonised
from pipeline.extraction.signals import Signals
from pipeline.filtering.gaps import Gap

RATES = {"plate": 500.0, "waist": 200.0, "gyro": 200.0, "camera": None}
PLATE = "vertical_force.single"
WAIST = "waist_acceleration.y"
GYRO = "thigh_rate.left.z"
CAMERA = "knee_flexion.left"


def _recording(rate_hz=1000.0, seconds=4.0, **more):
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    slow = np.sin(2.0 * np.pi * 3.0 * t)
    channels = {PLATE: 700.0 + 100.0 * slow, WAIST: 9.8 + slow, GYRO: slow, CAMERA: slow}
    return Signals("A0001.x", "lab", 0.25, rate_hz, channels, **more)


def test_a_mixed_recording_becomes_one_per_rate_on_one_clock():
    recording = _recording()
    parts = harmonised(recording, RATES)
    assert [(part.rate_hz, sorted(part.channels)) for part in parts] == [
        (1000.0, [CAMERA]),
        (200.0, [GYRO, WAIST]),
        (500.0, [PLATE]),
    ]
    assert {part.recording_id for part in parts} == {recording.recording_id}
    for part in parts:
        # Closed form: a 3 Hz sine stays itself at every rate, away from the ends.
        t = part.start_s + np.arange(len(next(iter(part.channels.values())))) / part.rate_hz
        inner = (t > 0.75) & (t < 3.75)
        expected = np.sin(2.0 * np.pi * 3.0 * (t - 0.25))
        offsets = {PLATE: (700.0, 100.0), WAIST: (9.8, 1.0)}
        for name, values in part.channels.items():
            level, size = offsets.get(name, (0.0, 1.0))
            np.testing.assert_allclose(
                values[inner], (level + size * expected)[inner], rtol=2e-3, atol=2e-3
            )


def test_nothing_to_do_gives_the_same_object():
    recording = _recording()
    assert harmonised(recording, dict.fromkeys(RATES)) == (recording,)
    already = _recording(rate_hz=200.0)
    assert harmonised(already, {"waist": 200.0, "gyro": 200.0}) == (already,)


def test_a_slower_recording_stays_as_it_is():
    slow = _recording(rate_hz=100.0)
    assert harmonised(slow, RATES) == (slow,)


def test_a_rate_that_has_no_small_ratio_stays_and_stops_nothing():
    # 970 per second is no rate that a profile may declare with these; a file may still have it.
    odd = _recording(rate_hz=970.0)
    assert harmonised(odd, RATES | {"plate": None}) == (odd,)


def test_places_lead_back_to_raw_samples():
    slots = np.concatenate([np.arange(100), np.arange(103, 4003)])  # three rows are missing
    recording = _recording(seconds=4.003, slots=slots, gaps=(Gap(100, 103),))
    waist = next(p for p in harmonised(recording, RATES) if WAIST in p.channels)
    assert waist.gaps == ()
    assert waist.as_recorded.gaps == (Gap(100, 103),)
    assert waist.raw_sample(10) == 50
    assert waist.raw_sample(200) == 1000 - 3
    assert waist.seconds(200.0) == pytest.approx(waist.as_recorded.seconds(1000.0))


@pytest.mark.parametrize("ratio", [0.2, 0.4, 0.5])
def test_a_clipped_sample_stays_clipped_at_a_lower_rate(ratio):
    signal = np.zeros((1, 1000))
    signal[0, [251, 998]] = 1.0
    found = clipping(
        signal, 1000.0, full_scale=1.0, clip_share_of_range=0.99,
        flat_top_share_of_range=0.97, flat_top_samples=3,
    ).at_rate(1000.0 * ratio)  # fmt: skip
    assert isinstance(found, Clipping)
    assert found.mask.shape == (1, math.ceil(1000 * ratio))
    at = np.flatnonzero(found.mask[0])
    assert at.tolist() == [round(251 * ratio), min(round(998 * ratio), found.mask.shape[1] - 1)]
