"""The same raw recordings by a second code path of a few lines, written apart from the pipeline.

It shares nothing with it but the definitions: contact at 20 N above the empty plate, body weight by
the stance before the jump or by the scale, peak within 200 ms of contact, impulse over 100 ms, the
frozen cut-off of the force. It works on whole samples; its filter is the library's. Agreement
demanded: 2 % of force, 2 ms.
"""

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from scipy.signal import butter, filtfilt

from shared.settings.load import load_settings
from shared.sources import ROOT
from tests.tiny_study.real_study import (
    CONTROL,
    COURSE,
    PEOPLE,
    landing,
    needs_open_recordings,
    value,
)

pytestmark = needs_open_recordings

NOT_WEIGHED = {"GRFZjump": 600, "jump1": 450, "jump2": 450}
JUMPS = {
    **{f"CMJ{number}": 1000 for number in range(1, 8)},
    **{f"S0{subject}_CMJAB{trial}": 1000 for subject in (1, 2, 3) for trial in (1, 2, 3)},
    **NOT_WEIGHED,
}
"""Trial -> samples per second."""

CUTOFF_HZ = load_settings(ROOT / "config").processing.filtering.force_hz


def smoothed(force, rate):
    """Filter forward and backward; the pass alone must lie higher (Winter: 0.802)."""
    if CUTOFF_HZ is None:
        return force
    angle = np.tan(np.pi * CUTOFF_HZ / rate) / (np.sqrt(2.0) - 1.0) ** 0.25
    return filtfilt(*butter(2, np.arctan(angle) / np.pi * rate, fs=rate), force)


def flights(force):
    """First and last sample of each time below 50 N that ends in a load, the longest last."""
    low = force < 50.0
    edges = np.flatnonzero(np.diff(low.astype(int)))
    if low[0]:
        edges = np.concatenate([[0], edges])
    return sorted(((a, b) for a, b in pairwise(edges) if low[a + 1]), key=lambda x: x[1] - x[0])


def without_offset(force, start, end):
    """Take out what the plate reads in the middle of a flight."""
    return force - force[start + (end - start) // 4 : end - (end - start) // 4].mean()


def takeoff_near(force, sample):
    return sample - 40 + np.flatnonzero(force[sample - 40 : sample + 40] >= 20.0)[-1] + 1


def contact_near(force, sample):
    return sample - 40 + np.flatnonzero(force[sample - 40 : sample + 40] >= 20.0)[0]


def of_landing(force, rate, contact, weight):
    """Peak within 200 ms (BW) and impulse of 100 ms (BW s)."""
    peak = smoothed(force, rate)[contact : contact + rate // 5 + 1].max() / weight
    return peak, np.trapezoid(force[contact : contact + rate // 10 + 1]) / rate / weight


def plain(force, rate, scale_weight):
    """Take-off, contact, body weight, peak and impulse of a jump, in samples, N, BW and BW s."""
    after_standing = [(a, b) for a, b in flights(force) if force[max(a - rate // 10, 0)] > 200.0]
    start, end = after_standing[-1]
    force = without_offset(force, start, end)
    takeoff, contact = takeoff_near(force, start), contact_near(force, end)
    weight = (
        scale_weight
        or min(
            (force[i : i + rate] for i in range(0, start - 3 * rate // 2, rate // 20)), key=np.std
        ).mean()
    )
    return takeoff, contact, weight, *of_landing(force, rate, contact, weight)


def raw_of(name):
    if (CONTROL / f"{name}.csv").is_file():
        return pd.read_csv(CONTROL / f"{name}.csv")
    return pd.read_parquet(COURSE / "jumps_raw.parquet", filters=[("trial", "==", name)])


@pytest.mark.parametrize("name", JUMPS)
def test_second_path_agrees(real, name):
    raw, rate = raw_of(name), JUMPS[name]
    # Without a standing recording the weight is that of the scale, by both paths.
    scale = PEOPLE[real[0][name].split(".")[0]] if name in NOT_WEIGHED else None
    takeoff, contact, weight, peak, impulse = plain(raw["fz_N"].to_numpy(), rate, scale)
    found, start = landing(real, name), raw["time_s"].iloc[0]
    # Whole samples here, and 2 ms are less than one at 450 per second.
    apart_s = max(0.002, 1.0 / rate)
    assert found["takeoff_s"] - start == pytest.approx(takeoff / rate, abs=apart_s)
    assert found["initial_contact_s"] - start == pytest.approx(contact / rate, abs=apart_s)
    flight = value(real, name, "flight_time")["value"]
    assert flight == pytest.approx((contact - takeoff) / rate, abs=apart_s)
    # Else the pipeline weighs in the standing recording, this path in the stance before the jump.
    assert found["body_weight_n"] == pytest.approx(weight, rel=0.02)
    assert value(real, name, "impulse_first_100_ms")["value"] == pytest.approx(impulse, rel=0.02)
    assert value(real, name, "peak_vgrf")["value"] == pytest.approx(peak, rel=0.02)


def test_second_path_agrees_on_both_landings_of_a_drop_jump(real):
    """The plate is empty until landing 1; the box behind it is not seen."""
    raw, rate = raw_of("DJ1"), 1000
    force = raw["fz_N"].to_numpy()
    (jump_start, jump_end), (before, first_end) = flights(force)[-2:]
    force = without_offset(force, jump_start, jump_end)
    takeoff = takeoff_near(force, jump_start)
    contacts = contact_near(force, first_end), contact_near(force, jump_end)
    assert before == 0
    times = value(real, "DJ1", "contact_time", 1), value(real, "DJ1", "flight_time", 2)
    assert times[0]["value"] == pytest.approx((takeoff - contacts[0]) / rate, abs=0.002)
    assert times[1]["value"] == pytest.approx((contacts[1] - takeoff) / rate, abs=0.002)
    for number, contact in enumerate(contacts, start=1):
        found = landing(real, "DJ1", number)
        assert found["initial_contact_s"] == pytest.approx(contact / rate, abs=0.002)
        weight = force[-1500:-500].mean()
        assert found["body_weight_n"] == pytest.approx(weight, rel=0.02)
        peak, impulse = of_landing(force, rate, contact, weight)
        assert value(real, "DJ1", "peak_vgrf", number)["value"] == pytest.approx(peak, rel=0.02)
        share = value(real, "DJ1", "impulse_first_100_ms", number)["value"]
        assert share == pytest.approx(impulse, rel=0.02)
