"""The files that the workflow made, which of them cannot hold an athlete, and their removal.

Not only files that name the athlete are removed: every mean is made of everybody's values. What
stays is what was computed from other athletes alone: their shards, and calibrations of units.
"""

from __future__ import annotations

import binascii
from base64 import urlsafe_b64decode
from collections.abc import Collection, Iterator
from pathlib import Path

from pipeline.withdrawal.marks import Marks
from pipeline.withdrawal.scan import in_content
from shared.manifest import FILE as MANIFEST

ENGINE = Path(".snakemake")
"""Where the workflow engine keeps its records, in the folder in which the study was run."""

_RECORDS = ("metadata", "incomplete")
_BY_RUN = ("logs", "benchmarks")
_LOCK = "study.running"
_WITHOUT_ATHLETES = (
    "tables/unit_calibrations.parquet",
    "logs/calibrate_units.log",
    "benchmarks/calibrate_units.tsv",
)


def _files(folder: Path) -> list[Path]:
    return sorted(path for path in folder.rglob("*") if path.is_file())


def _is_below(path: Path, folder: Path) -> bool:
    return path.resolve().is_relative_to(folder.resolve())


def _output_of(record: Path, folder: Path) -> Path | None:
    """Return the output that a record of the engine describes: its name is the path in base64.

    Long names are cut into folders that begin with @ (snakemake/persistence/file.py, 9.27).
    """
    parts = record.relative_to(folder).parts
    code = "".join([*(part.removeprefix("@") for part in parts[:-1]), parts[-1]])
    try:
        return Path(urlsafe_b64decode(code).decode())
    except (binascii.Error, UnicodeDecodeError):
        return None


def records(engine: Path) -> Iterator[tuple[Path, Path | None]]:
    """Yield the records of the engine with the output that each describes."""
    for kind in _RECORDS:
        for record in _files(engine / kind):
            yield record, _output_of(record, engine / kind)


def made_by_workflow(results: Path, engine: Path) -> list[Path]:
    """Return the files below the results that a run of the workflow wrote, sorted.

    Files that somebody else put there are not among them.
    """
    found = {results / MANIFEST, *(path for name in _BY_RUN for path in _files(results / name))}
    for _, output in records(engine):
        if output is not None and _is_below(output, results):
            place = results / output.resolve().relative_to(results.resolve())
            found |= set(_files(place)) if place.is_dir() else {place}
    return sorted(path for path in found if path.is_file())


def engine_files(results: Path, engine: Path) -> list[Path]:
    """Return the engine's files but for its records of other studies, sorted."""
    others = {
        record
        for record, output in records(engine)
        if output is not None and not _is_below(output, results)
    }
    return [path for path in _files(engine) if path not in others and path.name != _LOCK]


def _shard_in(name: str) -> str:
    """Return the shard that a file belongs to alone, '' if it does not."""
    kind, _, rest = name.partition("/")
    if kind == "extraction":
        return rest.partition("/")[0]
    return rest.removeprefix("extract_").partition(".")[0] if kind in _BY_RUN else ""


def _names_somebody(path: Path, root: Path, sought: Collection[Marks]) -> bool:
    name, data = path.relative_to(root).as_posix(), path.read_bytes()
    return any(in_content(data, marks, name) for marks in sought)


def independent(results: Path, files: Collection[Path], sought: Collection[Marks]) -> set[Path]:
    """Return the files that were made without the athletes: whole shards that name none of them."""
    names = {path: path.relative_to(results).as_posix() for path in files}
    shards = {_shard_in(name) for name in names.values() if name.startswith("extraction/")}
    for path, name in names.items():
        shard = _shard_in(name)
        if shard in shards and _names_somebody(path, results, sought):
            shards.discard(shard)
    return {
        path
        for path, name in names.items()
        if name in _WITHOUT_ATHLETES or _shard_in(name) in shards
    }


def _remove(path: Path, root: Path) -> None:
    path.unlink(missing_ok=True)
    for folder in path.parents:
        if folder == root or any(folder.iterdir()):
            break
        folder.rmdir()


def remove(
    results: Path, engine: Path, files: Collection[Path], kept: Collection[Path],
    sought: Collection[Marks],
) -> list[Path]:  # fmt: skip
    """Remove files but those to keep, and the engine's records of them; return what was removed.

    The manifest goes first: without it, a removal that was cut off is known to be unfinished.
    """
    (results / MANIFEST).unlink(missing_ok=True)
    keep = {path.resolve() for path in kept}
    for record, output in list(records(engine)):
        if output is not None and _is_below(output, results) and output.resolve() not in keep:
            _remove(record, engine)
    gone = [path for path in files if path not in kept]
    for path in gone:
        _remove(path, results)
    for path in engine_files(results, engine):
        if _names_somebody(path, engine, sought):
            _remove(path, engine)
    return gone
