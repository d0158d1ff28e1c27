"""The tables of the report as plain text, read back from the page's own fragments."""

from __future__ import annotations

from dataclasses import dataclass
from html.parser import HTMLParser


@dataclass(frozen=True)
class PlainTable:
    """A table without markup; a row with one cell heads the rows that follow."""

    name: str
    number: str
    title: str
    columns: list[str]
    rows: list[list[str]]
    notes: list[str]


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.name = ""
        self.caption, self.rows, self.notes = "", [], []  # type: ignore[var-annotated]
        self._inside = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        attributes = dict(attrs)
        if tag == "table":
            self.name = (attributes.get("id") or "").removeprefix("table-")
        elif tag == "tr":
            self.rows.append([])
        elif tag in ("td", "th"):
            self.rows[-1].append("")
            self._inside = "cell"
        elif tag == "caption":
            self._inside = "caption"
        elif tag == "p":
            self.notes.append("")
            self._inside = "note"

    def handle_endtag(self, tag: str) -> None:
        if tag in ("td", "th", "caption", "p"):
            self._inside = ""

    def handle_data(self, data: str) -> None:
        if self._inside == "cell":
            self.rows[-1][-1] += data
        elif self._inside == "caption":
            self.caption += data
        elif self._inside == "note":
            self.notes[-1] += data


def plain_table(fragment: str) -> PlainTable | None:
    """Return the table of an HTML fragment, None where it only says why there is none."""
    reader = _Reader()
    reader.feed(fragment)
    reader.close()
    if not reader.rows:
        return None
    number, _, title = reader.caption.strip().partition(". ")
    columns, *rows = reader.rows
    return PlainTable(
        reader.name, number.removeprefix("Table "), title.strip(), columns, rows, reader.notes
    )
