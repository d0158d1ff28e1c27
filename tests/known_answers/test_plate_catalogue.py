"""Every plate metric on closed-form trials, through the real readers and the real steps.

Drop landing, drop jump and countermovement jump on a spring of 14 and 9 kN/m; the truth comes from
the formulas (`closed_truth_plate`), with contact and take-off at 20 N by their definition.
"""

import pytest

from shared.metric_dictionary import metrics
from tests.known_answers.closed_movement import TOE_AND_HEEL_TASK
from tests.known_answers.closed_truth_peaks import PEAK_TRUTHS
from tests.known_answers.closed_truth_plate import PLATE_TRUTHS
from tests.known_answers.error_table import measured

# Largest error at 1000 Hz without noise, relative to the truth; what is not here: 0.1 %.
# The way down of the countermovement jump starts with the speed by flight time, which equal heights
# at take-off and contact make 0.2 % slower than the true one at 20 N: 0.3 % of work.
# The movement onset lies 30 ms before the departure from body weight: 3.6 % of time to take-off.
# The first peak on the toe loses 0.07 % to the filter and as much between two samples.
# Central differences of filtered force (100 Hz) overshoot by 0.9 % where a spring begins at once.
RELATIVE = {
    "average_loading_rate": 5e-3,
    "time_to_peak_vgrf": 4e-3,
    "impulse_first_50_ms": 4e-3,
    "time_to_takeoff": 0.04,
    "modified_reactive_strength_index": 0.04,
    "first_force_peak": 1.5e-3,
    "time_to_first_force_peak": 5e-3,
    "time_to_second_force_peak": 2e-3,
    "peak_loading_rate": 0.011,
    "impulse_to_lowest_point": 1.5e-3,
    "centre_of_mass_displacement": 3e-3,
    "vertical_stiffness": 3e-3,
    "negative_work": 4e-3,
    "net_braking_impulse": 2e-3,
}
# these may be zero: their unit counts, m/s, J/kg and ms
ABSOLUTE = {
    "impact_speed_mismatch": 1e-3,
    "negative_work_mismatch": 0.01,
    "force_displacement_correlation": 2e-3,
    "contact_lag_between_limbs": 1e-3,
}


BY_ALL_SENSORS = [
    "peak_vgrf", "time_to_peak_vgrf", "average_loading_rate", "impulse_first_50_ms",
    "impulse_first_100_ms", "flight_time", "contact_time", "jump_height_from_flight_time",
    "jump_height_from_impulse",
]  # fmt: skip
"""Their truths stand in `closed_truth`."""


def _plate(rate_hz, conditions):
    values = measured(rate_hz, conditions)
    named = [*PLATE_TRUTHS, *PEAK_TRUTHS, *BY_ALL_SENSORS]
    return values.loc[(values["sensor"] == "plate") & values["metric"].isin(named)]


@pytest.fixture(scope="module")
def at_1000_hz():
    return _plate(1000.0, {"clean": 3, "noise": 6})


@pytest.mark.parametrize("metric", [*PLATE_TRUTHS, *PEAK_TRUTHS])
def test_error_without_noise(at_1000_hz, metric):
    rows = at_1000_hz.query("metric == @metric and condition == 'clean'")
    two_peaks = rows["task"] == TOE_AND_HEEL_TASK
    # A spring has one peak, and two are no spring.
    lacking = {**dict.fromkeys(PEAK_TRUTHS, ~two_peaks), "vertical_stiffness": two_peaks}
    if metric in lacking:
        assert rows.loc[lacking[metric], "value"].isna().all()
        rows = rows.loc[~lacking[metric]]
    assert len(rows) >= 3
    assert rows["value"].notna().all()
    if metric in ABSOLUTE:
        assert rows["error"].abs().max() <= ABSOLUTE[metric]
    else:
        share = (rows["error"] / rows["truth"]).abs()
        assert share.max() <= RELATIVE.get(metric, 1e-3), share.max()


def test_forces_within_a_thousandth_and_events_within_a_millisecond(at_1000_hz):
    clean = at_1000_hz.query("condition == 'clean'")
    forces = clean.query("metric in ['peak_vgrf', 'impulse_first_100_ms']")
    assert (forces["error"] / forces["truth"]).abs().max() < 1e-3
    times = clean.query("metric in ['flight_time', 'contact_time']")
    assert times["error"].abs().max() < 1e-3


# Bounds from what was found with these six draws, rounded outwards: a guard, not a claim. A
# weight that is 0.01 % off over 2 to 4 s until the final stance is 0.1 to 0.2 % of the speed.
@pytest.mark.parametrize(
    ("metric", "bias", "spread"),
    [
        ("centre_of_mass_displacement", 0.006, 0.006),
        ("negative_work", 0.006, 0.006),
        ("impact_speed_from_final_stance", 0.004, 0.005),
        ("impact_speed_from_following_jump", 0.002, 0.002),
        ("peak_loading_rate", 0.04, 0.02),  # noise lifts the largest of many slopes
        ("loading_rate_20_to_80_percent", 0.002, 0.003),
        ("time_to_stabilisation", 0.02, 0.01),  # noise holds the force out of its band longer
        ("landing_impulse_share", 1e-3, 1e-3),
    ],
)
def test_bias_and_spread_with_noise_of_1_5_n(at_1000_hz, metric, bias, spread):
    rows = at_1000_hz.query("metric == @metric and condition == 'noise'")
    share = rows["error"] / rows["truth"]
    for _, part in share.groupby([rows["task"], rows["landing"]]):
        assert abs(part.mean()) < bias
        assert part.std(ddof=0) < spread


def test_200_hz_are_worse_by_what_they_may_and_refuse_what_needs_the_filter():
    values = _plate(200.0, {"clean": 2})
    # a cut-off of 100 Hz cannot be applied at 200 samples per second: told, not guessed
    filtered = values["metric"].str.contains("vgrf|loading_rate|force_peak")
    assert values.loc[filtered, "value"].isna().all()
    assert values.loc[filtered, "flags"].str.contains("rate_mismatch").all()
    rows = values.loc[~filtered & values["value"].notna()]
    # 1 ms of contact (a straight line between two samples) is 2 to 5 % of the first impulses
    limits = {"impulse_first_50_ms": 0.10, "impulse_first_100_ms": 0.04}
    # the 30 ms before the departure from body weight, as in the bounds at 1000 Hz
    limits |= {"time_to_takeoff": 0.05, "modified_reactive_strength_index": 0.06}
    share = (rows["error"] / rows["truth"]).abs()
    for metric, part in share.groupby(rows["metric"]):
        if metric not in ABSOLUTE:
            assert part.max() < limits.get(metric, 0.02), metric


def test_nothing_of_the_catalogue_is_forgotten():
    plate = {m.id for m in metrics().values() if "plate" in m.sensors}
    assert plate == {*BY_ALL_SENSORS, *PLATE_TRUTHS, *PEAK_TRUTHS}
