"""Errors that belong to a unit of an instrument, whoever wears it; the bench finds them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.simulate.columns import INSTRUMENTS, SEGMENTS
from pipeline.simulate.people import SIDES, Person
from pipeline.simulate.settings import SimulationSettings

Array = NDArray[np.float64]

UNITS = (1, 2)
"""Two sets of each instrument are in use."""


@dataclass(frozen=True)
class Unit:
    """A unit reads `scale @ specific force + bias` (g), `gain` x rate and `gain` x force.

    Parameters
    ----------
    scale, bias : of the waist accelerometer, shapes (3, 3) and (3,)
    rate_gain : (segment, side) -> gain of each axis, shape (3,)
    plate_gain : plate -> gain
    """

    scale: Array
    bias: Array
    rate_gain: dict[tuple[str, str], Array]
    plate_gain: dict[str, float]


def unit_number(person: Person) -> int:
    """Return which of the two sets an athlete wears."""
    return UNITS[person.number // 3 % len(UNITS)]


def unit_code(device: str, number: int) -> str:
    """Return the pseudonym of a unit."""
    return f"{device.split('_')[0]}-{number}"


def unit_generator(settings: SimulationSettings, device: str, number: int) -> np.random.Generator:
    """Return the random numbers of a unit; athletes count from 1, units take the place of 0."""
    place = list(INSTRUMENTS).index(device)
    return np.random.default_rng(
        np.random.SeedSequence(settings.seed, spawn_key=(0, place, number))
    )


def draw_unit(settings: SimulationSettings, device: str, number: int) -> Unit:
    """Return the errors of a unit of a device."""
    errors = settings.instruments
    rng = unit_generator(settings, device, number)
    scale = np.eye(3) + rng.normal(0.0, errors.unit_cross_axis_sd, (3, 3))
    scale[np.diag_indices(3)] = 1.0 + rng.normal(0.0, errors.unit_scale_sd, 3)
    bias = rng.normal(0.0, errors.unit_bias_sd_g, 3)
    gains = {
        (segment, side): 1.0 + rng.normal(0.0, errors.unit_rate_gain_sd, 3)
        for segment in SEGMENTS
        for side in SIDES
    }
    plates = {
        place: 1.0 + float(rng.normal(0.0, errors.plate_gain_sd))
        for place in INSTRUMENTS[device].plates
    }
    return Unit(scale, bias, gains, plates)
