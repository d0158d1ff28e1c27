"""The generator obeys mechanics: checked by closed forms and identities, not by its own code."""

import numpy as np
import pytest

from pipeline.simulate.canvas import acceleration_of, quintic
from pipeline.simulate.contact import DENSE_RATE_HZ, Contact, land
from pipeline.simulate.signals import Signals, sway_acceleration
from pipeline.simulate.style import (
    BOX_JUMP,
    COUNTERMOVEMENT,
    CUT,
    DROP_JUMP,
    SINGLE_LEG,
    SOFT,
    STIFF,
)
from pipeline.simulate.truth import true_values
from pipeline.simulate.waist import through_tissue
from tests.unit.simulation import perform, settings

G = 9.80665  # standard gravity, 3rd General Conference on Weights and Measures (1901)


@pytest.fixture(scope="module")
def trials() -> list[Signals]:
    return perform(settings(), 12)


def _integral(force: np.ndarray, start: float, end: float) -> float:
    """Integral of a piecewise smooth dense signal between two instants, ends interpolated."""
    t = np.arange(len(force)) / DENSE_RATE_HZ
    inside = (t > start) & (t < end)
    grid = np.concatenate([[start], t[inside], [end]])
    values = np.concatenate([[force[inside][0]], force[inside], [force[inside][-1]]])
    return float(np.trapezoid(values, grid))


@pytest.mark.parametrize(
    ("stiffness_n_m", "peak_bw", "depth_m", "peak_s"),
    [
        (7000.0, 3.668014, 0.359709, 0.195499),
        (14000.0, 4.638213, 0.227427, 0.130761),
        (28000.0, 6.047097, 0.148254, 0.088512),
    ],
)
def test_undamped_landing_has_its_closed_form(
    stiffness_n_m: float, peak_bw: float, depth_m: float, peak_s: float
) -> None:
    # Closed form of the undamped spring-mass landing, 70 kg from 0.30 m:
    # F_pk/BW = 1 + sqrt(1 + r²), r = v0 w / g; x = (g/w²) F_pk/BW; t = (pi - arctan r) / w.
    speed = np.sqrt(2 * G * 0.30)
    omega = np.sqrt(stiffness_n_m / 70.0)
    r = speed * omega / G
    assert 1 + np.sqrt(1 + r**2) == pytest.approx(peak_bw, abs=1e-6)
    landing = land(
        Contact(
            speed=np.array([speed]),
            stiffness=np.array([omega**2]),
            damping=np.zeros(1),
            toe_share=np.array([0.3]),
            toe_depth=np.array([0.03]),
            heel_start=np.array([0.05]),
            heel_depth=np.array([0.05]),
        )
    )
    assert landing.lowest_force[0] / G == pytest.approx(peak_bw, rel=1e-5)
    assert landing.lowest_m[0] == pytest.approx(depth_m, rel=1e-5)
    assert landing.lowest_s[0] == pytest.approx(peak_s, abs=2e-5)


def test_quintic_meets_both_ends() -> None:
    start, end, duration = (0.2, -1.1, 3.0), (-0.4, 2.5, -9.8), 0.37
    c = quintic(duration, start, end)
    powers = duration ** np.arange(6)
    height = float(c @ powers)
    velocity = float((c[1:] * np.arange(1, 6)) @ powers[:5])
    acceleration = acceleration_of(c, np.array([0.0, duration]))
    assert (height, velocity) == pytest.approx(end[:2])
    assert acceleration == pytest.approx([start[2], end[2]])


def test_impact_speed_is_the_net_impulse_to_the_lowest_point(trials: list[Signals]) -> None:
    # Impulse-momentum theorem; the speed comes from the fall, not from the force integrated here.
    for signals in trials:
        motion = signals.motion
        assert motion is not None
        if signals.performance.task == COUNTERMOVEMENT:
            continue
        fall = _integral(G - motion.support, motion.moving_s[0] - 0.01, motion.contact_s[0])
        net = _integral(motion.ground - G, motion.contact_s[0], motion.lowest_s[0])
        assert net == pytest.approx(fall, abs=3e-3)
        height = fall**2 / (2 * G)
        assert 0.6 * 0.30 < height < 1.05 * 0.30  # athletes step down from the 0.30 m box


