"""The check of the finished page and tables: no number without an address, none that differs.

The reader here shares nothing with the writer but the ledger: it takes the page as a browser would.
"""

from __future__ import annotations

import csv
import re
from html.parser import HTMLParser
from pathlib import Path

import pandas as pd

from analysis.report.ledger import EXEMPT
from analysis.report.numerals import HIDDEN, is_rounding_of

_VOID = {"br", "hr", "img", "meta", "link", "input", "col", "wbr", "source", "area", "base"}
_UNREAD = {"style", "script"}
_SPOKEN = (
    "aria-label",
    "aria-description",
    "aria-roledescription",
    "aria-valuetext",
    "alt",
    "title",
    "placeholder",
    "summary",
    "abbr",
    "content",
)
"""Attributes whose text is spoken or shown somewhere, if not on the page itself."""

_PLAIN_CONTENT = {"viewport"}
"""Names of meta elements that speak to the browser only."""

_AXIS_TICK = re.compile(r"(^|-)(x|y)tick_\d+$")
_DIGIT = re.compile(r"[0-9]")
_NUMBER = re.compile(r"[0-9]+(?:\.[0-9]+)?")


class _Element:
    """An open element: its own marks, and the text inside it if it shows a number."""

    def __init__(self, tag: str, attributes: dict[str, str], parent: _Element | None):
        self.tag = tag
        self.number = attributes.get("data-number")
        self.text: list[str] = []
        inherited = parent.exempt if parent else None
        self.exempt: str | None = attributes.get("data-exempt", inherited)
        if _AXIS_TICK.search(attributes.get("id", "")):
            self.exempt = "axis"


class PageReader(HTMLParser):
    """Walks a page; collects (ledger id, shown text) and the digits that have no address."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self._open: list[_Element] = []
        self.numbers: list[tuple[str, str]] = []
        self.strays: list[str] = []
        self.reasons: list[str] = []
        self.unknown_classes: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Open an element; look at the text that only a screen reader speaks."""
        attributes = {name: value or "" for name, value in attrs}
        element = _Element(tag, attributes, self._open[-1] if self._open else None)
        if element.exempt is not None and element.exempt not in EXEMPT:
            self.unknown_classes.append(element.exempt)
        if element.exempt is None and attributes.get("name") not in _PLAIN_CONTENT:
            self.strays += [
                f"{name}: {attributes[name]}"
                for name in _SPOKEN
                if _DIGIT.search(attributes.get(name, ""))
            ]
        if tag not in _VOID:
            self._open.append(element)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """An element that closes itself holds no text."""
        self.handle_starttag(tag, attrs)
        if tag not in _VOID:
            self.handle_endtag(tag)

    def handle_endtag(self, tag: str) -> None:
        """Close an element; a number is complete when its element ends."""
        while self._open:
            element = self._open.pop()
            if element.number is not None:
                shown = re.sub(r"[ \t\r\n]+", " ", "".join(element.text)).strip(" ")
                self.numbers.append((element.number, shown))
            if element.tag == tag:
                return

    def handle_data(self, data: str) -> None:
        """Give text to the number it belongs to, or note digits that belong to none."""
        if any(element.tag in _UNREAD for element in self._open):
            return
        for element in reversed(self._open):
            if element.number is not None:
                element.text.append(data)
                return
        exempt = self._open[-1].exempt if self._open else None
        if exempt == "reason":
            self.reasons.append(data)
        if exempt is None and _DIGIT.search(data):
            self.strays.append(" ".join(data.split())[:120])


def read_page(page: str) -> PageReader:
    """Return what a page shows."""
    reader = PageReader()
    reader.feed(page)
    reader.close()
    return reader


def _wrong(ledger_id: str, shown: str, held: pd.DataFrame) -> str | None:
    if ledger_id not in held.index:
        return f"the page shows {shown!r} at {ledger_id}, which the ledger does not hold"
    display = held.loc[ledger_id, "display"]
    if shown != display:
        return f"the page shows {shown!r} at {ledger_id}, the ledger holds {display!r}"
    return None


def check_page(page: str, ledger: pd.DataFrame) -> list[str]:
    """Return one line for each number of the page that the ledger does not vouch for.

    Digits in text outside a numbered element are faults too, unless the text stands in one of the
    named exempt classes (`ledger.EXEMPT`).
    """
    reader = read_page(page)
    held = ledger.set_index("ledger_id")
    faults = [_wrong(ledger_id, shown, held) for ledger_id, shown in reader.numbers]
    strays = [f"digits without an address: {text!r}" for text in reader.strays]
    classes = [f"exempt class {name!r} is not declared" for name in reader.unknown_classes]
    return [fault for fault in faults if fault] + strays + classes


def check_reasons(page: str, estimates: pd.DataFrame) -> list[str]:
    """Return one line for each reason on the page with numbers that no estimate's note holds.

    Reasons may be reworded for readers, so their numbers are compared, in their order.
    """
    notes = {" ".join(["", *_NUMBER.findall(note), ""]) for note in set(estimates["note"])}
    faults = []
    for reason in read_page(page).reasons:
        numbers = _NUMBER.findall(reason)
        wanted = " ".join(["", *numbers, ""])
        if numbers and not any(wanted in note for note in notes):
            faults.append(f"no note of an estimate holds the numbers of the reason {reason!r}")
    return faults


def check_ledger(ledger: pd.DataFrame, estimates: pd.DataFrame) -> list[str]:
    """Return one line for each ledger row that is not its estimate after rounding."""
    rows = {row["number_id"]: row for row in estimates.to_dict("records")}
    faults = []
    for entry in ledger.to_dict("records"):
        address, display = entry["ledger_id"], entry["display"]
        if entry["number_id"] not in rows:
            faults.append(f"{address}: no estimate {entry['number_id']}")
            continue
        row = rows[entry["number_id"]]
        held = row[entry["field"]]
        value = None if pd.isna(held) else float(held)
        is_hidden = entry["field"] in str(row.get("hidden", "")).split()
        if display != HIDDEN if is_hidden else not is_rounding_of(display, value):
            faults.append(f"{address}: shows {display!r}, the estimate is {value}")
    return faults


def check_table(table: Path, fragment: Path) -> list[str]:
    """Return one line for each cell of a CSV table that differs from the same table in HTML.

    The HTML is what `check_page` compares with the ledger, so both together vouch for the CSV.
    """
    with table.open(encoding="utf-8", newline="") as stream:
        written = [[" ".join(cell.split(" ")) for cell in row] for row in csv.reader(stream)]
    reader = _CellReader()
    reader.feed(fragment.read_text(encoding="utf-8"))
    shown = [row + [""] * (len(written[0]) - len(row)) for row in reader.rows]
    if len(shown) != len(written):
        return [f"{table.name}: {len(written)} rows, the page shows {len(shown)}"]
    return [
        f"{table.name}, row {row}, column {column}: {cell!r}, the page shows {other!r}"
        for row, (cells, others) in enumerate(zip(written, shown, strict=True), start=1)
        for column, (cell, other) in enumerate(zip(cells, others, strict=True), start=1)
        if cell != other
    ]


class _CellReader(HTMLParser):
    """Collects the text of each cell of a table, row by row."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.rows: list[list[str]] = []
        self._inside = False

    def handle_starttag(self, tag: str, _attributes: list[tuple[str, str | None]]) -> None:
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self.rows[-1].append("")
            self._inside = True

    def handle_endtag(self, tag: str) -> None:
        if tag in ("td", "th"):
            self._inside = False

    def handle_data(self, data: str) -> None:
        if self._inside:
            self.rows[-1][-1] += data
