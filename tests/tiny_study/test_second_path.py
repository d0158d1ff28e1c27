"""The same raw recordings by a second code path of a few lines, written apart from the pipeline.

It shares nothing with it but the definitions: contact at 20 N above the empty plate, body weight
by the stance before the jump, peak within 200 ms of contact, impulse over 100 ms, the frozen
cut-off of the force. It works on whole samples; its filter is the library's. Agreement demanded:
2 % of force, 2 ms.
"""

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from scipy.signal import butter, filtfilt

from shared.settings.load import load_settings
from shared.sources import ROOT
from tests.tiny_study.real_study import COURSE, landing, needs_open_recordings, value

pytestmark = needs_open_recordings

JUMPS = ("CMJ1", "CMJ2", "CMJ3", "CMJ4", "CMJ5", "CMJ6", "CMJ7")


CUTOFF_HZ = load_settings(ROOT / "config").processing.filtering.force_hz


def smoothed(force, rate):
    """Filter forward and backward; the pass alone must lie higher (Winter: 0.802)."""
    if CUTOFF_HZ is None:
        return force
    angle = np.tan(np.pi * CUTOFF_HZ / rate) / (np.sqrt(2.0) - 1.0) ** 0.25
    return filtfilt(*butter(2, np.arctan(angle) / np.pi * rate, fs=rate), force)


def plain(force, rate=1000):
    """Take-off, contact, body weight, peak and impulse of a jump, in samples, N, BW and BW s."""
    low = force < 50.0
    edges = np.flatnonzero(np.diff(low.astype(int)))
    # the longest time below 50 N is the flight
    spans = [(b - a, a, b) for a, b in pairwise(edges) if low[a + 1]]
    _, start, end = max(spans)
    empty = force[start + (end - start) // 4 : end - (end - start) // 4].mean()
    force = force - empty
    takeoff = start - 40 + np.flatnonzero(force[start - 40 : start + 40] >= 20.0)[-1] + 1
    contact = end - 40 + np.flatnonzero(force[end - 40 : end + 40] >= 20.0)[0]
    still = min(range(0, start - 1500, 50), key=lambda i: force[i : i + 1000].std())
    weight = force[still : still + 1000].mean()
    impulse = np.trapezoid(force[contact : contact + 101]) / rate / weight
    peak = smoothed(force, rate)[contact : contact + 201].max() / weight
    return takeoff, contact, weight, peak, impulse


@pytest.mark.parametrize("name", JUMPS)
def test_second_path_agrees(real, name):
    raw = pd.read_parquet(COURSE / "jumps_raw.parquet", filters=[("trial", "==", name)])
    takeoff, contact, weight, peak, impulse = plain(raw["fz_N"].to_numpy())
    found, start = landing(real, name), raw["time_s"].iloc[0]
    assert (found["takeoff_s"] - start) * 1000 == pytest.approx(takeoff, abs=2.0)
    assert (found["initial_contact_s"] - start) * 1000 == pytest.approx(contact, abs=2.0)
    flight = value(real, name, "flight_time")["value"]
    assert flight == pytest.approx((contact - takeoff) / 1000, abs=0.002)
    # The pipeline weighs in the standing recording, this path in the stance before the jump.
    assert found["body_weight_n"] == pytest.approx(weight, rel=0.02)
    assert value(real, name, "impulse_first_100_ms")["value"] == pytest.approx(impulse, rel=0.02)
    assert value(real, name, "peak_vgrf")["value"] == pytest.approx(peak, rel=0.02)
