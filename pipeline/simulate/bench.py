"""Bench recordings of all units: poses at rest, turns by known angles, known masses."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.simulate.columns import (
    AXES,
    COLUMNS,
    INSTRUMENTS,
    SEGMENTS,
    Columns,
    Rates,
    Readings,
)
from pipeline.simulate.files import suffix_of, write_recording
from pipeline.simulate.instruments import read_plate, read_rates, read_waist
from pipeline.simulate.people import SIDES
from pipeline.simulate.radio import sent
from pipeline.simulate.settings import SimulationSettings
from pipeline.simulate.units import UNITS, Unit, draw_unit, unit_code, unit_generator
from shared.units import STANDARD_GRAVITY

Array = NDArray[np.float64]

_POSE_S = 2.0
_HAND_DEG = 8.0  # poses by hand miss their direction by about this much
_REST_S, _TURN_S, _TURN_DEG = 1.0, 2.0, 360.0
_LOADS_KG = (0.0, 20.0, 40.0)
_BY_HAND = ("wearables_basic",)
"""Sites without a jig turn the unit by hand."""


class BenchRecording(NamedTuple):
    """A row of the study table unit_calibrations."""

    unit_code: str
    device: str
    kind: str
    position: str
    known_value: float | None
    path: str


def _upright() -> Array:
    return np.array([0.0, 1.0, 0.0])


def _write(
    device: str,
    unit: Unit,
    settings: SimulationSettings,
    rng: np.random.Generator,
    *,
    seconds: float,
    direction: Array | None = None,
    loads_n: dict[str, float] | None = None,
    rates: Array | None = None,
) -> Columns:
    """Return what a unit writes on the bench: at rest unless it turns, its plates empty.

    Parameters
    ----------
    direction : unit vector of "up" in the axes of the waist unit, shape (3,)
    loads_n : forces on the plates
    rates : deg/s of every gyroscope, shape (3, samples)
    """
    instrument, errors = INSTRUMENTS[device], settings.instruments
    t = np.arange(round(seconds * instrument.rate_hz)) / instrument.rate_hz
    forces = {
        place: read_plate(
            np.full(len(t), (loads_n or {}).get(place, 0.0)), unit.plate_gain[place], errors, rng
        )
        for place in instrument.plates
    }
    waist = None
    if instrument.waist:
        up = _upright() if direction is None else direction
        waist = read_waist(np.repeat(up[:, None], len(t), 1), np.zeros(3), unit, errors, rng)
    table: Rates = {}
    if rates is not None:
        bias = np.full((3, 1), errors.rate_bias_mean_deg_s)
        for segment, side in product(SEGMENTS, SIDES):
            found = read_rates(rates, bias, unit.rate_gain[segment, side], errors, rng)
            for axis, values in zip(AXES, found, strict=True):
                table[segment, side, axis] = values
    return COLUMNS[device](Readings(t, forces, waist, rates=table))


def _directions_by_hand(rng: np.random.Generator) -> Array:
    """Return every face, edge and corner of the case turned up, roughly: shape (26, 3)."""
    corners = np.array([pose for pose in product((-1.0, 0.0, 1.0), repeat=3) if any(pose)])
    missed = corners / np.linalg.norm(corners, axis=1, keepdims=True)
    missed = missed + rng.normal(0.0, np.radians(_HAND_DEG), missed.shape)
    return missed / np.linalg.norm(missed, axis=1, keepdims=True)


def _turn(axis: int, rate_hz: int) -> Array:
    """Return rates (3, n): rest, a smooth turn about one axis, rest."""
    t = np.arange(round((2.0 * _REST_S + _TURN_S) * rate_hz)) / rate_hz
    share = np.clip((t - _REST_S) / _TURN_S, 0.0, 1.0)
    rates = np.zeros((3, len(t)))
    rates[axis] = _TURN_DEG / _TURN_S * (1.0 - np.cos(2.0 * np.pi * share))
    return rates


Made = tuple[str, str, float | None, Columns]
"""Kind, position, known value and what was written."""


def _waist_poses(
    settings: SimulationSettings, device: str, unit: Unit, rng: np.random.Generator
) -> Iterator[Made]:
    if device in _BY_HAND:
        for direction in _directions_by_hand(rng):
            columns = _write(device, unit, settings, rng, seconds=_POSE_S, direction=direction)
            yield "static_poses", "", None, columns
        return
    for axis, name in enumerate(AXES):
        for sign, way in ((1.0, "up"), (-1.0, "down")):
            direction = np.zeros(3)
            direction[axis] = sign
            columns = _write(device, unit, settings, rng, seconds=_POSE_S, direction=direction)
            yield "six_orientations", f"{name}_{way}", None, columns


def _recordings(settings: SimulationSettings, device: str, number: int) -> Iterator[Made]:
    instrument, unit = INSTRUMENTS[device], draw_unit(settings, device, number)
    rng = unit_generator(settings, device, len(UNITS) + number)
    if instrument.waist:
        yield from _waist_poses(settings, device, unit, rng)
    if instrument.segments:
        for axis, name in enumerate(AXES):
            rates = _turn(axis, instrument.rate_hz)
            seconds = rates.shape[1] / instrument.rate_hz
            columns = _write(device, unit, settings, rng, seconds=seconds, rates=rates)
            yield "known_rotation", name, _TURN_DEG, columns
    for place, mass in product(instrument.plates, _LOADS_KG):
        loads = {place: mass * STANDARD_GRAVITY}
        columns = _write(device, unit, settings, rng, seconds=_POSE_S, loads_n=loads)
        yield "plate_load", place, mass, columns


def write_bench(settings: SimulationSettings, study_folder: Path) -> pd.DataFrame:
    """Write the bench recordings of all units; return the study table unit_calibrations."""
    rows = []
    radio = settings.clocks.radio
    for device, number in product(INSTRUMENTS, UNITS):
        code = unit_code(device, number)
        # A stream of its own, so that the noise of the readings stays what it was.
        packets = unit_generator(settings, device, 2 * len(UNITS) + number)
        for index, made in enumerate(_recordings(settings, device, number), start=1):
            kind, position, value, columns = made
            if device == radio.device:
                columns = sent(columns, radio, packets)
            name = f"{kind}.{index:02d}{suffix_of(device)}"
            path = f"calibrations/units/{code}.{device}/{name}"
            write_recording(study_folder / path, device, columns, INSTRUMENTS[device].rate_hz)
            rows.append(BenchRecording(code, device, kind, position, value, path))
    return pd.DataFrame(rows, columns=list(BenchRecording._fields))
