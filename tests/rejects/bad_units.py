"""Bad rows of bench calibrations, and bad cells of the optional columns of a session."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

from tests.rejects.reject import Reject
from tests.rejects.small_study import FILES, SmallStudy

SIX = ("x_up", "x_down", "y_up", "y_down", "z_up", "z_down")
FILE = "unit_calibrations.csv"


def with_units(study: SmallStudy) -> None:
    """Add bench calibrations that are complete: six orientations, a turn, two loads."""
    rows = [
        ("wearables-1", "wearables", "six_orientations", position, "", f"units/{position}.parquet")
        for position in SIX
    ]
    rows.append(("wearables-1", "wearables", "known_rotation", "z", "360", "units/turn.parquet"))
    rows += [
        ("plates-1", "plates", "plate_load", "left", mass, f"units/left_{mass}.csv")
        for mass in ("20", "40")
    ]
    names = ["unit_code", "device", "kind", "position", "known_value", "path"]
    study.tables["unit_calibrations"] = pd.DataFrame(rows, columns=names)
    for _, row in study.tables["unit_calibrations"].iterrows():
        study.files[row["path"]] = FILES[row["device"]]()


def _unit(row: int, column: str, value: str) -> Callable[[SmallStudy], object]:
    def change(study: SmallStudy) -> None:
        with_units(study)
        study.cell("unit_calibrations", row, column, value)

    return change


def _five_orientations(study: SmallStudy) -> None:
    with_units(study)
    table = study.tables["unit_calibrations"]
    study.tables["unit_calibrations"] = table.drop(index=5).reset_index(drop=True)


def _missing_file(study: SmallStudy) -> None:
    with_units(study)
    del study.files["units/y_up.parquet"]


def _path_twice(study: SmallStudy) -> None:
    with_units(study)
    study.cell("unit_calibrations", 9, "path", study.path(2))


def _column(table: str, column: str, value: str) -> Callable[[SmallStudy], object]:
    def change(study: SmallStudy) -> None:
        study.tables[table][column] = ""
        study.cell(table, 2, column, value)

    return change


def _misspelled_column(study: SmallStudy) -> None:
    study.tables["recordings"]["order_in_sesion"] = "1"


def _end_twice(study: SmallStudy) -> None:
    table = study.tables["calibrations"]
    table["kind"] = ""
    copy = table.iloc[[0, 0]].assign(kind="standing_end", path=["c/end_1.csv", "c/end_2.csv"])
    study.tables["calibrations"] = pd.concat([table, copy], ignore_index=True)
    study.files |= {path: FILES["plates"]() for path in copy["path"]}


def _end_without_start(study: SmallStudy) -> None:
    table = study.tables["calibrations"]
    table["kind"] = ""
    study.cell("calibrations", 3, "kind", "standing_end")


UNITS = [
    Reject(
        "unknown kind of bench calibration",
        _unit(2, "kind", "six_orientation"),
        "unknown_value",
        FILE,
        2,
        "kind",
        "'six_orientation'",
        "one of: six_orientations, static_poses, known_rotation, plate_load",
        "did you mean 'six_orientations'?",
    ),
    Reject(
        "bench calibration of a unit that nobody wore",
        _unit(8, "unit_code", "wearables-9"),
        "unknown_unit",
        FILE,
        8,
        "unit_code",
        "unit 'wearables-9' of the device 'wearables'",
        "a unit that calibrations.csv names",
        "correct unit_code or device",
    ),
    Reject(
        "bench calibration of an unknown device",
        _unit(8, "device", "wearable"),
        "unknown_device",
        FILE,
        8,
        "device",
        "device 'wearable'",
        "one of: plates, wearables",
        "did you mean 'wearables'?",
    ),
    Reject(
        "orientations of plates",
        _unit(9, "kind", "static_poses"),
        "unit_without_sensor",
        FILE,
        9,
        "kind",
        "static_poses of the device 'plates', which has: plate",
        "waist, reference_accelerometer",
        "correct kind or device",
    ),
    Reject(
        "five orientations instead of six",
        _five_orientations,
        "incomplete_orientations",
        FILE,
        2,
        "position",
        "5 orientations of the unit 'wearables-1' of 'wearables': no z_down",
        "six, each once",
        "add what is missing",
    ),
    Reject(
        "one orientation twice",
        _unit(7, "position", "z_up"),
        "incomplete_orientations",
        FILE,
        2,
        "position",
        "no z_down; z_up more than once",
        "six, each once",
        "take out what is double",
    ),
    Reject(
        "wrong word for a position",
        _unit(4, "position", "y up!"),
        "wrong_position",
        FILE,
        4,
        "position",
        "'y up!'",
        "one of: x_up, x_down",
        "did you mean 'y_up'?",
    ),
    Reject(
        "position of another kind",
        _unit(8, "position", "left"),
        "wrong_position",
        FILE,
        8,
        "position",
        "'left'",
        "one of: x, y, z",
        "use one of these words",
    ),
    Reject(
        "turn without an angle",
        _unit(8, "known_value", ""),
        "wrong_known_value",
        FILE,
        8,
        "known_value",
        "an empty cell",
        "the angle of the turn in degrees",
        "fill it",
    ),
    Reject(
        "load below zero",
        _unit(9, "known_value", "-20"),
        "wrong_known_value",
        FILE,
        9,
        "known_value",
        "-20",
        "the mass of the load in kg",
        "correct or empty the cell",
    ),
    Reject(
        "orientation with a known value",
        _unit(3, "known_value", "9.81"),
        "wrong_known_value",
        FILE,
        3,
        "known_value",
        "9.81",
        "an empty cell: gravity is known",
        "correct or empty the cell",
    ),
    Reject(
        "bench recording outside of the study",
        _unit(8, "path", "../turn.parquet"),
        "path_outside_study",
        FILE,
        8,
        "path",
        "leads out of the study folder",
        "below the study folder",
        "relative to the study folder",
    ),
    Reject(
        "bench recording that is a trial too",
        _path_twice,
        "duplicate_path",
        FILE,
        9,
        "path",
        "the same file as recordings.csv, row 2",
        "one file per row",
        "its own file",
    ),
    Reject(
        "serial number as the code of a unit on the bench",
        _unit(8, "unit_code", "KX4471902"),
        "identifier_in_table",
        FILE,
        8,
        "unit_code",
        "serial number",
        "pseudonyms only",
        "take it out",
        secret="KX4471902",
    ),
    Reject(
        "bench recording that is missing",
        _missing_file,
        "missing_file",
        "units/y_up.parquet",
        None,
        None,
        "no such file",
        "",
        "",
        severity="excludes_recording",
    ),
    Reject(
        "unknown kind of calibration in a session",
        _column("calibrations", "kind", "standing_and"),
        "unknown_value",
        "calibrations.csv",
        2,
        "kind",
        "'standing_and'",
        "one of: standing, standing_end, functional_flexion",
        "did you mean 'standing_end'?",
    ),
    Reject(
        "end of a session twice",
        _end_twice,
        "duplicate_calibration",
        "calibrations.csv",
        9,
        None,
        "the same athlete_id, visit, device, kind as row 8",
        "one row per athlete_id, visit, device, kind",
        "take out the copy",
    ),
    Reject(
        "end of a session without its start",
        _end_without_start,
        "calibration_missing",
        "recordings/A0001/clearance/single_leg_drop_landing.right.1.wearables.parquet",
        None,
        None,
        "no standing calibration of wearables",
        "a row in calibrations.csv",
        "add the quiet standing",
        severity="excludes_recording",
    ),
    Reject(
        "negative age of a bench calibration",
        _column("calibrations", "unit_calibration_age_days", "-3"),
        "impossible_value",
        "calibrations.csv",
        2,
        "unit_calibration_age_days",
        "-3",
        "a value from 0 to 7305",
        "correct the value",
    ),
    Reject(
        "date instead of the age of a bench calibration",
        _column("calibrations", "unit_calibration_age_days", "2024-03-05"),
        "date_in_table",
        "calibrations.csv",
        2,
        "unit_calibration_age_days",
        "a date",
        "a number of days",
        "days since surgery",
        secret="2024-03-05",
    ),
    Reject(
        "half a place in the session",
        _column("recordings", "order_in_session", "2.5"),
        "impossible_value",
        "recordings.csv",
        2,
        "order_in_session",
        "2.5",
        "a whole number",
        "correct the value",
    ),
    Reject(
        "optional column misspelled",
        _misspelled_column,
        "missing_column",
        "recordings.csv",
        1,
        "order_in_session",
        "'order_in_sesion'",
        "the column 'order_in_session'",
        "rename the column",
    ),
]
