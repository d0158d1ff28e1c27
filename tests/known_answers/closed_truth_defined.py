"""True values of the quantities as they are defined: after the filter, and by the trade's formula.

`closed_truth` holds values against the ideal, unfiltered signal and the true speed. Some metrics
are defined otherwise: peaks and rates on the force behind a zero-lag filter of 100 Hz, the knee's
angle behind one of 20 Hz, the way down of a jump with the speed that its flight time gives, the
first 50 ms from the contact of the record ("crossing is interpolated between samples", says
config/processing.yaml). Here stands the truth of these. The filter is its closed form: a
Butterworth of second order by the bilinear transform has after both passes the gain

    1 / (1 + (tan(pi f / f_s) / tan(pi f_d / f_s))^4),

and -3 dB lie at f_c where tan(pi f_d / f_s) = tan(pi f_c / f_s) / 0.802243 (Winter, Biomechanics
and Motor Control of Human Movement). Numpy's Fourier transform applies it to
samples 10 microseconds apart; nothing comes from the pipeline.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from tests.known_answers.closed_truth import (
    RULE_TRUTHS,
    STEP_S,
    THRESHOLD_N,
    Scene,
    contact_by_rule_s,
    height_from_impulse,
)
from tests.known_answers.closed_truth_peaks import two_tops
from tests.known_answers.closed_truth_plate import speed_to_fall_with
from tests.known_answers.signals import MASS, WEIGHT, G

Array = NDArray[np.float64]

FORCE_HZ, WAIST_HZ, ANGULAR_RATE_HZ = 100.0, 60.0, 20.0
_AT_CONTACT, _STEPS = round(1.0 / STEP_S), 2**18
"""The stretch that is filtered: 1 s before contact to 1.6 s after, long forgotten where values lie.

A power of two, for the transform."""


def zero_lag(values: Array, cutoff_hz: float, rate_hz: float) -> Array:
    """Apply the closed form of the filter of a sampling rate to dense samples."""
    frequency = np.fft.rfftfreq(values.size, STEP_S)
    below = frequency < 0.5 * rate_hz  # nothing passes at half of the rate and beyond
    design = math.tan(math.pi * cutoff_hz / rate_hz) / (math.sqrt(2.0) - 1.0) ** 0.25
    gain = np.zeros(frequency.size)
    gain[below] = 1.0 / (1.0 + (np.tan(np.pi * frequency[below] / rate_hz) / design) ** 4)
    return np.fft.irfft(np.fft.rfft(values) * gain, values.size)


def _stretch(scene: Scene) -> Array:
    return scene.contact_s + (np.arange(_STEPS) - _AT_CONTACT) * STEP_S


@lru_cache(maxsize=4)
def smooth_force(scene: Scene, rate_hz: float) -> Array:
    """Filtered force on what is looked at, BW, from 1 s before contact."""
    whole = scene.side == "both" or scene.movement.sides == ("left",)
    share = 1.0 if whole else scene.movement.share(scene.side)
    return zero_lag(share * scene.movement.force(_stretch(scene)), FORCE_HZ, rate_hz)


def _peak(scene: Scene, force: Array) -> int:
    """Place of the filtered peak between contact and the lowest point, 200 ms later at most."""
    end = _AT_CONTACT + math.floor(min(0.200, scene.lowest_s) / STEP_S)
    return _AT_CONTACT + int(np.argmax(force[_AT_CONTACT : end + 1]))


def _peak_bw(scene: Scene, rate_hz: float) -> float:
    force = smooth_force(scene, rate_hz)
    return float(force[_peak(scene, force)])


def _peak_s(scene: Scene, rate_hz: float) -> float:
    return (_peak(scene, smooth_force(scene, rate_hz)) - _AT_CONTACT) * STEP_S


def _average_rate(scene: Scene, rate_hz: float) -> float:
    force = smooth_force(scene, rate_hz)
    top = _peak(scene, force)
    contact = _AT_CONTACT + round((_first_contact_s(scene, rate_hz) - scene.contact_s) / STEP_S)
    return float((force[top] - force[contact]) / ((top - contact) * STEP_S))


def _central_difference(scene: Scene, rate_hz: float) -> float:
    """Steepest rise from contact to peak between a sample's neighbours, wherever samples fall."""
    force = smooth_force(scene, rate_hz)
    step = round(1.0 / rate_hz / STEP_S)
    places = np.arange(_AT_CONTACT, _peak(scene, force) + 1)
    return float((force[places + step] - force[places - step]).max() / (2.0 * step * STEP_S))


