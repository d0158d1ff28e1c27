"""Step: check everything before anything is computed, and index every recording."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from pipeline.intake import (
    indexes,
    people_checks,
    privacy_gate,
    recording_checks,
    unit_checks,
    withdrawal_checks,
)
from pipeline.intake.clock_notes import notes_on_clocks
from pipeline.intake.file_checks import check_files, systematic
from pipeline.intake.permuted import permuted_tables
from pipeline.intake.problems import at_most
from pipeline.intake.report_text import report_text
from pipeline.intake.study_tables import StudyTables, read_study_tables
from shared.blinding import how_permuted, mark_of
from shared.errors import Problem, StudyError
from shared.provenance import code_version, hash_of_settings, sha256_of_file
from shared.schemas import schema_of
from shared.settings.device import DeviceProfile
from shared.settings.study import StudySettings
from shared.sources import ROOT, sources_of
from shared.tables import write_table, write_text

PEOPLE = ("athletes", "visits", "outcomes", "exposure")
"""Study tables that the analysis reads, handed on checked."""

PERMUTED = ("outcomes", "exposure")
"""Those that a blinded run exchanges between athletes."""


@dataclass(frozen=True)
class Examination:
    """Everything that was found: of tables, and by row of the tables that name raw files."""

    tables: StudyTables
    of_tables: list[Problem]
    of_recordings: dict[int, list[Problem]]
    of_calibrations: dict[int, list[Problem]]
    of_units: dict[int, list[Problem]]

    @property
    def of_files(self) -> list[Problem]:
        """Problems of raw files, recordings first."""
        parts = (self.of_recordings, self.of_calibrations, self.of_units)
        found = [problems for part in parts for problems in part.values()]
        return [problem for problems in found for problem in problems]

    @property
    def problems(self) -> list[Problem]:
        """All problems."""
        return [*self.of_tables, *self.of_files]


def _together(*found: Mapping[int, list[Problem]]) -> dict[int, list[Problem]]:
    rows = sorted({row for part in found for row in part})
    return {row: [problem for part in found for problem in part.get(row, [])] for row in rows}


def examine(
    folder: Path, study: StudySettings, devices: Mapping[str, DeviceProfile]
) -> Examination:
    """Return all that is wrong with a study folder under the given settings."""
    tables = read_study_tables(folder)
    of_recordings = _together(
        check_files(tables["recordings"], devices, folder),
        indexes.missing_calibrations(tables, devices),
    )
    of_tables = [
        *tables.problems,
        *people_checks.check_words(tables, study),
        *people_checks.check_visits(tables, study),
        *people_checks.check_outcomes(tables, study),
        *withdrawal_checks.check_withdrawals(tables),
        *recording_checks.check_recordings(tables, study, devices),
        *unit_checks.check_units(tables, devices),
        *privacy_gate.check_column_names(tables),
        *privacy_gate.check_cells(tables, study),
        *systematic(tables["recordings"], of_recordings),
    ]
    of_calibrations = check_files(tables["calibrations"], devices, folder)
    of_units = check_files(tables["unit_calibrations"], devices, folder)
    return Examination(tables, of_tables, of_recordings, of_calibrations, of_units)


def _people_table(tables: StudyTables, name: str) -> pd.DataFrame:
    schema = schema_of(name)
    table = tables[name]
    types = {c.name: c.type for c in schema.columns if c.type in ("int64", "float64")}
    extra = [column for column in table.columns if column not in schema.names]
    return (
        table[[*schema.names, *extra]]
        .astype(types)
        .sort_values(list(schema.key), ignore_index=True)
    )


def check_study(
    *,
    tables: list[Path],
    study: dict[str, Any],
    devices: dict[str, Any],
    study_folder: str,
    recordings_index: Path,
    calibration_index: Path,
    unit_calibration_index: Path,
    athletes: Path,
    visits: Path,
    outcomes: Path,
    exposure: Path,
    exclusions: Path,
    withdrawals: Path,
    report: Path,
) -> None:
    """Check tables, settings, headers and sizes; write indexes, checked tables and a report.

    In a blinded study the outcomes are permuted between check and writing: nothing that is written
    holds the true ones.

    Raises
    ------
    StudyError
        Something stops the study. The error carries all problems of all tables and files, those
        of single recordings included; long series of one kind are cut and counted.
    """
    settings = StudySettings.model_validate(study)
    profiles = {name: DeviceProfile.model_validate(item) for name, item in devices.items()}
    found = examine(Path(study_folder), settings, profiles)
    if any(problem.severity == "stops_study" for problem in found.problems):
        raise StudyError(at_most(found.problems))
    hashes = {path.name: sha256_of_file(path) for path in sorted(tables)}
    hashes |= {"study.yaml": hash_of_settings(study), "devices": hash_of_settings(devices)}
    version = code_version(sources_of(indexes.STEP), ROOT)
    checked = found.tables
    if settings.blinded is not None:
        checked = permuted_tables(found.tables, settings)
    index = indexes.recordings_index(found.tables, found.of_recordings)
    standing = indexes.calibration_index(found.tables, found.of_calibrations)
    units = indexes.unit_calibration_index(found.tables, found.of_units)
    written: dict[str, tuple[pd.DataFrame, Path]] = {
        "recordings_index": (index, recordings_index),
        "calibration_index": (standing, calibration_index),
        "unit_calibration_index": (units, unit_calibration_index),
        "exclusions": (indexes.exclusions(index, standing), exclusions),
        "withdrawals": (withdrawal_checks.withdrawal_counts(found.tables), withdrawals),
    }
    for name, path in zip(PEOPLE, (athletes, visits, outcomes, exposure), strict=True):
        written[name] = (_people_table(checked, name), path)
    how = how_permuted(study)
    for name, (table, path) in written.items():
        kind = how if name in PERMUTED else ""
        write_table(table, path, name, inputs=hashes, code_version=version, outcomes=kind)
    notes = people_checks.notes_on_people(checked, settings)
    notes += notes_on_clocks(settings, profiles)
    text = report_text(checked, index, standing, found.of_files, notes)
    write_text("\n\n".join(part for part in (mark_of(study), text) if part), report)
