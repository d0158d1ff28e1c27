"""Do estimates, ledger, pages, tables and figures show the same numbers?"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from html import unescape
from pathlib import Path
from typing import Any

import pandas as pd

from analysis.audit.check.finding import Files, Finding, differing
from analysis.labels import sentence_case
from analysis.report.check import check_ledger, check_page, check_reasons, check_table
from shared.schemas import schema_of
from shared.sources import ROOT
from shared.tables import empty_table

_PAGES = ("report.html", "quality.html", "audit.html")
_WITHOUT_NUMBERS = ("flagged.html", "checklist.html")
_CAPTIONS = ROOT / "analysis" / "report" / "captions"
_ID = re.compile(r' id="([^"]+)"')
_LINK = re.compile(r'href="([a-z]+\.html#[^"]+)"')
_ENTRY = re.compile(r'<div class="entry" id="([^"]+)">(.*?)</div>', re.S)
_VALUE = re.compile(r"<p>estimate <b>([^<]+)</b>")
_NUMBERED = re.compile(r"^Figure ?\d*\. *")
_FIGURE = re.compile(r'<figure id="figure-([^"]+)">(.*?)</figure>', re.S)
_CAPTION = re.compile(r"<figcaption>(.*?)</figcaption>", re.S)


def estimates(files: Files) -> Iterator[Finding]:
    """All estimates against those that each step wrote."""
    joined = files.table("tables/estimates")
    paths = sorted((files.results / "models").glob("*.parquet"))
    parts = [files.table(f"models/{path.stem}") for path in paths]
    read = [part for part in parts if part is not None]
    if joined is None or not read:
        return
    columns = [name for name in schema_of("estimates").names if name != "number_id"]
    steps = pd.concat([part for part in read if len(part)], ignore_index=True)
    for key, column, found, expected in differing(joined, steps, ["number_id"], columns):
        yield Finding(f"tables/estimates: {key}, {column}", str(found), f"{expected} (its step)")


def ledger(files: Files) -> Iterator[Finding]:
    """The ledger against the estimates, and against the ledgers of tables and figures."""
    held, table = files.table("tables/ledger"), files.table("tables/estimates")
    if held is None or table is None:
        return
    for fault in check_ledger(held, table):
        yield Finding("tables/ledger", fault, "each printed number is its estimate, rounded")
    for path in sorted((files.results / "report" / "numbers").glob("*.parquet")):
        part = files.table(f"report/numbers/{path.stem}")
        if part is None:
            continue
        columns = ["display", "number_id", "field", "value", "place"]
        mine = held.loc[held["place"].isin(set(part["place"]))]
        for key, column, found, expected in differing(mine, part, ["ledger_id"], columns):
            yield Finding(
                f"tables/ledger: {key}, {column}", str(found), f"{expected} ({path.name})"
            )


def pages(files: Files) -> Iterator[Finding]:
    """Each printed number of a page against the ledger, and the links between the pages."""
    held = files.table("tables/ledger")
    if held is None:
        return
    places: dict[str, set[str]] = {}
    links: dict[str, set[str]] = {}
    for name in _PAGES:
        path = files.results / "report" / name
        if not path.is_file():
            yield Finding(f"report/{name}", "the page is missing", "the page")
            continue
        text = path.read_text(encoding="utf-8")
        for fault in check_page(text, held):
            yield Finding(f"report/{name}", fault, "the numbers of the ledger, and no others")
        places[name] = {unescape(address) for address in _ID.findall(text)}
        links[name] = {unescape(link) for link in _LINK.findall(text)}
    for name, found in links.items():
        for link in sorted(found):
            page, _, address = link.partition("#")
            if address not in places.get(page, {address}):
                yield Finding(f"report/{name}", f"a link to {link}", "a number at that address")


def unaddressed(files: Files) -> Iterator[Finding]:
    """Numbers without an address: in reasons, and on pages that show none."""
    table = files.table("tables/estimates")
    for name in _PAGES[:2]:
        path = files.results / "report" / name
        if table is not None and path.is_file():
            for fault in check_reasons(path.read_text(encoding="utf-8"), table):
                yield Finding(f"report/{name}", fault, "the reason as its analysis gave it")
    for name in _WITHOUT_NUMBERS:
        path = files.results / "report" / name
        text = path.read_text(encoding="utf-8") if path.is_file() else ""
        for fault in check_page(text, empty_table("ledger")):
            yield Finding(f"report/{name}", fault, "no number: this page shows none")


def tables(files: Files) -> Iterator[Finding]:
    """Tables as CSV against the same tables as HTML, and these against the ledger."""
    held = files.table("tables/ledger")
    for fragment in sorted((files.results / "report" / "numbers").glob("*.html")):
        written = files.results / "report" / "tables" / f"{fragment.stem}.csv"
        if not written.is_file():
            yield Finding(f"report/tables/{written.name}", "the file is missing", "the table")
            continue
        for fault in _cells(written, fragment):
            yield Finding(f"report/tables/{written.name}", fault, "equal cells in CSV and HTML")
        if held is not None:
            for fault in check_page(fragment.read_text(encoding="utf-8"), held):
                yield Finding(f"report/numbers/{fragment.name}", fault, "the ledger's numbers")


def _cells(written: Path, fragment: Path) -> list[str]:
    if "<table" not in fragment.read_text(encoding="utf-8"):
        # A table without a single number is one sentence on the page.
        rows = csv.reader(written.read_text(encoding="utf-8").splitlines()[1:])
        held = [cell for row in rows for cell in row[1:] if any(map(str.isdigit, cell))]
        return [f"{written.name}: {held[0]}, the page has no such table"] if held else []
    return check_table(written, fragment)


def _words(html: str) -> str:
    return " ".join(unescape(re.sub(r"<[^>]+>", "", html)).split())


def figures(files: Files) -> Iterator[Finding]:
    """Drawings on the page against their files, captions against the project's texts."""
    captions = [
        " ".join(path.read_text(encoding="utf-8").split())
        for path in sorted(_CAPTIONS.glob("*.rst"))
    ]
    # The waveforms of all tasks share one text, headed by the task.
    labels = [task.label for task in files.study.settings.study.tasks.values()]
    tasks = [f"{sentence_case(label)}. " for label in labels]
    held = files.table("tables/ledger")
    for name in ("report.html", "quality.html"):
        page = files.results / "report" / name
        text = page.read_text(encoding="utf-8") if page.is_file() else ""
        for figure, content in _FIGURE.findall(text):
            place = f"report/{name}, figure {figure}"
            file = files.results / "report" / "figures" / f"{figure}.svg"
            drawing = file.read_text(encoding="utf-8") if file.is_file() else ""
            if not drawing or drawing.partition(">")[2].strip() not in content:
                yield Finding(place, "another drawing than in its file", f"figures/{file.name}")
            caption = _NUMBERED.sub("", _words("".join(_CAPTION.findall(content))))
            caption = next(
                (caption.removeprefix(t) for t in tasks if caption.startswith(t)), caption
            )
            if not caption.startswith(tuple(captions)):
                yield Finding(place, f"the caption {caption[:80]!r}", "a caption of the project")
            if held is not None:
                for fault in check_page(drawing, held):
                    yield Finding(f"report/figures/{file.name}", fault, "the ledger's numbers")