def test_momentum_is_zero_over_every_trial(trials: list[Signals]) -> None:
    for signals in trials:
        motion = signals.motion
        assert motion is not None
        t = np.arange(signals.samples) / DENSE_RATE_HZ
        assert np.trapezoid(motion.support - G, t) == pytest.approx(0.0, abs=5e-3)
        assert motion.support.min() >= 0.0  # the ground cannot pull


def test_flight_follows_from_takeoff_speed_and_landing_speed(trials: list[Signals]) -> None:
    # Free flight: v_landing = g t - v_takeoff, and the landing's impulse stops just that.
    for signals in trials:
        motion = signals.motion
        assert motion is not None
        if signals.performance.task == SINGLE_LEG:
            continue
        flight = motion.contact_s[-1] - motion.takeoff_s[0]
        landing_speed = G * flight - motion.takeoff_speeds[0]
        net = _integral(motion.ground - G, motion.contact_s[-1], motion.lowest_s[-1])
        assert net == pytest.approx(landing_speed, abs=3e-3)


def test_feet_share_what_the_floor_carries(trials: list[Signals]) -> None:
    for signals in trials:
        both = signals.force["left"] + signals.force["right"]
        np.testing.assert_allclose(both, signals.force["single"], atol=1e-9)
        if signals.performance.side != "both":
            other = {"left": "right", "right": "left"}[signals.performance.side]
            assert not signals.force[other].any()


def test_rates_are_the_derivatives_of_the_knee_angle(trials: list[Signals]) -> None:
    t = np.arange(0.0, 6.0, 1e-3)
    step = 1e-5
    for signals in trials[:12]:
        for leg in signals.legs.values():
            slope = (leg.knee.angle(t + step) - leg.knee.angle(t - step)) / (2 * step)
            np.testing.assert_allclose(leg.knee.rate(t), slope, atol=0.3)
            difference = leg.thigh_rate(t) - leg.shank_rate(t)
            np.testing.assert_allclose(difference, leg.knee.rate(t), atol=1e-9)


def test_soft_tissue_of_gain_one_changes_nothing() -> None:
    rng = np.random.default_rng(3)
    force = G + np.cumsum(rng.normal(0.0, 0.1, 4000))
    np.testing.assert_allclose(through_tissue(force, 1.0, 12.0, 0.0), force, rtol=1e-9)
    late = through_tissue(force, 1.0, 12.0, 0.004)
    np.testing.assert_allclose(late[20:], force[:-20], rtol=1e-9)


def test_soft_tissue_has_the_gain_of_its_transfer_function() -> None:
    # |H| = |w² - G v² + 2 i z w v| / |w² - v² + 2 i z w v| at angular frequency v, z = 0.35.
    gain, resonance, frequency = 3.0, 11.0, 17.0
    t = np.arange(0, 3.0, 1 / DENSE_RATE_HZ)
    response = through_tissue(np.sin(2 * np.pi * frequency * t), gain, resonance, 0.0)
    u = frequency / resonance
    expected = abs((1 - gain * u**2 + 0.7j * u) / (1 - u**2 + 0.7j * u))
    assert response[5000:].max() == pytest.approx(expected, rel=2e-3)


def test_sway_adds_no_momentum() -> None:
    sway = sway_acceleration(np.random.default_rng(1), 30001, [(0.0, 6.0)], 0.02)
    assert 0.01 < sway.std() < 0.04
    assert np.trapezoid(sway) / DENSE_RATE_HZ == pytest.approx(0.0, abs=1e-6)


