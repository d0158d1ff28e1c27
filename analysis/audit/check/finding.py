"""A finding of the check, for a person; and the files of a study with their hashes, read once."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

import pandas as pd

from analysis.audit.study_folder import StudyFolder
from shared.manifest import files_of
from shared.provenance import sha256_of_raw_file
from shared.tables import read_metadata, read_table


@dataclass(frozen=True)
class Finding:
    """Where something does not agree, what stands there, and what was expected."""

    place: str
    found: str
    expected: str

    def __str__(self) -> str:
        return f"{self.place}\n    found     {self.found}\n    expected  {self.expected}"


@dataclass
class Files:
    """The files of a finished study; hashes and tables are read once."""

    study: StudyFolder
    _hashes: dict[Path, str] = field(default_factory=dict)
    _tables: dict[Path, pd.DataFrame] = field(default_factory=dict)

    @property
    def results(self) -> Path:
        """The results folder."""
        return self.study.results

    @cached_property
    def all(self) -> list[Path]:
        """Every file of the results but logs, timings and the manifest."""
        return list(files_of(self.results))

    @cached_property
    def parquet(self) -> list[Path]:
        """The tables that can be opened; the others are a finding of `tables`."""
        return [path for path in self.all if path.suffix == ".parquet" and not self.fault(path)]

    def name(self, path: Path) -> str:
        """Return a file's name below the results."""
        return path.relative_to(self.results).as_posix()

    def digest(self, path: Path) -> str:
        """Return the SHA-256 of a file, '' where there is none; of raw ones as in `recordings`."""
        if path not in self._hashes:
            self._hashes[path] = sha256_of_raw_file(path) if path.is_file() else ""
        return self._hashes[path]

    def table(self, name: str) -> pd.DataFrame | None:
        """Return a table by its name below the results without suffix; None where it is not."""
        path = self.results / f"{name}.parquet"
        if path not in self.parquet:
            return None
        if path not in self._tables:
            self._tables[path] = read_table(path)
        return self._tables[path]

    def metadata(self, path: Path) -> dict[str, str]:
        """Return the metadata that a table was written with."""
        return read_metadata(path)

    def fault(self, path: Path) -> str:
        """Return why a table cannot be opened, '' where it can."""
        try:
            read_metadata(path)
        except (OSError, ValueError) as error:
            return str(error).splitlines()[0]
        return ""


def differing(
    left: pd.DataFrame, right: pd.DataFrame, key: list[str], columns: list[str]
) -> Iterator[tuple[str, str, Any, Any]]:
    """Yield (key, column, left, right) of cells that differ, and of rows that only one has.

    Empty cells are equal; numbers are equal to the last digit.
    """
    pair = left[[*key, *columns]].merge(
        right[[*key, *columns]], on=key, how="outer", suffixes=("", "|"), indicator=True
    )
    names = pair[key].astype(str).agg("/".join, axis=1) if len(pair) else pd.Series(dtype=str)
    for side, text in (("left_only", ("a row", "no row")), ("right_only", ("no row", "a row"))):
        for name in names[pair["_merge"] == side]:
            yield name, "row", *text
    both = pair["_merge"] == "both"
    for column in columns:
        one, other = pair[column], pair[f"{column}|"]
        unequal = both & ~((one == other).fillna(False) | (one.isna() & other.isna()))
        for row in pair.index[unequal]:
            yield names[row], column, one[row], other[row]
