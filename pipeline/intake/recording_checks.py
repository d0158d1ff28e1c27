"""The tables of recordings and calibrations checked against the other tables and the settings."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import PurePosixPath, PureWindowsPath

import pandas as pd

from pipeline.intake.people_checks import unknown_words
from pipeline.intake.study_tables import StudyTables
from shared.channels import sensor_of
from shared.errors import Problem, stops
from shared.settings.device import DeviceProfile
from shared.settings.study import StudySettings

RAW_TABLES = ("recordings", "calibrations", "unit_calibrations")
"""Study tables that name raw files."""

CALIBRATED_SENSORS = ("waist", "gyro")
"""Sensors whose signals mean nothing without a standing calibration."""


def check_recordings(
    tables: StudyTables, study: StudySettings, devices: Mapping[str, DeviceProfile]
) -> list[Problem]:
    """Return every contradiction of the two tables with the rest of the study."""
    problems = unknown_words(
        tables, "recordings", "task", sorted(study.tasks), "task", "study.yaml, tasks"
    )
    for table in RAW_TABLES:
        problems += unknown_words(
            tables, table, "device", sorted(devices), "device", "the folder devices"
        )
        problems += _paths(tables, table)
    for table in ("recordings", "calibrations"):
        problems += _device_not_at_site(tables, table, study)
        problems += _visit_without_row(tables, table)
    problems += _limb_against_task(tables, study)
    problems += _box_height(tables, study)
    problems += _same_path_twice(tables)
    return problems


def with_site(tables: StudyTables, table: str) -> pd.DataFrame:
    """Return the rows of a table with the site and injured side of the athlete ('' if unknown)."""
    athletes = tables["athletes"].drop_duplicates("athlete_id").set_index("athlete_id")
    rows = tables[table]
    return rows.assign(
        **{
            column: rows["athlete_id"].map(athletes[column]).fillna("")
            for column in ("site", "injured_side")
        }
    )


def _device_not_at_site(tables: StudyTables, table: str, study: StudySettings) -> list[Problem]:
    rows = with_site(tables, table)
    allowed = {(site, device) for site, s in study.sites.items() for device in s.devices}
    known = {device for _, device in allowed}
    pairs = list(zip(rows["site"], rows["device"], strict=True))
    return [
        stops(
            "device_not_at_site",
            tables.file(table),
            row=int(row),
            column="device",
            found=f"device {device!r} at the site {site!r}",
            expected=f"one of: {', '.join(study.sites[site].devices)}",
            mend="correct the device, or add it to the site in study.yaml",
        )
        for row, (site, device) in zip(rows.index, pairs, strict=True)
        if site in study.sites and device in known and (site, device) not in allowed
    ]


def _visit_without_row(tables: StudyTables, table: str) -> list[Problem]:
    visits = tables["visits"]
    known = set(zip(visits["athlete_id"], visits["visit"], strict=True))
    athletes = set(tables["athletes"]["athlete_id"])
    names = set(visits["visit"])
    rows = tables[table]
    return [
        stops(
            "visit_not_in_visits",
            tables.file(table),
            row=int(row),
            column="visit",
            found=f"visit {visit!r} of {athlete}",
            expected=f"a row for this visit in {tables.file('visits')}",
            mend=f"add the visit to {tables.file('visits')}, or correct it here",
        )
        for row, athlete, visit in zip(rows.index, rows["athlete_id"], rows["visit"], strict=True)
        if athlete in athletes and visit in names and (athlete, visit) not in known
    ]


def _paths(tables: StudyTables, table: str) -> list[Problem]:
    rows = tables[table]
    return [
        stops(
            "path_outside_study",
            tables.file(table),
            row=int(row),
            column="path",
            found="a path that leads out of the study folder",
            expected="a path below the study folder, with / between folders",
            mend="give the path relative to the study folder",
        )
        for row, path in zip(rows.index, rows["path"], strict=True)
        if path and _leads_out(path)
    ]


def _leads_out(path: str) -> bool:
    return (
        path.startswith(("/", "~"))
        or "\\" in path
        or bool(PureWindowsPath(path).drive)
        or ".." in PurePosixPath(path).parts
    )


def _limb_against_task(tables: StudyTables, study: StudySettings) -> list[Problem]:
    rows = tables["recordings"]
    kinds = {name: task.limbs for name, task in study.tasks.items()}
    kind = rows["task"].map(kinds)
    both = rows["limb"] == "both"
    wrong = rows[((kind == "single") & both) | ((kind == "both") & ~both & (rows["limb"] != ""))]
    return [
        stops(
            "limb_does_not_fit_task",
            tables.file("recordings"),
            row=int(row),
            column="limb",
            found=f"limb {limb!r} in the task {task!r}",
            expected="left or right" if kinds[task] == "single" else "both",
            mend="correct the limb or the task",
        )
        for row, limb, task in zip(wrong.index, wrong["limb"], wrong["task"], strict=True)
    ]


def _box_height(tables: StudyTables, study: StudySettings) -> list[Problem]:
    rows = tables["recordings"]
    box = rows["task"].map({name: task.box for name, task in study.tasks.items()})
    # A height that was refused for its value has a problem of its own already.
    refused = {p.row for p in tables.problems if p.column == "box_height_m"}
    empty = rows["box_height_m"].isna() & ~rows.index.isin(list(refused))
    missing = rows[(box == True) & empty]  # noqa: E712  an unknown task is neither True nor False
    needless = rows[(box == False) & ~rows["box_height_m"].isna()]  # noqa: E712
    make: Callable[..., Problem] = stops
    problems = [
        make(
            "box_height_missing",
            tables.file("recordings"),
            row=int(row),
            column="box_height_m",
            found="an empty cell",
            expected=f"the height of the box in metres, for the task {task!r}",
            mend="fill it; impact speed follows from it",
        )
        for row, task in zip(missing.index, missing["task"], strict=True)
    ]
    problems += [
        make(
            "box_height_without_box",
            tables.file("recordings"),
            row=int(row),
            column="box_height_m",
            found=f"{height:g}",
            expected=f"an empty cell: the task {task!r} has no box in study.yaml",
            mend="empty the cell, or correct the task",
        )
        for row, height, task in zip(
            needless.index, needless["box_height_m"], needless["task"], strict=True
        )
    ]
    return problems


def _same_path_twice(tables: StudyTables) -> list[Problem]:
    first: dict[str, tuple[str, int]] = {}
    problems = []
    for table in RAW_TABLES:
        rows = tables[table]
        for row, path in zip(rows.index, rows["path"], strict=True):
            if not path:
                continue
            if path not in first:
                first[path] = (tables.file(table), int(row))
                continue
            file, other = first[path]
            problems.append(
                stops(
                    "duplicate_path",
                    tables.file(table),
                    row=int(row),
                    column="path",
                    found=f"the same file as {file}, row {other}",
                    expected="one file per row",
                    mend="give the row its own file, or take the row out",
                )
            )
    return problems


def needs_calibration(profile: DeviceProfile) -> bool:
    """Tell whether a device has sensors that need a standing calibration."""
    return any(sensor_of(c.channel) in CALIBRATED_SENSORS for c in profile.channels)
