"""What a question points at: a printed number, an estimate, or a value of a landing."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable
from dataclasses import dataclass
from html.parser import HTMLParser

import pandas as pd

from analysis.audit.study_folder import StudyFolder, TraceError

_NEAREST = 5


@dataclass(frozen=True)
class Target:
    """Where a chain begins: an estimate (with the printed rows that show it), or a metric row."""

    estimate: pd.Series | None = None
    printed: pd.DataFrame | None = None
    metric_row: tuple[str, str, str] | None = None


class _Cells(HTMLParser):
    """Collects, cell by cell of a table's body, the addresses of the numbers in it."""

    def __init__(self) -> None:
        super().__init__()
        self.rows: list[list[list[str]]] = []
        self._inside = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "tbody":
            self._inside = True
        elif self._inside and tag == "tr":
            self.rows.append([])
        elif self._inside and tag in ("td", "th") and self.rows:
            self.rows[-1].append([])
        number = dict(attrs).get("data-number")
        if self._inside and number and self.rows and self.rows[-1]:
            self.rows[-1][-1].append(number)


def nearest(wrong: str, known: Iterable[str]) -> list[str]:
    """Return the known names nearest to a wrong one, the nearest first.

    Letters that the names share are counted first, because comparing all of them would take
    seconds.
    """
    names = sorted(set(known))
    parts = set(re.split(r"[./]", wrong.lower()))
    names.sort(key=lambda name: -len(parts & set(re.split(r"[./]", name.lower()))))
    return difflib.get_close_matches(wrong, names[:300], n=_NEAREST, cutoff=0.3)


def unknown(what: str, wrong: str, known: Iterable[str]) -> TraceError:
    """Return the refusal of a wrong name, with the nearest right ones."""
    near = nearest(wrong, known)
    hint = "\n".join(f"    {name}" for name in near)
    return TraceError(
        f"there is no {what} {wrong!r}" + (f"; the nearest are\n{hint}" if near else "")
    )


def _of_estimate(study: StudyFolder, number_id: str, ledger: pd.DataFrame) -> Target:
    rows = study.table("estimates", [("number_id", "==", number_id)])
    return Target(rows.iloc[0], ledger.loc[ledger["number_id"] == number_id])


def _of_metric_row(study: StudyFolder, name: str) -> Target | None:
    pieces = name.split("/")
    if len(pieces) != 3:
        return None
    keys = ("landing_id", "metric", "sensor")
    rows = study.table(
        "metrics", [(key, "==", piece) for key, piece in zip(keys, pieces, strict=True)], keys
    )
    return Target(metric_row=(pieces[0], pieces[1], pieces[2])) if len(rows) else None


def find(study: StudyFolder, name: str) -> Target:
    """Return what a name points at.

    Parameters
    ----------
    name
        An address of the ledger, of an estimate, or LANDING/METRIC/SENSOR of a metric row.

    Raises
    ------
    TraceError
        No such name; the nearest right ones are in the text.
    """
    ledger = study.table("ledger")
    printed = ledger.loc[ledger["ledger_id"] == name]
    if len(printed):
        target = _of_estimate(study, printed["number_id"].iloc[0], ledger)
        return Target(target.estimate, printed)
    numbers = study.table("estimates", columns=["number_id"])["number_id"]
    if (numbers == name).any():
        return _of_estimate(study, name, ledger)
    if (row := _of_metric_row(study, name)) is not None:
        return row
    known = [*ledger["ledger_id"], *numbers]
    if name.count("/") == 2:
        table = study.table("metrics", columns=["landing_id", "metric", "sensor"])
        known += table.agg("/".join, axis=1).tolist()
    raise unknown("number", name, known)


def _place(study: StudyFolder, file: str, is_cell: bool) -> str:
    """Return the place in the ledger of a table or figure, by its name or its file."""
    parts = file.replace("\\", "/").split("/")
    name = re.sub(r"\.(csv|tex|svg|png|html|parquet)$", "", parts[-1])
    places = sorted(set(study.table("ledger", columns=["place"])["place"]))
    found = [place for place in places if place.partition(".")[2] == name]
    if not found:
        raise unknown("table or figure", name, [place.partition(".")[2] for place in places])
    # A figure and a table may share a name: the folder, or the kind of cell, tells them apart.
    wanted = "figure" if "figures" in parts and not is_cell else "table"
    return next((place for place in found if place.startswith(wanted)), found[0])


def _in_cell(study: StudyFolder, name: str, row: int, column: int) -> list[str]:
    parser = _Cells()
    fragment = study.results / "report" / "numbers" / f"{name}.html"
    parser.feed(fragment.read_text(encoding="utf-8"))
    if not 1 <= row <= len(parser.rows) or not 1 <= column <= len(parser.rows[row - 1]):
        raise TraceError(
            f"the table {name!r} has {len(parser.rows)} rows below its header; row {row}, "
            f"column {column} is none of its cells"
        )
    return parser.rows[row - 1][column - 1]


def find_in_cell(study: StudyFolder, file: str, cell: str) -> Target:
    """Return the number in a cell of a table, or with a text in a table or figure.

    Parameters
    ----------
    cell
        ROW,COLUMN of a table counted from 1 below the header, or the text as it is printed.

    Raises
    ------
    TraceError
        No such table, cell or text, or several numbers; they are then listed.
    """
    coordinates = re.fullmatch(r"\s*(\d+)\s*,\s*(\d+)\s*", cell)
    place = _place(study, file, coordinates is not None)
    kind, _, name = place.partition(".")
    if coordinates and kind == "table":
        found = _in_cell(study, name, int(coordinates[1]), int(coordinates[2]))
        if not found:
            raise TraceError(f"the cell {cell} of the table {name!r} shows no number")
    else:
        ledger = study.table("ledger", [("place", "==", place)])
        shown = ledger["display"].str.replace("\u2212", "-", regex=False)
        found = ledger.loc[shown == cell.replace("\u2212", "-"), "ledger_id"].tolist()
        if not found:
            raise unknown(f"number in the {kind} {name!r}", cell, ledger["display"])
    if len(found) > 1:
        listed = "\n".join(f"    {number}" for number in found)
        raise TraceError(f"several numbers stand there; ask for one of them\n{listed}")
    return find(study, found[0])
