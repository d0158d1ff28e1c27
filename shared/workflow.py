"""What the workflow must know before any rule runs: settings, shards and their raw files.

Reading is lenient here: a table that is missing or broken yields no rows, and the intake step then
reports what is wrong with it.
"""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

from shared.blinding import stop_if_other_kind
from shared.errors import StudyError
from shared.freeze import status_of
from shared.layout import companions_of, find_table, shard_name, shard_of
from shared.provenance import sha256_of_bytes, sha256_of_file
from shared.settings.load import Settings, load_settings, with_blinding
from shared.sources import ROOT, sources_of
from shared.withdrawals import TABLE as WITHDRAWALS
from shared.withdrawals import belongs_to, rows_of, withdrawn_athletes

# Tables whose rows decide what a shard computes, and the columns it reads (empty = all).
_ROWS_OF_A_SHARD: dict[str, tuple[str, ...]] = {
    "athletes": ("athlete_id", "site", "injured_side", "dominant_side", "mass_kg"),
    "recordings": (),
    "calibrations": (),
}

_BENCH = "unit_calibrations"
"""Bench calibrations belong to units, not to athletes: one step computes them for all shards."""


def _files(path: Path) -> list[str]:
    """Return a raw file and what belongs to it, as far as they exist.

    A missing file is for intake to report, with all other problems.
    """
    return [str(file) for file in (path, *companions_of(path)) if file.is_file()]


@dataclass
class Shard:
    """One unit of work: some athletes, their raw files, a digest of their rows."""

    raw: list[str] = field(default_factory=list)
    rows: list[str] = field(default_factory=list)

    @property
    def digest(self) -> str:
        """Hash of the rows of the study tables that this shard reads."""
        return sha256_of_bytes("\n".join(self.rows).encode())[:16]


class Study:
    """A study as the workflow sees it."""

    def __init__(self, settings: Settings):
        self.settings = settings
        self.study_folder = os.path.relpath(settings.study_folder)
        self.results = os.path.relpath(settings.results_folder)
        self.study: dict[str, Any] = settings.study.model_dump(mode="json")
        self.processing: dict[str, Any] = settings.processing.model_dump(mode="json")
        self.plan: dict[str, Any] = settings.plan.model_dump(mode="json")
        self.devices = {n: d.model_dump(mode="json") for n, d in settings.devices.items()}
        self.freeze = status_of(settings).as_dict()
        self.shards = [shard_name(number) for number in range(settings.study.shards)]
        self._work = self._distribute()
        self.bench = self._bench()

    def _bench(self) -> Shard:
        """Return the raw files of the bench calibrations and the rows that name them."""
        bench = Shard()
        for row in rows_of(find_table(self.settings.study_folder, _BENCH)):
            bench.rows.append("|".join(row.get(column, "") for column in sorted(row)))
            if row.get("path"):
                bench.raw += _files(Path(self.study_folder, row["path"].strip()))
        return bench

    def _distribute(self) -> dict[str, Shard]:
        work: dict[str, Shard] = defaultdict(Shard)
        withdrawn = withdrawn_athletes(self.settings.study_folder)
        for table, columns in _ROWS_OF_A_SHARD.items():
            for row in rows_of(find_table(self.settings.study_folder, table)):
                if belongs_to(row, withdrawn):
                    continue
                number = shard_of(row.get("athlete_id", "").strip(), self.settings.study.shards)
                shard = work[shard_name(number)]
                used = [row.get(column, "") for column in columns or sorted(row)]
                shard.rows.append("|".join([table, *used]))
                if row.get("path"):
                    shard.raw += _files(Path(self.study_folder, row["path"].strip()))
        return work

    @property
    def is_harmonised(self) -> bool:
        """Tell whether any kind of sensor is brought to a common rate."""
        return any(self.processing["filtering"]["harmonised_rate_hz"].values())

    @property
    def processing_at_native_rate(self) -> dict[str, Any]:
        """The settings of the extraction with every sensor at the rate of its file.

        Its curves are drawn nowhere, so none are kept.
        """
        filtering, kept = self.processing["filtering"], self.processing["waveforms"]
        native = dict.fromkeys(filtering["harmonised_rate_hz"])
        none = dict.fromkeys(("landings_per_site_and_task", "flagged_per_site_and_reason"), 0)
        return self.processing | {
            "filtering": filtering | {"harmonised_rate_hz": native},
            "waveforms": kept | none,
        }

    @property
    def truth(self) -> str:
        """Folder of the planted truth, demo only."""
        demo = self.settings.study.demo
        return os.path.relpath(self.settings.resolve(demo.truth_folder)) if demo else ""

    def raw_of(self, shard: str) -> list[str]:
        """Return the raw files of a shard, each once, sorted."""
        return sorted(set(self._work[shard].raw))

    def digest_of(self, shard: str) -> str:
        """Return the digest of the rows of a shard."""
        return self._work[shard].digest

    def tables(self) -> list[str]:
        """Return the study tables that exist."""
        people = ("visits", "outcomes", "exposure")
        names = (*_ROWS_OF_A_SHARD, _BENCH, *people, "rejections", WITHDRAWALS)
        found = (find_table(self.settings.study_folder, name) for name in names)
        return [os.path.relpath(path) for path in found if path is not None]

    def listing(self) -> str:
        """Return a digest of names and sizes of all raw files, for the intake step."""
        lines = [
            f"{path}|{Path(path).stat().st_size}"
            for files in (*map(self.raw_of, self.shards), sorted(set(self.bench.raw)))
            for path in files
        ]
        return sha256_of_bytes("\n".join(lines).encode())[:16]


def open_study(folder: str, blinding_seed: int | None) -> Study:
    """Load the settings of a study, blinded where a seed is given, or end with the problems."""
    try:
        study = Study(with_blinding(load_settings(Path(folder)), blinding_seed))
        stop_if_other_kind(study.settings.results_folder, study.study)
        return study
    except StudyError as error:
        raise SystemExit(error.render()) from error


def code_of(step: str) -> str:
    """Return a digest of the source files of a step, a change of which reruns its rule.

    A digest and not inputs: the engine hashes each input again for each output of a job, and looks
    at all inputs of all jobs that are ready whenever it chooses one.
    """
    return _digest_of(sources_of(step))


def digest_of_files(pattern: str) -> str:
    """Return a digest of files of the project by a pattern, for code that no step imports."""
    return _digest_of(sorted(ROOT.glob(pattern)))


def _digest_of(files: Iterable[Path]) -> str:
    lines = [f"{path.relative_to(ROOT).as_posix()}|{_digest(path)}" for path in files]
    return sha256_of_bytes("\n".join(lines).encode())[:16]


@cache
def _digest(path: Path) -> str:
    return sha256_of_file(path)  # most sources belong to most steps: read once


def project_files(pattern: str) -> list[str]:
    """Return files of the project by a pattern, sorted, as inputs of a rule."""
    return sorted(os.path.relpath(path) for path in ROOT.glob(pattern))
