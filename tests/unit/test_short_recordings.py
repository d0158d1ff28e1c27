"""Recordings shorter than a filter needs are refused with their numbers; none ends the study.

What a filter needs is its own condition: the odd reflection at both ends leans on three periods of
the cut-off (`butterworth.settling_samples`), and the library's filter cannot reflect more samples
than there are.
"""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.extraction.gyro_contacts import contact_by_gyro
from pipeline.extraction.knee import read_knee
from pipeline.extraction.reading import judge, shortest_recording_s
from pipeline.extraction.signals import Signals
from pipeline.extraction.stretch import unfit_for
from pipeline.filtering.butterworth import zero_lag_lowpass
from pipeline.metrics.outcome import Refused
from pipeline.readers.recording import Recording
from shared.settings.load import load_settings
from shared.sources import ROOT
from tests.unit.extraction_signals import (
    CONTACT,
    PROCESSING,
    drop_force,
    measure,
    plates,
    times,
    trial,
    values,
    wearables,
)
from tests.unit.test_knee_sensors import camera, only_gyroscopes

SINGLE = "single_leg_drop_landing"
DEVICES = load_settings(ROOT / "config").devices


def around_contact(signals, duration_s):
    """Keep a stretch that holds the contact, 20 ms after its first sample."""
    first = round((CONTACT - 0.02) * signals.rate_hz)
    kept = slice(first, first + round(duration_s * signals.rate_hz))
    channels = {name: samples[kept] for name, samples in signals.channels.items()}
    return replace(signals, channels=channels, start_s=signals.seconds(first))


@pytest.mark.parametrize(
    ("rate_hz", "cutoff_hz", "needed"), [(1000.0, 20.0, 150), (100.0, 12.0, 25), (130.0, 12.0, 33)]
)
def test_the_refusal_is_just_where_the_filter_would_raise(rate_hz, cutoff_hz, needed):
    """Three periods by hand: 3 / 20 s, 3 / 12 s; at 130 per second 32.5 samples, so 33."""
    filtering = {"rate_hz": rate_hz, "cutoff_hz": cutoff_hz, "order_per_pass": 2}
    short, enough = (
        Signals("t.unit", "unit", 0.0, rate_hz, {"a": np.arange(n, dtype=float)})
        for n in (needed, needed + 1)
    )
    refused = unfit_for(cutoff_hz, short)
    assert refused is not None
    assert refused.reason == "short_recording"
    assert f"t.unit has {needed} samples" in refused.detail
    assert f"more than {needed}:" in refused.detail
    with pytest.raises(ValueError, match="too short"):
        zero_lag_lowpass(short.channels["a"], **filtering)
    assert unfit_for(cutoff_hz, enough) is None
    assert np.isfinite(zero_lag_lowpass(enough.channels["a"], **filtering)).all()
    assert unfit_for(None, short) is None


@pytest.mark.parametrize(
    ("sensor", "duration_s", "metric"),
    [
        ("gyro", 0.14, "peak_knee_flexion_rate"),
        ("camera", 0.24, "knee_flexion_excursion"),
        ("waist", 0.06, "peak_waist_acceleration"),
        ("plate", 0.029, "peak_vgrf"),
    ],
)
def test_a_sensor_with_too_few_samples_is_refused_and_the_rest_is_measured(
    sensor, duration_s, metric
):
    force = drop_force(times())
    recordings = {
        "plate": plates({"left": 1.0, "right": 0.0}, force),
        "waist": replace(wearables(force), device="wearables"),
        "gyro": replace(only_gyroscopes(), recording_id="trial.gyro"),
        "camera": replace(camera(100.0), recording_id="trial.camera"),
    }
    worn = recordings["waist"]
    of_waist = {n: x for n, x in worn.channels.items() if n.startswith("waist")}
    recordings["waist"] = replace(worn, channels=of_waist)
    recordings[sensor] = around_contact(recordings[sensor], duration_s)
    (measured,) = measure(trial(SINGLE, "left", *recordings.values()))
    found = values(measured, metric, sensor)["left"]
    assert isinstance(found.outcome, Refused)
    assert found.flags & {"short_recording", "no_flight", "no_landing"}
    if sensor in ("gyro", "camera"):  # timed by the plate: only the filter is in the way
        samples = round(duration_s * recordings[sensor].rate_hz)
        assert found.outcome.reason == "short_recording"
        assert f"trial.{sensor} has {samples} samples" in found.outcome.detail
    others = {value.sensor for value in measured.values if not isinstance(value.outcome, Refused)}
    assert others == {"plate", "waist", "gyro", "camera"} - {sensor}


def test_gyroscopes_that_are_too_short_give_no_contact():
    short = around_contact(only_gyroscopes(), 0.14)
    knee = read_knee(trial(SINGLE, "left", short), "left", {})
    assert knee is not None
    assert contact_by_gyro(knee, PROCESSING) is None


def test_what_a_device_needs_at_least():
    """The longer of the weighing and the quickest filter of its sensors: 3 / 12 s for a camera."""
    assert {shortest_recording_s(device, PROCESSING) for device in DEVICES.values()} == {1.0}
    calibration = PROCESSING.calibration.model_copy(update={"window_s": 0.02})
    settings = PROCESSING.model_copy(update={"calibration": calibration})
    needed = {name: shortest_recording_s(device, settings) for name, device in DEVICES.items()}
    filtering = PROCESSING.filtering
    assert needed["camera_knee"] == 3.0 / filtering.camera_angle_hz == 0.25
    assert needed["plates_pair"] == 3.0 / filtering.force_hz == 0.03
    unfiltered = filtering.model_copy(update={"force_hz": None})
    settings = settings.model_copy(update={"filtering": unfiltered})
    assert shortest_recording_s(DEVICES["plates_pair"], settings) == 0.02


def test_a_file_that_is_too_short_says_how_many_samples_it_has_and_needs():
    time_s = np.arange(20) / 100.0
    found = Recording("r.csv", "camera", "ab", time_s, {"knee_flexion.left": np.ones(20)}, 100.0)
    reading = judge(found, "r.camera", 0.25)
    assert reading.signals is None
    assert reading.rule == "short_recording"
    assert reading.reason == "found 20 samples (0.19 s), expected at least 26 (0.25 s)"
