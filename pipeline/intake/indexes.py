"""The indexes that intake hands on: one row per recording and per calibration."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from pipeline.extraction.limbs import limb_of
from pipeline.intake.recording_checks import needs_calibration, with_site
from pipeline.intake.study_tables import StudyTables
from shared.errors import Problem, refusal
from shared.layout import recording_id
from shared.schemas import schema_of
from shared.settings.device import DeviceProfile

STEP = "pipeline.intake.check:check_study"


def _sentence(problem: Problem) -> str:
    return f"{problem.found}; expected {problem.expected}"


def _verdicts(rows: pd.DataFrame, found: Mapping[int, list[Problem]]) -> pd.DataFrame:
    first = {row: problems[0] for row, problems in found.items()}
    return rows.assign(
        usable=[int(row) not in first for row in rows.index],
        reason=[first[row].rule if row in first else "" for row in rows.index],
        detail=[_sentence(first[row]) if row in first else "" for row in rows.index],
    )


def calibration_index(tables: StudyTables, found: Mapping[int, list[Problem]]) -> pd.DataFrame:
    """Return the table `calibration_index`, sorted by its key."""
    schema = schema_of("calibration_index")
    rows = _verdicts(with_site(tables, "calibrations"), found)
    return rows[schema.names].sort_values(list(schema.key), ignore_index=True)


def unit_calibration_index(tables: StudyTables, found: Mapping[int, list[Problem]]) -> pd.DataFrame:
    """Return the table `unit_calibration_index`, sorted by its key."""
    schema = schema_of("unit_calibration_index")
    rows = _verdicts(tables["unit_calibrations"], found)
    rows["usable"] = rows["usable"].astype("bool")  # also of a table without rows
    return rows[schema.names].sort_values(list(schema.key), ignore_index=True)


def missing_calibrations(
    tables: StudyTables, devices: Mapping[str, DeviceProfile]
) -> dict[int, list[Problem]]:
    """Return, by row of recordings, that a device at a visit has no standing calibration."""
    calibrations = tables["calibrations"]
    calibrations = calibrations[calibrations["kind"] == "standing"]
    key = ["athlete_id", "visit", "device"]
    known = set(calibrations[key].itertuples(index=False, name=None))
    needed = {name for name, profile in devices.items() if needs_calibration(profile)}
    rows = tables["recordings"]
    return {
        int(row): [
            refusal(
                "calibration_missing",
                path,
                found=f"no standing calibration of {device} for {athlete}, {visit}",
                expected=f"a row in {tables.file('calibrations')}",
                mend="add the quiet standing of this device; without it gyroscope bias and "
                "gravity are unknown",
            )
        ]
        for row, athlete, visit, device, path in zip(
            rows.index, rows["athlete_id"], rows["visit"], rows["device"], rows["path"], strict=True
        )
        if device in needed and (athlete, visit, device) not in known
    }


def recordings_index(tables: StudyTables, found: Mapping[int, list[Problem]]) -> pd.DataFrame:
    """Return the table `recordings_index`, sorted by its key."""
    schema = schema_of("recordings_index")
    rows = _verdicts(with_site(tables, "recordings"), found).rename(columns={"limb": "side"})
    rows["trial"] = rows["trial"].astype("int64")
    rows["order_in_session"] = rows["order_in_session"].astype("Int64")
    limbs = {
        (side, injured): limb_of(side, injured)
        for side, injured in set(zip(rows["side"], rows["injured_side"], strict=True))
    }
    rows["limb"] = [limbs[pair] for pair in zip(rows["side"], rows["injured_side"], strict=True)]
    names = ["athlete_id", "visit", "task", "side", "trial", "device"]
    rows["recording_id"] = [
        recording_id(*values) for values in zip(*(rows[name] for name in names), strict=True)
    ]
    return rows[schema.names].sort_values(list(schema.key), ignore_index=True)


def exclusions(recordings: pd.DataFrame, calibrations: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of the table `exclusions` for both indexes."""
    key = ["athlete_id", "visit", "device"]
    calibration_ids = [
        ".".join(values[:3] if values[3] == "standing" else values)
        for values in calibrations[[*key, "kind"]].to_numpy()
    ]
    parts = [
        recordings.assign(level="recording", id=recordings["recording_id"]),
        calibrations.assign(level="calibration", id=calibration_ids),
    ]
    refused = pd.concat([part.loc[~part["usable"]] for part in parts], ignore_index=True)
    table = refused.assign(step=STEP)[schema_of("exclusions").names]
    return table.sort_values(["level", "id"], ignore_index=True)
