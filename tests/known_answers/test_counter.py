"""The time base rebuilt from a counter: closed forms of wrap, loss, jitter, rate.

Expected values follow from how the counter is made: sample k counts k modulo the wrap and is taken
at start + k / rate.
"""

import dataclasses

import numpy as np
import pandas as pd
import pytest

from pipeline.extraction.signals import prepare
from pipeline.filtering.time_base import line_through_stamps, sample_numbers
from pipeline.readers.read import read_recording
from pipeline.readers.recording import Gap
from shared.errors import StudyError
from shared.settings.device import Counter, DeviceProfile, TimeColumn

RATE_HZ = 200.0
PROFILE = DeviceProfile.model_validate(
    {
        "device": "unit",
        "kind": "wearables",
        "description": "one gyroscope with a counter",
        "format": "parquet",
        "rate_hz": RATE_HZ,
        "counter": {"column": "count", "wraps_at": 256},
        "channels": [
            {"channel": "shank_rate.left.z", "column": "rate", "unit": "rad/s", "range": 1e6}
        ],
    }
)
STAMPED = PROFILE.model_copy(update={"time": TimeColumn(column="stamp", unit="ms")})


def _read(tmp_path, profile, numbers, *, stamps_s=None, wraps_at=256, start=250):
    """Write samples of these numbers and read them; the signal is the number itself."""
    table = pd.DataFrame({"count": (numbers + start) % wraps_at, "rate": numbers.astype(float)})
    if stamps_s is not None:
        table["stamp"] = 1000.0 * stamps_s
    path = tmp_path / f"unit.{profile.format}"
    if profile.format == "parquet":
        table.to_parquet(path, index=False)
    else:
        table.to_csv(path, index=False)
    return read_recording(path, profile)


@pytest.mark.parametrize("wraps_at", [16, 256, 65536])
def test_numbers_go_on_over_every_wrap(wraps_at):
    numbers = np.arange(3 * wraps_at)
    counted = (numbers + wraps_at - 3.0) % wraps_at
    np.testing.assert_array_equal(sample_numbers(counted, wraps_at), numbers)


def test_a_counter_that_never_wraps_is_taken_as_it_is():
    np.testing.assert_array_equal(sample_numbers(np.array([7.0, 8.0, 500.0]), None), [0, 1, 493])


@pytest.mark.parametrize("lost", [1, 5, 127])
def test_a_loss_across_a_wrap_is_told_up_to_half_a_wrap(lost):
    numbers = np.delete(np.arange(600), np.arange(200, 200 + lost))
    np.testing.assert_array_equal(sample_numbers(numbers % 256.0, 256), numbers)


@pytest.mark.parametrize("file_format", ["parquet", "csv"])
def test_lost_samples_are_gaps_and_the_grid_is_regular(tmp_path, file_format):
    layout = {"delimiter": ","} if file_format == "csv" else None
    content = PROFILE.model_dump() | {"format": file_format, "csv": layout}
    numbers = np.delete(np.arange(1000), [4, 5, 6, 7, 600])  # 250 + 4 lies before a wrap
    recording = _read(tmp_path, DeviceProfile.model_validate(content), numbers)
    assert recording.gaps == (Gap(3, 4), Gap(595, 1))
    assert recording.rate_hz == pytest.approx(RATE_HZ, rel=1e-12)
    assert recording.jitter_s is None
    np.testing.assert_allclose(recording.time_s, numbers / RATE_HZ, rtol=1e-12)
    assert [p.rule for p in recording.problems] == ["gap_in_time"]
    # The signal is its own sample number: on the right slots a straight line restores it.
    signals = prepare(recording, "unit", ())
    np.testing.assert_allclose(signals.channels["shank_rate.left.z"], np.arange(1000), atol=1e-9)


def test_jitter_of_stamps_is_reported_and_does_not_move_the_grid(tmp_path):
    true_rate = 200.6  # 0.3 % beside the declared rate, within the tolerance of 0.5 %
    rng = np.random.default_rng(1)
    numbers = np.delete(np.arange(4000), np.arange(1500, 1507))
    jitter = rng.uniform(-0.010, 0.010, numbers.size)  # two periods: stamps even run backwards
    stamps = 0.25 + numbers / true_rate + jitter
    assert (np.diff(stamps) < 0).any()
    recording = _read(tmp_path, STAMPED, numbers, stamps_s=stamps)
    # The standard error of the slope is sd / (sqrt(n) sd of numbers); five of them.
    spread = np.sqrt(numbers.size) * numbers.std()
    assert abs(1 / recording.rate_hz - 1 / true_rate) < 5 * 0.010 / np.sqrt(3) / spread
    assert recording.time_s[0] == pytest.approx(0.25, abs=5 * 0.010 / np.sqrt(3 * 1000))
    assert recording.jitter_s == pytest.approx(0.010, rel=0.05)
    assert recording.gaps == (Gap(1499, 7),)


def test_stamps_tell_a_loss_of_more_than_a_wrap(tmp_path):
    numbers = np.delete(np.arange(3000), np.arange(1000, 1700))
    with pytest.raises(StudyError, match="goes up from row to row, and from 255 to 0"):
        _read(tmp_path, PROFILE, numbers)
    stamps = np.round(numbers / RATE_HZ, 2)  # rounded to two samples
    recording = _read(tmp_path, STAMPED, numbers, stamps_s=stamps)
    assert recording.gaps == (Gap(999, 700),)


def test_the_rate_found_is_held_against_the_declared_one(tmp_path):
    numbers = np.arange(1000)
    recording = _read(tmp_path, STAMPED, numbers, stamps_s=numbers / 210.0)
    assert recording.rate_hz == pytest.approx(210.0)
    assert [p.rule for p in recording.problems] == ["rate_contradicts_profile"]


def test_a_false_wrap_never_passes(tmp_path):
    """Stamps in bursts of 40 with a counter of 16: the rate, or the order, gives it away."""
    profile = STAMPED.model_copy(update={"counter": Counter(column="count", wraps_at=16)})
    numbers = np.arange(2000)
    burst = np.floor(numbers / 40.0) * 40 / RATE_HZ
    recording = _read(tmp_path, profile, numbers, stamps_s=burst, wraps_at=16)
    assert "rate_contradicts_profile" in {p.rule for p in recording.problems}
    late = numbers / RATE_HZ
    late[1000] += 12 / RATE_HZ
    with pytest.raises(StudyError, match="at sample 1001"):
        _read(tmp_path, profile, numbers, stamps_s=late, wraps_at=16)


def test_stamps_that_stand_still_have_no_line():
    with pytest.raises(ValueError, match="do not go up"):
        line_through_stamps(np.full(20, 3.0), np.arange(20))


def test_time_zero_is_the_first_row_without_stamps(tmp_path):
    recording = _read(tmp_path, PROFILE, np.arange(50))
    assert recording.time_s[0] == 0.0
    assert dataclasses.asdict(recording)["jitter_s"] is None