def figure_data(files: Files) -> Iterator[Finding]:
    """The data of a figure against the estimates, where a row names its address."""
    table = files.table("tables/estimates")
    if table is None:
        return
    rows = table.set_index("number_id")
    for path in sorted((files.results / "report" / "figures").glob("*.csv")):
        with path.open(encoding="utf-8", newline="") as stream:
            for line in csv.DictReader(stream):
                address = line.get("number_id", "")
                if address not in rows.index:
                    if address:
                        yield Finding(f"report/figures/{path.name}", address, "an estimate")
                    continue
                for column, field in (
                    ("value", "estimate"),
                    *((n, n) for n in rows.columns if n in line),
                ):
                    if not _same(line.get(column), rows.loc[address, field]):
                        yield Finding(
                            f"report/figures/{path.name}: {address}, {column}",
                            str(line[column]),
                            f"{rows.loc[address, field]} (estimates)",
                        )


def _same(text: str | None, value: Any) -> bool:
    if text is None:
        return True
    if text in ("", "nan"):
        return bool(pd.isna(value)) or value == ""
    if isinstance(value, str | bool):
        return text == str(value)
    return float(text) == value


def audit_page(files: Files) -> Iterator[Finding]:
    """The values on the audit page against the estimates, to the last digit."""
    path, table = files.results / "report" / "audit.html", files.table("tables/estimates")
    if table is None or not path.is_file():
        return
    shown = dict(_ENTRY.findall(path.read_text(encoding="utf-8")))
    for address, held in zip(table["number_id"], table["estimate"], strict=True):
        value = _VALUE.search(shown.get(address, ""))
        text = value[1] if value else ""
        if address not in shown or not _same(text, held):
            found = (text or "no value") if address in shown else "no entry"
            yield Finding(f"report/audit.html: {address}", found, f"{held} (estimates)")
