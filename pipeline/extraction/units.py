"""What the bench knows about a unit at a visit: which calibration applies, and why one does not."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.calibration.accelerometer import Accelerometer
from shared.channels import AXES
from shared.settings.processing import Calibration
from shared.tables import read_table

Gains = tuple[float, float, float]

_ACCELEROMETER_KINDS = ("static_poses", "six_orientations")
"""In rising order of trust: known orientations fix the axes too."""

_GAINS_OF_PLATES = ("gain", "gain_mismatch")

UnitTables = Mapping[tuple[str, str], pd.DataFrame]
"""Rows of the table unit_calibrations by (unit_code, device)."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What became of a place's bench calibration: none, applied, checked, refused or expired."""

    word: str = "none"
    detail: str = ""


EXPIRED = "expired"
"""Too old to be applied, or of unknown age."""

NOT_CALIBRATED = Verdict()
"""No bench calibration is on record."""


@dataclass(frozen=True, slots=True)
class Unit:
    """Bench calibrations of a unit as they apply at one visit.

    Parameters
    ----------
    accelerometers : place (waist, reference) -> calibration to be applied
    gains : segment (thigh.left ...) -> gain of each axis to be divided by
    names : place -> name of the bench calibration that is applied
    verdicts : place -> what became of its bench calibration
    plates_off : the gain of a plate, or the mismatch of two, is beyond its limit
    """

    accelerometers: dict[str, Accelerometer] = field(default_factory=dict)
    gains: dict[str, Gains] = field(default_factory=dict)
    names: dict[str, str] = field(default_factory=dict)
    verdicts: dict[str, Verdict] = field(default_factory=dict)
    plates_off: bool = False

    def verdict(self, place: str) -> Verdict:
        """Return what became of the bench calibration of a place."""
        return self.verdicts.get(place, NOT_CALIBRATED)


NO_BENCH = Unit()
"""A unit without bench calibrations."""


def read_unit_tables(path: Path | None) -> UnitTables:
    """Return the bench calibrations by unit; none where the study has no such table."""
    if path is None:
        return {}
    rows = read_table(path)
    return {
        (str(unit), str(device)): group
        for (unit, device), group in rows.groupby(["unit_code", "device"], sort=True)
    }


def _accelerometer(values: Mapping[str, float]) -> Accelerometer:
    scale = np.array([[values[f"scale_{row}{column}"] for column in AXES] for row in AXES])
    return Accelerometer(scale, np.array([values[f"bias_{axis}"] for axis in AXES]))


def _too_old(age_days: float | None, limits: Calibration) -> str:
    if age_days is None or math.isnan(age_days):
        return "the age of the bench calibration is not known"
    if age_days > limits.unit_longest_age_days:
        return (
            f"the bench calibration is {age_days:g} days old, limit "
            f"{limits.unit_longest_age_days:g} days"
        )
    return ""


def unit_at_visit(rows: pd.DataFrame | None, age_days: float | None, limits: Calibration) -> Unit:
    """Return what applies of the bench calibrations of a unit.

    Plates are checked, never corrected: a gain beyond its limit is told by a flag, however old.

    Parameters
    ----------
    rows
        Of the table unit_calibrations, of this unit; None when it has none.
    age_days
        Age of its bench calibration at the visit; an unknown one is not applied.
    """
    if rows is None or rows.empty:
        return NO_BENCH
    gains_off = rows["quantity"].isin(_GAINS_OF_PLATES) & ~rows["accepted"]
    unit = Unit(plates_off=bool(gains_off.any()))
    old = _too_old(age_days, limits)
    order = rows["kind"].map(lambda kind: (*_ACCELEROMETER_KINDS, kind).index(kind))
    groups = rows.assign(order=order).groupby(["order", "kind", "location"], sort=True)
    for (_, kind, location), group in groups:
        place, reason = str(location), str(group["reason"].iloc[0])
        if reason or old:
            if unit.verdict(place).word != "applied":
                unit.verdicts[place] = (
                    Verdict("refused", reason) if reason else Verdict(EXPIRED, old)
                )
            continue
        values = dict(zip(group["quantity"], group["value"].astype(float), strict=True))
        unit.verdicts[place] = Verdict("checked" if kind == "plate_load" else "applied")
        unit.names[place] = str(group["recording_id"].iloc[0])
        if kind in _ACCELEROMETER_KINDS:
            unit.accelerometers[place] = _accelerometer(values)
        elif kind == "known_rotation":
            gains = [values.get(f"gain_{axis}", 1.0) for axis in AXES]
            unit.gains[place] = (gains[0], gains[1], gains[2])
    return unit
