"""Where things lie in a study, and which shard holds which athlete."""

from __future__ import annotations

import hashlib
from pathlib import Path

SHARD_TABLES = (
    "recordings",
    "calibrations",
    "synchronisation",
    "landings",
    "metrics",
    "metric_sources",
    "exclusions",
    "waveforms",
    "flagged_waveforms",
)
"""The tables that the extraction of a shard writes."""


BIDS_MOTION = "_motion.tsv"
"""How the name of a file of samples ends in the open standard BIDS Motion."""


def companions_of(path: Path) -> tuple[Path, ...]:
    """Return the files without which a raw file cannot be read: of BIDS Motion two, else none."""
    if not path.name.endswith(BIDS_MOTION):
        return ()
    stem = path.name.removesuffix(BIDS_MOTION)
    return (path.with_name(f"{stem}_channels.tsv"), path.with_name(f"{stem}_motion.json"))


def shard_of(athlete_id: str, shards: int) -> int:
    """Return the shard of an athlete: a stable hash of the code, the same on every machine."""
    digest = hashlib.sha256(athlete_id.encode()).digest()
    return int.from_bytes(digest[:8], "big") % shards


def shard_name(shard: int) -> str:
    """Return the folder name of a shard."""
    return f"shard-{shard:03d}"


def recording_id(
    athlete_id: str, visit: str, task: str, side: str, trial: int | str, device: str
) -> str:
    """Return the readable, unique name of a recording."""
    return f"{athlete_id}.{visit}.{task}.{side}.{trial}.{device}"


def find_table(study_folder: Path, name: str) -> Path | None:
    """Return the file of a study table, whichever of the accepted formats it has."""
    for suffix in (".csv", ".tsv", ".parquet"):
        candidate = study_folder / f"{name}{suffix}"
        if candidate.is_file():
            return candidate
    return None
