"""Do the four forms of a table of the shareable edition (page, CSV, LaTeX, DOCX) say the same?

The edition carries no addresses, so its numbers cannot be held against the ledger; each form is a
witness of the others. Cells are read here from the files, not by what wrote them.
"""

from __future__ import annotations

import csv
import re
import zipfile
from collections.abc import Iterator
from pathlib import Path
from xml.etree import ElementTree

from analysis.audit.check.finding import Files, Finding
from analysis.export.latex import escaped
from analysis.export.plain_tables import PlainTable, plain_table
from analysis.tables.write import TABLES

_TABLE = re.compile(r'<table id="table-.*?</table>', re.S)
_WORD = "{http://schemas.openxmlformats.org/wordprocessingml/2006/main}"
Rows = list[list[str]]


def _plain(cell: str) -> str:
    return " ".join(cell.split(" "))


def _of_csv(path: Path) -> Rows:
    with path.open(encoding="utf-8", newline="") as stream:
        return [[_plain(cell) for cell in row] for row in csv.reader(stream)]


def _of_page(table: PlainTable) -> Rows:
    width = len(table.columns)
    return [row + [""] * (width - len(row)) for row in [table.columns, *table.rows]]


def _from_csv(path: Path) -> PlainTable:
    """Return a table that the page does not show; a row with one filled cell is a heading."""
    columns, *rows = _of_csv(path)
    plain = [row if any(row[1:]) else row[:1] for row in rows]
    return PlainTable(path.stem, "", "", columns, plain, [])


def _of_latex(path: Path) -> list[str]:
    body = path.read_text(encoding="utf-8").partition(r"\toprule")[2].partition(r"\bottomrule")[0]
    return [line.removesuffix(r" \\") for line in body.splitlines() if line.endswith(r" \\")]


def _as_latex(row: list[str], is_heading: bool, width: int) -> str:
    if is_heading:
        return rf"\multicolumn{{{width}}}{{l}}{{\textbf{{{escaped(row[0])}}}}}"
    return " & ".join(escaped(cell) for cell in row)


def _of_docx(path: Path) -> list[Rows]:
    with zipfile.ZipFile(path) as archive:
        document = ElementTree.fromstring(archive.read("word/document.xml"))
    return [
        [
            ["".join(text.text or "" for text in cell.iter(f"{_WORD}t"))
             for cell in row.iter(f"{_WORD}tc")]
            for row in table.iter(f"{_WORD}tr")
        ]
        for table in document.iter(f"{_WORD}tbl")
    ]  # fmt: skip


def _differences(table: PlainTable, folder: Path, in_word: Rows) -> Iterator[tuple[str, str, str]]:
    """Yield the form that differs from the page in its first such row, what it says, the page."""
    shown, width = _of_page(table), len(table.columns)
    printed = [table.columns, *table.rows]
    forms = {
        f"{table.name}.csv": ([repr(row) for row in _of_csv(folder / f"{table.name}.csv")],
                              [repr([_plain(cell) for cell in row]) for row in shown]),
        f"{table.name}.tex": (_of_latex(folder / f"{table.name}.tex"),
                              [_as_latex(row, len(row) == 1, width) for row in printed]),
        f"tables.docx, {table.name}": ([repr(row) for row in in_word],
                                        [repr(row) for row in printed]),
    }  # fmt: skip
    for form, (said, wanted) in forms.items():
        length = max(len(said), len(wanted))
        pairs = zip(*(rows + ["no row"] * (length - len(rows)) for rows in (said, wanted)),
                    strict=True)  # fmt: skip
        for one, other in pairs:
            if one != other:
                yield form, one, other
                break


def edition(files: Files) -> Iterator[Finding]:
    """The tables of the shareable edition in all their forms; none where it was not made."""
    folder = files.results / "report" / "shareable"
    page = folder / "report.html"
    if not folder.is_dir():
        return
    if not page.is_file():
        yield Finding("report/shareable/report.html", "the page is missing", "the page")
        return
    text = page.read_text(encoding="utf-8")
    tables = [table for found in _TABLE.findall(text) if (table := plain_table(found))]
    written = {path.stem for path in (folder / "tables").glob("*.tex")}
    in_word = _of_docx(folder / "tables" / "tables.docx")
    if len(in_word) != len(written):
        yield Finding("report/shareable/tables/tables.docx", f"{len(in_word)} tables",
                      f"{len(written)}, one for each LaTeX file")  # fmt: skip
        return
    by_name = dict(zip([name for name in TABLES if name in written], in_word, strict=True))
    shown = {table.name: table for table in tables}
    for name in sorted(written | set(shown)):
        if name not in by_name:
            yield Finding(f"report/shareable/tables/{name}.tex", "no file", "the table")
            continue
        table = shown.get(name) or _from_csv(folder / "tables" / f"{name}.csv")
        for form, said, wanted in _differences(table, folder / "tables", by_name[name]):
            other = "its page" if name in shown else "its CSV"
            yield Finding(f"report/shareable/tables/{form}", said, f"{wanted} ({other})")
