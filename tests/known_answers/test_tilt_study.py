"""The knee angle held by gravity, from files to metrics: a bias that no straight line takes out.

The thigh's bias swells to 1 degree per s and goes again, that of the shank the other way, while the
knee swings by 20 degrees; then the athlete falls (0 g), lands (5 g) and comes to rest.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from pipeline.extraction.reading import read_bench_file, read_file
from shared.errors import StudyError
from shared.settings.device import DeviceProfile
from tests.known_answers.closed_study import (
    CONDITIONS,
    SEGMENTS,
    STANDING_S,
    Trial,
    change_profiles,
    columns_of,
    profile,
    write_closed_study,
    write_file,
)
from tests.known_answers.error_table import NATIVE
from tests.known_answers.signals import G
from tests.known_answers.tilt_movement import (
    ARM_M,
    Swaying,
    bulge,
    bulge_integral,
    segment_force,
)
from tests.tiny_study.extracted import extract

BIAS_DEG_S = 1.0
MOVEMENT = Swaying("single_leg_drop_landing", shift_s=0.0037)
CONTACT_S = MOVEMENT.contacts[0].time_s
FALL_S = 1.1 * math.sqrt(2.0 * 0.30 / G)
"""As long as a fall from the box can last (quality.largest_fall_time_share)."""
ANGLES = ("knee_flexion_at_contact", "peak_knee_flexion", "knee_flexion_excursion")


def worn(columns, noise_g=0.0):
    """Add the bias of the gyroscopes, and the accelerometers on both segments of both legs."""
    time, rng = columns["time_s"], np.random.default_rng(8)
    movement = MOVEMENT if time[-1] > STANDING_S else None
    columns = dict(columns)
    for side in ("left", "right"):
        for segment, part in SEGMENTS.items():
            columns[f"{segment}_{side}_deg_s"] += np.sign(part) * bulge(time, BIAS_DEG_S)
            felt = segment_force(movement, segment, side, time)
            felt = felt + rng.normal(0.0, noise_g, felt.shape)
            for axis, values in zip("xyz", felt, strict=True):
                columns[f"{segment}_{side}_{axis}_g"] = values
    return columns


def with_accelerometers(content):
    """Map the accelerometers in a device profile."""
    content["channels"] += [
        {
            "channel": f"{segment}_acceleration.{side}.{axis}",
            "column": f"{segment}_{side}_{axis}_g",
            "unit": "g",
            "range": 16.0,
        }
        for segment in SEGMENTS
        for side in ("left", "right")
        for axis in "xyz"
    ]


def gyro_values(settings, folder):
    """Value and flags of the left knee's angles by gyroscope; the contact that they rest on."""
    tables = extract(settings, settings.study_folder.parent / folder)
    metrics = tables["metrics"]
    chosen = (metrics["sensor"] == "gyro") & metrics["metric"].isin(ANGLES)
    (contact_s,) = tables["landings"]["initial_contact_s"]
    return metrics.loc[chosen].set_index("metric").assign(contact_s=contact_s)


def both_ways(root, rate_hz, change=worn, processing=NATIVE):
    """The same files, read by a profile without accelerometers and by one that maps them."""
    trials = [Trial("E01", "clean", "left", 1, MOVEMENT)]
    settings = write_closed_study(root, rate_hz, trials, processing=processing, change=change)
    plain = gyro_values(settings, "plain")
    return plain, gyro_values(change_profiles(root, with_accelerometers), "held")


def left_at_contact():
    """What the filter leaves of the drift at contact, in degrees, by an integrator of scipy.

    In continuous time e' = bias - (e - felt) / tau before the fall, tau being 1 s, and e' = bias in
    it. `felt` is what the inclination is off by while the segments swing on their arm (r a / g).
    """
    until = CONTACT_S - FALL_S

    def growth(time, error):
        felt = ARM_M / G * MOVEMENT.knee_acceleration("left", np.array(time))
        return 2.0 * bulge(time, BIAS_DEG_S) - (error - felt)

    held = solve_ivp(growth, (0.0, until), [0.0], rtol=1e-6, max_step=0.01)
    falling = bulge_integral(CONTACT_S, BIAS_DEG_S) - bulge_integral(until, BIAS_DEG_S)
    return float(held.y[0, -1]) + 2.0 * falling