def _filtered_tops(scene: Scene, rate_hz: float) -> list[tuple[float, float]]:
    """Time after contact (ms) and height (BW) of toe and heel peak of the filtered force."""
    force = smooth_force(scene, rate_hz)[_AT_CONTACT:]
    return [(1000.0 * STEP_S * top, float(force[top])) for top in two_tops(force, scene.lowest_s)]


def line_contact_s(scene: Scene, rate_hz: float) -> float:
    """Contact as a record has it: where the line between two samples meets the threshold.

    The samples are those of a clock that starts at zero. One limb only.
    """
    after = math.ceil(scene.contact_s * rate_hz)
    whole = scene.movement.sides == ("left",)
    pair = np.array([after - 1, after]) / rate_hz
    before_n, after_n = (
        WEIGHT * (1.0 if whole else scene.movement.share(scene.side)) * (scene.movement.force(pair))
    )
    return float(pair[0] + (THRESHOLD_N - before_n) / (after_n - before_n) / rate_hz)


def _first_contact_s(scene: Scene, rate_hz: float) -> float:
    limbs = scene.movement.sides if scene.side == "both" else (scene.side,)
    of_limbs = (Scene(scene.movement, scene.contact, side) for side in limbs)
    return min(line_contact_s(limb, rate_hz) for limb in of_limbs)


def _impulse_from_the_line(scene: Scene, duration_s: float, rate_hz: float) -> float:
    whole = scene.side == "both" or scene.movement.sides == ("left",)
    share = 1.0 if whole else scene.movement.share(scene.side)
    time = np.arange(round(duration_s / STEP_S) + 1) * STEP_S
    force = scene.movement.force(_first_contact_s(scene, rate_hz) + time)
    return float(share * np.trapezoid(force) * STEP_S)


ONSET_LEAD_S = 0.030
"""Owen et al. 2014: the onset lies so much before the first departure from body weight."""


def _time_to_takeoff(scene: Scene, rate_hz: float) -> float:
    """From the first sample that has left body weight, minus the lead; 5 SD of nothing are none."""
    start = scene.movement.jump.start
    departed = (math.floor(start * rate_hz) + 1) / rate_hz
    return scene.takeoff_s - departed + ONSET_LEAD_S


def _steepest_waist(scene: Scene, rate_hz: float) -> float:
    """Steepest rise of the filtered specific force between a sample's neighbours."""
    force = zero_lag(scene.movement.specific_force(_stretch(scene)), WAIST_HZ, rate_hz)
    step = round(1.0 / rate_hz / STEP_S)
    first = _AT_CONTACT + round((contact_by_rule_s(scene) - scene.contact_s) / STEP_S)
    places = np.arange(first, first + round(0.200 / STEP_S))
    return float((force[places + step] - force[places - step]).max() / (2.0 * step * STEP_S))


def _bent(scene: Scene, rate_hz: float) -> tuple[Array, int]:
    """Filtered flexion from contact on, up to a constant, and where it is largest."""
    rate = scene.movement.knee_rate(scene.side, _stretch(scene))
    rate = zero_lag(rate, ANGULAR_RATE_HZ, rate_hz)
    angle = np.cumsum(rate)[_AT_CONTACT:] * STEP_S
    return angle, int(np.argmax(angle[scene.knee_window]))


