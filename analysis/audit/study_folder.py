"""The folders of a finished study, wherever they were moved: results, raw files, settings."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd
import pyarrow.parquet as pq

from shared.blinding import SUFFIX, mark, results_name, seed_of_results

if TYPE_CHECKING:
    from shared.settings.load import Settings

Filter = Sequence[tuple[str, str, Any]]
_LEVELS_UP = 3  # results lie at most this deep below the folder that holds the settings


class TraceError(ValueError):
    """A question that cannot be answered; the text says why and what to do."""


@dataclass(frozen=True)
class StudyFolder:
    """What lies where in a study; all paths inside the tables count from its raw folder."""

    results: Path
    settings_folder: Path | None = None

    @cached_property
    def settings(self) -> Settings:
        """The settings of the study; loaded late, because most questions need none."""
        from shared.settings.load import load_settings, with_blinding

        if self.settings_folder is None:
            raise TraceError(
                "the settings of this study were not found beside its results: "
                "name their folder with --settings"
            )
        loaded = load_settings(self.settings_folder)
        if loaded.study.blinded is not None:
            return loaded
        # The seed of a blinded run may have been given by the command and stand in no file.
        return with_blinding(loaded, seed_of_results(self.results))

    @property
    def mark(self) -> str:
        """What to say of a blinded run beside each answer, '' for a true one."""
        return mark(seed_of_results(self.results))

    @property
    def raw(self) -> Path:
        """Folder of the raw study: as the settings say, else beside the results."""
        beside = self.results.parent / "study"
        return self.settings.study_folder if self.settings_folder else beside

    def path(self, name: str) -> Path:
        """Return the file of a table; raises TraceError where there is none."""
        places = [self.results / part / f"{name}.parquet" for part in ("tables", "intake")]
        for place in places:
            if place.is_file():
                return place
        raise TraceError(
            f"{self.results.name}/tables has no table {name!r}: run the study to its end first"
        )

    def table(
        self, name: str, rows: Filter = (), columns: Sequence[str] | None = None
    ) -> pd.DataFrame:
        """Return the rows of a table that meet all conditions."""
        found = pq.read_table(
            self.path(name),
            columns=list(columns) if columns else None,
            filters=list(rows) or None,
            use_threads=False,
        )
        return found.to_pandas()


def _settings_beside(results: Path) -> Path | None:
    """Return the settings whose results folder this is, looked for above the results."""
    import yaml

    for above in list(results.parents)[:_LEVELS_UP]:
        for file in sorted([*above.glob("study.yaml"), *above.glob("*/study.yaml")]):
            content = yaml.safe_load(file.read_text(encoding="utf-8"))
            named = content.get("results_folder", "") if isinstance(content, dict) else ""
            places = (named, f"{named.rstrip('/')}{SUFFIX}") if named else ()
            if results in [(file.parent / place).resolve() for place in places]:
                return file.parent
    return None


def add_folder_options(parser: argparse.ArgumentParser) -> None:
    """Add the two options of a command that `open_folder` answers."""
    parser.add_argument("--results", type=Path, help="results folder of the study")
    parser.add_argument("--settings", type=Path, help="settings folder of the study")


def open_folder(results: Path | None, settings: Path | None) -> StudyFolder:
    """Return the folders of a study from its results, its settings, or both.

    Raises
    ------
    TraceError
        Neither leads to tables.
    """
    if results is None:
        folder = settings or Path("config")
        if not (folder / "study.yaml").is_file():
            raise TraceError(f"no study.yaml in {folder}: name the results with --results")
        import yaml

        content = yaml.safe_load((folder / "study.yaml").read_text(encoding="utf-8"))
        named = results_name(content["results_folder"], content)
        found = StudyFolder((folder / named).resolve(), folder)
    else:
        results = results.resolve()
        found = StudyFolder(results, settings or _settings_beside(results))
    if not (found.results / "tables").is_dir():
        raise TraceError(
            f"{found.results.name} holds no folder 'tables': name the results folder of a study "
            "that has run to its end"
        )
    return found
