"""Make the study tables of raw files from the names of the files.

    python -m pipeline.intake.list_files --settings my_study/config

writes `recordings.csv` and `calibrations.csv` into the study folder, as far as `file_patterns` of
study.yaml describes their names. A table that is there already stays: look at what was made, and
correct it by hand where a name says too little. `make study` then checks it like any other.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from pipeline.intake.columns import TABLES
from pipeline.intake.file_names import NamedFile, Words, named_files
from shared.errors import Problem, StudyError, stops
from shared.layout import companions_of, find_table
from shared.settings.load import Settings, load_settings
from shared.settings.study import FilePattern, StudySettings
from shared.tables import write_text

_KEYS = {
    "recordings": ["athlete_id", "visit", "task", "limb", "trial", "device"],
    "calibrations": ["athlete_id", "visit", "device", "unit_code", "kind"],
}
_SHOWN = 5


def words_of(settings: Settings) -> dict[str, list[str]]:
    """Return the words that the settings know for a placeholder."""
    return {
        "visit": list(settings.study.visits),
        "task": list(settings.study.tasks),
        "device": sorted(settings.devices),
        "limb": ["left", "right", "both"],
        "kind": ["standing", "standing_end", "functional_flexion"],
    }


def _same_row(files: Sequence[NamedFile], columns: Sequence[str], table: str) -> list[Problem]:
    first: dict[tuple[str, ...], str] = {}
    problems = []
    for file in files:
        key = tuple(file.cells.get(column, "") for column in columns)
        if key in first:
            problems.append(
                stops(
                    "two_files_for_one_row",
                    file.path,
                    found=f"the same row of {table} as {first[key]}",
                    expected="names that tell the files of a study apart",
                    mend=f"rename one file, or tell more in file_patterns: {table}",
                )
            )
        first.setdefault(key, file.path)
    return problems


def table_of(
    name: str, paths: Sequence[str], pattern: FilePattern, words: Words, study: StudySettings
) -> tuple[pd.DataFrame, list[str]]:
    """Return a study table made from the names of files, and the paths that do not fit.

    The height of a box that no name tells is that of its task in study.yaml.

    Raises
    ------
    StudyError
        No file fits, or two files tell the same row.
    """
    files, others = named_files(paths, pattern, words)
    if not files:
        raise StudyError(
            stops(
                "no_file_fits",
                "study.yaml",
                column=f"file_patterns: {name}",
                found=f"{len(others)} files in the study folder, none of which fits",
                expected=f"names like {pattern.pattern}",
                mend="correct the pattern, or say in `words` what the words of the names mean",
            )
        )
    if problems := _same_row(files, _KEYS[name], name):
        raise StudyError(problems)
    wanted = [column.name for column in TABLES[name].columns]
    table = pd.DataFrame([file.cells | {"path": file.path} for file in files])
    if name == "recordings" and "box_height_m" not in table:
        heights = {task: item.box_height_m for task, item in study.tasks.items()}
        found = table["task"].map(heights)
        table["box_height_m"] = ["" if pd.isna(height) else f"{height:g}" for height in found]
    columns = [column for column in wanted if column in table]
    keys = [column for column in _KEYS[name] if column in table]
    order = table.assign(trial=table["trial"].astype(int)) if "trial" in table else table
    return table.loc[order.sort_values(keys).index, columns], others


def _raw_paths(folder: Path, taken: Sequence[str]) -> list[str]:
    """Return the files in the folders of a study, without what only accompanies another file."""
    files = [path for path in folder.rglob("*") if path.is_file() and path.parent != folder]
    beside = {other for path in files for other in companions_of(path)}
    paths = (path.relative_to(folder).as_posix() for path in files if path not in beside)
    return sorted(set(paths) - set(taken))


def list_files(settings: Settings) -> list[str]:
    """Write the tables that `file_patterns` describes; return what to tell the user.

    Raises
    ------
    StudyError
        As `table_of`.
    """
    folder, told, taken = settings.study_folder, [], list[str]()
    for name, pattern in sorted(settings.study.file_patterns.items()):
        if (known := find_table(folder, name)) is not None:
            told.append(f"{known.name} is there already and stays as it is")
            continue
        paths = _raw_paths(folder, taken)
        table, others = table_of(name, paths, pattern, words_of(settings), settings.study)
        taken += table["path"].tolist()
        write_text(table.to_csv(index=False, lineterminator="\n"), folder / f"{name}.csv")
        told.append(f"{name}.csv: {len(table)} rows; look at them before you run the study")
        if name == max(settings.study.file_patterns) and others:
            shown = ", ".join(others[:_SHOWN])
            rest = f" and {len(others) - _SHOWN} more" if len(others) > _SHOWN else ""
            told.append(f"{len(others)} files fit no pattern and stand in no table: {shown}{rest}")
    return told or ["study.yaml has no file_patterns: nothing to do"]


def main(arguments: list[str] | None = None) -> None:
    """Run the command."""
    parser = argparse.ArgumentParser(prog="python -m pipeline.intake.list_files")
    parser.add_argument("--settings", type=Path, default=Path("config"), help="settings folder")
    options = parser.parse_args(arguments)
    try:
        print("\n".join(list_files(load_settings(options.settings))))
    except StudyError as error:
        raise SystemExit(str(error)) from None


if __name__ == "__main__":
    main()
