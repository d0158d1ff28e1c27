"""Blinded runs: what says so in settings, tables and products, and what keeps them apart.

In a blinded run the outcomes are exchanged between athletes by a seeded permutation when they are
read (`pipeline/intake/permuted.py`), so that an analysis can be built before anyone sees the truth
(blind analysis: MacCoun and Perlmutter, Nature 2015;526:187-189, from memory). The tables made from
them carry it in their metadata from step to step, and every product says it to its reader.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from shared.errors import StudyError, stops

KEY = "outcomes"
"""Key of the Parquet metadata; absent where outcomes are as recorded, or none were used."""

SUFFIX = "_blinded"
"""End of the name of the results folder of a blinded run."""

_PERMUTED = "permuted, seed {seed}"
_SEED = re.compile(r"^permuted, seed (\d+)$")


def seed_of(study: Mapping[str, Any]) -> int | None:
    """Return the seed of a blinded study from its settings as plain data, None for a true one."""
    blinded = study.get("blinded")
    return None if blinded is None else int(blinded["seed"])


def how_permuted(study: Mapping[str, Any]) -> str:
    """Return what the metadata of outcomes say, '' for a true study."""
    seed = seed_of(study)
    return "" if seed is None else _PERMUTED.format(seed=seed)


def mark(seed: int | None) -> str:
    """Return the words that stand on every product of a blinded run, '' for a true one."""
    return "" if seed is None else f"BLINDED: outcomes permuted (seed {seed}); no result is real"


def mark_of(study: Mapping[str, Any]) -> str:
    """Return the mark of a study from its settings as plain data."""
    return mark(seed_of(study))


def how_permuted_in(paths: Iterable[Path]) -> str:
    """Return what the metadata of Parquet files say about their outcomes, '' where none does.

    Raises
    ------
    ValueError
        Files of runs with different seeds were put together.
    """
    found = {text for path in paths if (text := _noted(path))}
    if len(found) > 1:
        raise ValueError(f"tables of different blinded runs: {', '.join(sorted(found))}")
    return found.pop() if found else ""


def _noted(path: Path) -> str:
    if path.suffix != ".parquet" or not path.is_file():
        return ""
    import pyarrow.parquet as pq

    return ((pq.read_schema(path).metadata or {}).get(KEY.encode()) or b"").decode()


def mark_in(*paths: Path) -> str:
    """Return the mark of products that are made from some tables, '' where outcomes are true."""
    noted = _SEED.match(how_permuted_in(paths))
    return mark(int(noted[1])) if noted else ""


def seed_of_results(results: Path) -> int | None:
    """Return the seed of the run whose results a folder holds, None for a true or no run."""
    noted = _SEED.match(_noted(_outcomes(results)))
    return int(noted[1]) if noted else None


def _outcomes(results: Path) -> Path:
    # The first table of a run that holds outcomes.
    return results / "intake" / "outcomes.parquet"


def results_name(named: str, study: Mapping[str, Any]) -> str:
    """Return the results folder of a study: the one that is named, set apart when blinded."""
    place = Path(named)
    return named if seed_of(study) is None else str(place.with_name(place.name + SUFFIX))


def stop_if_other_kind(results: Path, study: Mapping[str, Any]) -> None:
    """Refuse a results folder that holds a run of the other kind.

    Raises
    ------
    StudyError
        Blinded results lie where true ones are to go, or the other way round. Another seed is no
        other kind: everything that depends on it is made again.
    """
    if not _outcomes(results).is_file():
        return
    there, wanted = seed_of_results(results), seed_of(study)
    if (there is None) == (wanted is None):
        return
    kinds = ("a run of the true outcomes", "a blinded run, whose outcomes are permuted")
    raise StudyError(
        stops(
            "results_of_another_kind",
            results.name,
            found=f"the results of {kinds[there is not None]}",
            expected=f"an empty folder, or the results of {kinds[wanted is not None]}",
            mend="name another results_folder in study.yaml, or move these results away: the two "
            "kinds never share a folder",
        )
    )
