"""How an athlete wears the units at a visit: what no bench can know."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.simulate.columns import SEGMENTS
from pipeline.simulate.people import SIDES, Person
from pipeline.simulate.settings import SimulationSettings

Array = NDArray[np.float64]
Place = tuple[str, str]
"""(segment, side)."""


@dataclass(frozen=True)
class Fitting:
    """How one athlete wears the units at one visit; rates in deg/s, accelerations in g.

    Parameters
    ----------
    accelerometer_bias : (3,)
    tilt : (3, 3) rotation from pelvis to waist unit
    rate_bias : place -> (3,)
    misalignment : place -> radians, towards x and y
    camera_zero : side -> degrees
    mirrored : sides whose units are turned half around the long axis
    rate_bias_change : place -> (3,), from the start to the end of the session
    reference_tilt, reference_bias : as those of the waist unit, of the unit worn beside it
    """

    accelerometer_bias: Array
    tilt: Array
    rate_bias: dict[Place, Array]
    misalignment: dict[Place, tuple[float, float]]
    camera_zero: dict[str, float]
    mirrored: tuple[str, ...]
    rate_bias_change: dict[Place, Array]
    reference_tilt: Array
    reference_bias: Array

    def at(self, share: float) -> Fitting:
        """Return the fitting after a share of the session: 0 at its start, 1 at its end."""
        biases = {
            place: bias + share * self.rate_bias_change[place]
            for place, bias in self.rate_bias.items()
        }
        return replace(self, rate_bias=biases)


def _rotation(pitch: float, roll: float) -> Array:
    cp, sp, cr, sr = np.cos(pitch), np.sin(pitch), np.cos(roll), np.sin(roll)
    about_z = np.array([[cp, sp, 0.0], [-sp, cp, 0.0], [0.0, 0.0, 1.0]])
    about_x = np.array([[1.0, 0.0, 0.0], [0.0, cr, sr], [0.0, -sr, cr]])
    return about_x @ about_z


def fit(
    settings: SimulationSettings,
    person: Person,
    rng: np.random.Generator,
    session: np.random.Generator,
) -> Fitting:
    """Return how the units sit and err at a visit; `session` draws what changes during it."""
    errors = settings.instruments
    tilt = np.radians(errors.accelerometer_tilt_sd_deg)
    skew = np.radians(errors.rate_misalignment_sd_deg)
    bias = rng.normal(0.0, errors.accelerometer_bias_sd_g, 3)
    rotation = _rotation(rng.normal(0.0, tilt), rng.normal(0.0, tilt))
    places = [(segment, side) for segment in SEGMENTS for side in SIDES]
    mirrored = person.site == settings.nuisances.mirrored_left_sensors_site
    return Fitting(
        accelerometer_bias=bias,
        tilt=rotation,
        rate_bias={
            place: rng.normal(errors.rate_bias_mean_deg_s, errors.rate_bias_sd_deg_s, 3)
            for place in places
        },
        misalignment={
            place: (float(rng.normal(0.0, skew)), float(rng.normal(0.0, skew))) for place in places
        },
        camera_zero={side: float(rng.normal(0.0, errors.camera_zero_sd_deg)) for side in SIDES},
        mirrored=("left",) if mirrored else (),
        rate_bias_change={
            place: session.normal(0.0, errors.rate_bias_session_sd_deg_s, 3) for place in places
        },
        reference_tilt=_rotation(session.normal(0.0, tilt), session.normal(0.0, tilt)),
        reference_bias=session.normal(0.0, errors.reference_bias_sd_g, 3),
    )
