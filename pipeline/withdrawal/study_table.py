"""Write a withdrawal into the study table, whole or not at all."""

from __future__ import annotations

import csv
import io
from pathlib import Path

from shared.errors import stop
from shared.layout import find_table
from shared.withdrawals import TABLE, withdrawn_in

COLUMNS = ("athlete_id", "raw_data")


def _no_column(path: Path) -> Exception:
    return stop(
        "missing_column",
        path.name,
        row=1,
        found="no column athlete_id",
        expected="the columns athlete_id and, if wanted, raw_data",
        mend="correct the line of column names; config/template/withdrawals.csv shows it",
    )


def _with_line(path: Path, athlete: str) -> bytes:
    """Return the text of the table with one line more, in its own delimiter and line ends."""
    before = path.read_bytes()
    header = before.decode("utf-8-sig").splitlines()[0] if before.strip() else ""
    delimiter = max((",", ";", "\t"), key=header.count)
    names = [name.strip().strip('"') for name in header.split(delimiter)]
    if "athlete_id" not in names:
        raise _no_column(path)
    end = "\r\n" if b"\r\n" in before else "\n"
    row = {"athlete_id": athlete, "raw_data": "kept"}
    line = io.StringIO()
    writer = csv.writer(line, delimiter=delimiter, lineterminator=end)
    writer.writerow([row.get(name, "") for name in names])
    gap = b"" if before.endswith(b"\n") else end.encode()
    return before + gap + line.getvalue().encode()


def _with_row(path: Path, athlete: str) -> bytes:
    import pandas as pd

    table = pd.read_parquet(path)
    if "athlete_id" not in table:
        raise _no_column(path)
    row = pd.DataFrame([{"athlete_id": athlete, "raw_data": "kept"}])
    row = row[[name for name in COLUMNS if name in table]]
    return pd.concat([table, row], ignore_index=True).to_parquet(index=False)


def add_withdrawal(study_folder: Path, athlete: str) -> Path:
    """Add an athlete to the table of withdrawals, unless it is there; return the table's file.

    Raises
    ------
    StudyError
        The table has no column for athletes.
    """
    path = find_table(study_folder, TABLE)
    if path is not None and athlete in withdrawn_in([path]):
        return path
    if path is None:
        path = study_folder / f"{TABLE}.csv"
        content = "\n".join([",".join(COLUMNS), f"{athlete},kept", ""]).encode()
    else:
        content = (_with_row if path.suffix == ".parquet" else _with_line)(path, athlete)
    temporary = path.with_name(f".{path.name}.part")
    temporary.write_bytes(content)
    temporary.replace(path)
    return path