def _angle_at_force_peak(scene: Scene, rate_hz: float) -> float:
    """Flexion at the peak of the filtered force; the filter of the angle moves nothing there."""
    return float(scene.knee[round(_peak_s(scene, rate_hz) / STEP_S)])


@lru_cache(maxsize=4)
def _way(scene: Scene) -> tuple[Array, Array, Array]:
    """Force (BW), downward speed and depth until it stops, begun with the speed as defined."""
    steps = 0.5 * (scene.body[1:] + scene.body[:-1]) - 1.0
    speed = speed_to_fall_with(scene) - G * STEP_S * np.concatenate(([0.0], np.cumsum(steps)))
    end = int(np.argmax(speed <= 0.0)) + 1
    speed = speed[:end]
    depth = STEP_S * np.concatenate(([0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]))))
    return scene.body[:end], speed, depth


def _work(scene: Scene) -> float:
    force, speed, _ = _way(scene)
    return float(G * np.trapezoid(force * speed) * STEP_S)


def _stiffness(scene: Scene) -> float:
    force, _, depth = _way(scene)
    return float(MASS * G * force[-1] / depth[-1] / 1000.0)


def _impulse_to_lowest(scene: Scene) -> float:
    return scene.integral(scene.force, (len(_way(scene)[0]) - 1) * STEP_S)


Truth = Callable[[Scene, float], float]

_OF_PLATES: dict[str, Truth] = {
    "peak_vgrf": _peak_bw,
    "time_to_peak_vgrf": lambda s, rate_hz: 1000.0 * _peak_s(s, rate_hz),
    "average_loading_rate": _average_rate,
    "first_force_peak": lambda s, rate_hz: _filtered_tops(s, rate_hz)[0][1],
    "second_force_peak": lambda s, rate_hz: _filtered_tops(s, rate_hz)[1][1],
    "time_to_first_force_peak": lambda s, rate_hz: _filtered_tops(s, rate_hz)[0][0],
    "time_to_second_force_peak": lambda s, rate_hz: _filtered_tops(s, rate_hz)[1][0],
    "impulse_first_50_ms": lambda s, rate_hz: _impulse_from_the_line(s, 0.050, rate_hz),
    "time_to_takeoff": _time_to_takeoff,
    "modified_reactive_strength_index": lambda s, rate_hz: (
        height_from_impulse(s) / _time_to_takeoff(s, rate_hz)
    ),
    "peak_loading_rate": _central_difference,
    "impulse_to_lowest_point": lambda s, _: _impulse_to_lowest(s),
    "net_braking_impulse": lambda s, _: speed_to_fall_with(s),
    "centre_of_mass_displacement": lambda s, _: float(_way(s)[2][-1]),
    "vertical_stiffness": lambda s, _: _stiffness(s),
    "negative_work": lambda s, _: _work(s),
    "time_to_lowest_point": lambda s, _: 1000.0 * (len(_way(s)[0]) - 1) * STEP_S,
}
_OF_ACCELEROMETERS: dict[str, Truth] = {"peak_waist_loading_rate": _steepest_waist}
_OF_GYROSCOPES: dict[str, Truth] = {
    "time_to_peak_knee_flexion": lambda s, rate_hz: 1000.0 * STEP_S * _bent(s, rate_hz)[1],
    "knee_flexion_at_peak_vgrf": _angle_at_force_peak,
}

DEFINED_TRUTHS: dict[tuple[str, str], Truth] = {
    **{(metric, "plate"): truth for metric, truth in _OF_PLATES.items()},
    **{
        (metric, sensor): truth
        for metric, truth in _OF_ACCELEROMETERS.items()
        for sensor in ("waist", "reference_accelerometer")
    },
    **{(metric, "gyro"): truth for metric, truth in _OF_GYROSCOPES.items()},
    **{
        (metric, "waist"): lambda s, _, truth=truth: truth(s)
        for metric, truth in RULE_TRUTHS.items()
    },
}
"""(metric, sensor) -> its true value as it is defined, from scene and sampling rate."""
