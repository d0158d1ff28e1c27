"""Athletes who withdrew their consent: for every part of the project they do not exist.

The study table `withdrawals` names them. It holds no date and no reason: nobody owes a reason for
withdrawing, and nothing here needs the day.
"""

from __future__ import annotations

import csv
from collections.abc import Collection, Mapping, Sequence
from pathlib import Path

from shared.layout import find_table

TABLE = "withdrawals"

_PARTS_AFTER_ATHLETE = 5
"""Visit, task, side, trial and device follow the athlete in the name of a recording."""


def rows_of(path: Path | None) -> list[dict[str, str]]:
    """Return the rows of a study table as text; a table that is missing or broken has none.

    Lenient, because the intake step reports what is wrong with a table.
    """
    if path is None:
        return []
    if path.suffix == ".parquet":
        import pyarrow as pa
        import pyarrow.parquet as pq

        try:
            rows = pq.read_table(path).to_pylist()
        except (pa.ArrowInvalid, OSError):
            return []
        return [{name: str(value) for name, value in row.items()} for row in rows]
    text = path.read_text(encoding="utf-8-sig", errors="replace").splitlines()
    if not text:
        return []
    delimiter = max((",", ";", "\t"), key=text[0].count)
    return [
        {str(key).strip(): str(value) for key, value in row.items()}
        for row in csv.DictReader(text, delimiter=delimiter)
    ]


def withdrawn_in(paths: Sequence[Path]) -> frozenset[str]:
    """Return the athletes that the table of withdrawals names: one path of it, or none."""
    rows = (row for path in paths for row in rows_of(path))
    return frozenset(code for row in rows if (code := row.get("athlete_id", "").strip()))


def withdrawn_athletes(study_folder: Path) -> frozenset[str]:
    """Return the athletes of a study folder who withdrew their consent."""
    path = find_table(study_folder, TABLE)
    return withdrawn_in([path] if path else [])


def athlete_of(recording_id: str) -> str:
    """Return the athlete in the name of a recording; the name itself if it has another form."""
    parts = recording_id.rsplit(".", _PARTS_AFTER_ATHLETE)
    return parts[0] if len(parts) > _PARTS_AFTER_ATHLETE else recording_id


def belongs_to(row: Mapping[str, str], athletes: Collection[str]) -> bool:
    """Tell whether a row of a study table belongs to one of the athletes."""
    if "athlete_id" in row:
        return row["athlete_id"].strip() in athletes
    return athlete_of(row.get("recording_id", "").strip()) in athletes
