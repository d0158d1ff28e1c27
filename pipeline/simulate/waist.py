"""Specific force at the waist: the centre of mass seen through soft tissue, belt and tilt."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter, lfiltic

from pipeline.simulate.contact import DENSE_RATE_HZ
from pipeline.simulate.knee import Knot, Track
from pipeline.simulate.movement import Motion

Array = NDArray[np.float64]

_DAMPING_RATIO = 0.35
_FORWARD_SHARE = 0.30
_SIDEWARD_SHARE = 0.12


def through_tissue(force: Array, gain: float, frequency_hz: float, delay_s: float) -> Array:
    """Return what soft tissue and belt make of a specific force on the dense grid.

    Transfer function (w² + 2 z w s + G s²) / (s² + 2 z w s + w²), bilinear transform, then a delay:
    slow changes pass unaltered, shocks faster than the resonance w are magnified up to G times
    and ring.
    """
    w = 2.0 * np.pi * frequency_hz
    k = 2.0 * DENSE_RATE_HZ
    viscous = 2.0 * _DAMPING_RATIO * w * k
    leading = k * k + viscous + w * w
    numerator = np.array(
        [
            gain * k * k + viscous + w * w,
            2.0 * (w * w - gain * k * k),
            gain * k * k - viscous + w * w,
        ]
    )
    denominator = np.array([leading, 2.0 * (w * w - k * k), k * k - viscous + w * w])
    at_rest = lfiltic(numerator, denominator, [force[0]] * 2, [force[0]] * 2)
    response = lfilter(numerator, denominator, force, zi=at_rest)[0]
    late = round(delay_s * DENSE_RATE_HZ)
    return np.concatenate([np.full(late, response[0]), response[: len(response) - late]])


def specific_force_at_waist(
    motion: Motion, support: Array, row: dict[str, float]
) -> tuple[Array, Array, Array]:
    """Return the specific force (m/s²) along x anterior, y up, z right of the pelvis.

    `support` is the specific force of the centre of mass on the dense grid, sway included. The
    wobble also shakes forward and sideward; the pelvis pitches in the landing, which turns the
    vector but leaves its length.
    """
    vertical = through_tissue(
        support, row["tissue_gain"], row["tissue_frequency_hz"], row["tissue_delay_s"]
    )
    wobble = vertical - support
    forward, sideward = _FORWARD_SHARE * wobble, _SIDEWARD_SHARE * wobble
    begin, end = motion.moving_s
    pitch = Track(
        [
            Knot(begin, 0.0),
            Knot(motion.contact_s[0], 0.3 * row["pelvis_pitch_deg"]),
            Knot(motion.lowest_s[-1], row["pelvis_pitch_deg"]),
            Knot(end, 0.0),
        ]
    )
    angle = np.radians(pitch.angle(np.arange(len(support)) / DENSE_RATE_HZ))
    cosine, sine = np.cos(angle), np.sin(angle)
    return forward * cosine + vertical * sine, vertical * cosine - forward * sine, sideward
