"""The table of bench calibrations checked: units, positions, known values, complete sets."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from pipeline.intake.columns import BENCH_POSITIONS
from pipeline.intake.privacy_gate import looks_like_serial
from pipeline.intake.problems import did_you_mean, one_of
from pipeline.intake.study_tables import StudyTables
from pipeline.readers.refusals import masked
from shared.channels import sensor_of
from shared.errors import Problem, stops
from shared.settings.device import DeviceProfile

TABLE = "unit_calibrations"

_SENSORS = {
    "six_orientations": ("waist", "reference_accelerometer"),
    "static_poses": ("waist", "reference_accelerometer"),
    "known_rotation": ("gyro",),
    "plate_load": ("plate",),
}
_KNOWN_VALUE = {
    "known_rotation": "the angle of the turn in degrees, not 0",
    "plate_load": "the mass of the load in kg, 0 or more",
}


def check_units(tables: StudyTables, devices: Mapping[str, DeviceProfile]) -> list[Problem]:
    """Return every contradiction of the table with itself, the calibrations and the profiles."""
    return [
        *_unknown_units(tables),
        *_sensors(tables, devices),
        *_positions(tables),
        *_known_values(tables),
        *_six_positions(tables),
    ]


def _named(unit_code: str) -> str:
    return masked(unit_code) if looks_like_serial(unit_code) else repr(unit_code)


def _unknown_units(tables: StudyTables) -> list[Problem]:
    calibrations, rows = tables["calibrations"], tables[TABLE]
    known = set(zip(calibrations["unit_code"], calibrations["device"], strict=True))
    # A unit that only somebody wore who withdrew consent is a unit of the study all the same.
    worn = tables.withdrawn.get("calibrations", calibrations.iloc[:0])
    if {"unit_code", "device"} <= set(worn.columns):
        known |= set(zip(worn["unit_code"], worn["device"], strict=True))
    return [
        stops(
            "unknown_unit",
            tables.file(TABLE),
            row=int(row),
            column="unit_code",
            found=f"unit {_named(unit)} of the device {device!r}",
            expected=f"a unit that {tables.file('calibrations')} names with this device",
            mend="correct unit_code or device, or take the row out: nobody wore this unit",
        )
        for row, unit, device in zip(rows.index, rows["unit_code"], rows["device"], strict=True)
        if unit and device and (unit, device) not in known
    ]


def _sensors(tables: StudyTables, devices: Mapping[str, DeviceProfile]) -> list[Problem]:
    rows = tables[TABLE]
    has = {
        name: {sensor_of(channel.channel) for channel in profile.channels}
        for name, profile in devices.items()
    }
    return [
        stops(
            "unit_without_sensor",
            tables.file(TABLE),
            row=int(row),
            column="kind",
            found=f"{kind} of the device {device!r}, which has: {', '.join(sorted(has[device]))}",
            expected=f"a device with one of: {', '.join(_SENSORS[kind])}",
            mend="correct kind or device",
        )
        for row, kind, device in zip(rows.index, rows["kind"], rows["device"], strict=True)
        if kind in _SENSORS and device in has and not has[device].intersection(_SENSORS[kind])
    ]


def _positions(tables: StudyTables) -> list[Problem]:
    rows = tables[TABLE]
    problems = []
    for row, kind, position in zip(rows.index, rows["kind"], rows["position"], strict=True):
        allowed = BENCH_POSITIONS.get(kind)
        if allowed is None or position in (allowed or ("",)):
            continue
        problems.append(
            stops(
                "wrong_position",
                tables.file(TABLE),
                row=int(row),
                column="position",
                found=repr(position) if position else "an empty cell",
                expected=one_of(allowed) if allowed else f"an empty cell: {kind} has no position",
                mend=did_you_mean(position, allowed, "use one of these words")
                if allowed
                else "empty the cell",
            )
        )
    return problems


def _value_fits(kind: str, value: float) -> bool:
    if kind == "known_rotation":
        return value != 0.0 and not pd.isna(value)
    if kind == "plate_load":
        return value >= 0.0
    return pd.isna(value)


def _known_values(tables: StudyTables) -> list[Problem]:
    rows = tables[TABLE]
    # A value that was refused for itself has a problem of its own already.
    told = {p.row for p in tables.problems if p.column == "known_value"}
    return [
        stops(
            "wrong_known_value",
            tables.file(TABLE),
            row=int(row),
            column="known_value",
            found="an empty cell" if pd.isna(value) else f"{value:g}",
            expected=_KNOWN_VALUE.get(kind, f"an empty cell: gravity is known for {kind}"),
            mend="fill it" if pd.isna(value) else "correct or empty the cell",
        )
        for row, kind, value in zip(rows.index, rows["kind"], rows["known_value"], strict=True)
        if kind in BENCH_POSITIONS and row not in told and not _value_fits(kind, value)
    ]


def _six_positions(tables: StudyTables) -> list[Problem]:
    rows = tables[TABLE]
    wanted = BENCH_POSITIONS["six_orientations"]
    six = rows[(rows["kind"] == "six_orientations") & rows["position"].isin(wanted)]
    problems = []
    for (unit, device), group in six.groupby(["unit_code", "device"], sort=True):
        found = list(group["position"])
        missing = [position for position in wanted if position not in found]
        twice = sorted({position for position in found if found.count(position) > 1})
        if not missing and not twice:
            continue
        words = [f"no {', '.join(missing)}"] if missing else []
        words += [f"{', '.join(twice)} more than once"] if twice else []
        problems.append(
            stops(
                "incomplete_orientations",
                tables.file(TABLE),
                row=int(group.index[0]),
                column="position",
                found=f"{len(found)} orientations of the unit {_named(unit)} of {device!r}: "
                + "; ".join(words),
                expected=f"six, each once: {', '.join(wanted)}",
                mend="add what is missing, take out what is double; nine or more poses by hand "
                "are static_poses",
            )
        )
    return problems