@pytest.mark.parametrize("rate_hz", [100.0, 200.0, 500.0, 1000.0])
def test_gravity_takes_out_most_of_a_drift_that_no_straight_line_can(tmp_path, rate_hz):
    plain, held = both_ways(tmp_path, rate_hz)
    # At 263 degrees per s a contact found 1 ms early is 0.26 degrees: not the subject here.
    true = float(MOVEMENT.knee("left", plain["contact_s"].to_numpy())[0])
    drift = 2.0 * bulge_integral(CONTACT_S, BIAS_DEG_S)
    assert drift > 4.5
    at_contact = plain.loc["knee_flexion_at_contact", "value"] - true
    assert at_contact == pytest.approx(drift, abs=0.15)
    at_contact = held.loc["knee_flexion_at_contact", "value"] - true
    assert at_contact == pytest.approx(left_at_contact(), abs=0.15)
    # a settled filter leaves tau times the bias, the fall adds its own time
    assert abs(at_contact) <= 2.0 * BIAS_DEG_S * (1.0 + FALL_S)
    # the knee stays bent, so what still drifts makes the last sample of the window the peak
    last_s = CONTACT_S + 0.4
    since = bulge_integral(last_s, BIAS_DEG_S) - bulge_integral(CONTACT_S, BIAS_DEG_S)
    peak = 75.0 + left_at_contact() + 2.0 * since
    assert held.loc["peak_knee_flexion", "value"] == pytest.approx(peak, abs=0.15)
    assert plain.loc["peak_knee_flexion", "value"] - peak > 2.0
    # nothing is corrected after contact: the excursion is the gyroscopes' own, to rounding
    excursion = "knee_flexion_excursion"
    assert held.loc[excursion, "value"] == pytest.approx(plain.loc[excursion, "value"], abs=1e-9)
    assert held.loc[excursion, "value"] == pytest.approx(75.0 - true + 2.0 * since, abs=0.1)
    for name in ANGLES:
        said = {"tilt_corrected"} if name != excursion else set()
        flags = [set(filter(None, table.loc[name, "flags"].split(";"))) for table in (plain, held)]
        assert flags == [set(), said]
    assert held["valid"].all()


def test_noise_of_inexpensive_accelerometers_changes_little(tmp_path):
    """10 mg: a sample's inclination is off by 0.6 degrees, the mean over 1 s by 0.04."""
    clean = both_ways(tmp_path / "clean", 200.0)[1]
    noisy = both_ways(tmp_path / "noisy", 200.0, lambda columns: worn(columns, 0.010))[1]
    np.testing.assert_allclose(noisy["value"], clean["value"], atol=0.2)
    assert (noisy["flags"] == clean["flags"]).all()


def test_the_accelerometers_follow_their_gyroscopes_to_the_common_rate(tmp_path):
    """1000 per second, brought to the 200 of the settings: the values of 1000 within 0.1 degree."""
    at_own_rate = both_ways(tmp_path / "own", 1000.0)[1]
    common = both_ways(tmp_path / "common", 1000.0, processing={})[1]
    np.testing.assert_allclose(common["value"], at_own_rate["value"], atol=0.1)
    assert (common["flags"] == at_own_rate["flags"]).all()


def test_an_accelerometer_upside_down_is_refused_and_not_believed(tmp_path):
    def reversed_y(columns):
        found = worn(columns)
        return found | {"shank_left_y_g": -found["shank_left_y_g"]}

    trials = [Trial("E01", "clean", "left", 1, MOVEMENT)]
    settings = write_closed_study(tmp_path, 200.0, trials, processing=NATIVE, change=reversed_y)
    settings = change_profiles(tmp_path, with_accelerometers)
    excluded = extract(settings, settings.results_folder)["exclusions"]
    assert set(excluded["reason"]) == {"sign_contradicts_signal"}
    assert excluded["detail"].str.contains("shank_left_y_g").all()


def test_on_the_bench_a_unit_may_lie_upside_down(tmp_path):
    columns = worn(columns_of(None, 200.0, CONDITIONS["clean"], np.random.default_rng(0)))
    columns["thigh_right_y_g"] = -columns["thigh_right_y_g"]
    write_file(columns, tmp_path / "unit.csv")
    content = profile("bench", 200.0, "csv", 16.0)
    with_accelerometers(content)
    device = DeviceProfile(**content)
    place = (tmp_path / "unit.csv", device, "unit.csv", "unit", 1.0)
    assert read_file(*place).rule == "sign_contradicts_signal"
    assert read_bench_file(*place).rule == ""


def test_a_profile_that_maps_half_of_a_leg_is_refused(tmp_path):
    def half(content):
        with_accelerometers(content)
        left_out = "shank_acceleration.left.z"
        content["channels"] = [c for c in content["channels"] if c["channel"] != left_out]

    trials = [Trial("E01", "clean", "left", 1, MOVEMENT)]
    write_closed_study(tmp_path, 200.0, trials, processing=NATIVE, change=worn)
    with pytest.raises(StudyError) as refused:
        change_profiles(tmp_path, half)
    assert "'shank_acceleration.left.z' is missing" in str(refused.value)