def test_true_metrics_agree_with_plain_arithmetic_on_the_signals(trials: list[Signals]) -> None:
    for signals in trials:
        motion = signals.motion
        assert motion is not None
        rows = {(r.metric, r.sensor, r.side, r.landing): r.value for r in true_values(signals)}
        side = signals.performance.side
        if signals.performance.task == SINGLE_LEG:
            contact, lowest = motion.contact_s[0], motion.lowest_s[0]
            t = np.arange(signals.samples) / DENSE_RATE_HZ
            inside = (t >= contact) & (t <= min(contact + 0.2, lowest))
            peak = signals.force[side][inside].max() / signals.body_weight_n
            assert rows["peak_vgrf", "plate", side, 1] == pytest.approx(peak)
            rate = peak / (rows["time_to_peak_vgrf", "plate", side, 1] / 1000)
            assert rows["average_loading_rate", "plate", side, 1] == pytest.approx(rate, rel=1e-2)
        if signals.performance.task == DROP_JUMP:
            left = rows["impulse_first_100_ms", "plate", "left", 2]
            assert 0.02 < left < rows["impulse_first_100_ms", "plate", "both", 2]
        if signals.performance.task == COUNTERMOVEMENT:
            # Linthorne 2001 (Am J Phys 69:1198): flight time overestimates when landing lower.
            by_time = rows["jump_height_from_flight_time", "plate", "both", 1]
            by_impulse = rows["jump_height_from_impulse", "plate", "both", 1]
            assert 0.0 < by_time - by_impulse < 0.05


@pytest.mark.slow
def test_waist_unit_saturates_in_three_to_eight_percent_of_single_leg_trials() -> None:
    # Share asked for the synthetic cohort; full scale of the unit is 16 g.
    clipped = [
        np.abs(signals.waist).max() > 16 * G
        for signals in perform(settings(), 240, tasks=(SINGLE_LEG,), trials=1)
    ]
    assert 0.03 <= np.mean(clipped) <= 0.08


@pytest.fixture(scope="module")
def further() -> list[Signals]:
    return perform(settings(), 12, (SOFT, STIFF, BOX_JUMP, CUT))


def test_further_movements_keep_their_momentum(further: list[Signals]) -> None:
    for signals in further:
        motion = signals.motion
        assert motion is not None
        t = np.arange(signals.samples) / DENSE_RATE_HZ
        assert np.trapezoid(motion.support - G, t) == pytest.approx(0.0, abs=5e-3)
        assert motion.support.min() >= 0.0


def test_a_box_jump_ends_on_the_box(further: list[Signals]) -> None:
    # Newton's second law: the double integral of the net force is the height that was climbed.
    box = settings().protocol.box_height_m
    jumps = [item for item in further if item.performance.task == BOX_JUMP]
    assert jumps
    for signals in jumps:
        motion = signals.motion
        assert motion is not None
        speed = np.cumsum(motion.support - G) / DENSE_RATE_HZ
        assert np.sum(speed) / DENSE_RATE_HZ == pytest.approx(box, abs=0.012)
        landed = round(motion.contact_s[0] * DENSE_RATE_HZ)
        assert not signals.force["single"][landed:].any(), "the plates are empty from then on"


def test_a_cut_is_one_contact_on_the_plate(further: list[Signals]) -> None:
    cuts = [item for item in further if item.performance.task == CUT]
    assert cuts
    for signals in cuts:
        motion = signals.motion
        assert motion is not None
        loaded = np.flatnonzero(signals.force[signals.performance.side]) / DENSE_RATE_HZ
        assert loaded[0] == pytest.approx(motion.contact_s[0], abs=1e-3)
        assert loaded[-1] == pytest.approx(motion.takeoff_s[1], abs=1e-3)
        assert 0.1 < motion.takeoff_s[1] - motion.contact_s[0] < 1.0


def test_soft_landings_are_softer(further: list[Signals]) -> None:
    # Known groups: a soft landing has the smaller peak and the larger knee excursion (DeVita &
    # Skelly 1992, Med Sci Sports Exerc 24:108).
    found = {
        (task, metric): np.mean(
            [
                row.value
                for item in further
                if item.performance.task == task
                for row in true_values(item)
                if row.metric == metric
            ]
        )
        for task in (SOFT, STIFF)
        for metric in ("peak_vgrf", "knee_flexion_excursion")
    }
    assert found[SOFT, "peak_vgrf"] < 0.9 * found[STIFF, "peak_vgrf"]
    gain = found[SOFT, "knee_flexion_excursion"] - found[STIFF, "knee_flexion_excursion"]
    assert gain > 15.0
