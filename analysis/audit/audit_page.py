"""Step: the audit page, for the team only: what stands behind each number of the report.

It prints estimates as they are held, unrounded, and decides nothing. Each entry leads back to the
report, and on to the command that follows the number to raw samples.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
from markupsafe import Markup

from analysis.audit.rows_behind import COLUMNS, Behind, Counts, conditions
from analysis.labels import sentence_case, words
from analysis.report.build import ReportError
from analysis.report.cautions import FOOTER
from analysis.report.check import check_page
from analysis.report.ledger import NUMERIC_FIELDS
from analysis.report.links import linked_within, place_address, shown_on
from analysis.report.page import render, stamps_of
from shared.schemas import schema_of
from shared.tables import read_metadata, read_table, write_text

OPINIONS = ("second_opinion", "r_second_opinion", "rederived")
"""Tables of what was derived a second time; their fragments are made with those of the report."""

FRAGMENTS = (*OPINIONS, "not_run")

_COUNTS = {
    "n_athletes": "athletes",
    "n_events": "events",
    "n_trials": "trials",
    "rows_dropped": "rows left out for missing values",
    "n_filled": "athletes with a value filled in",
    "n_clipped": "athletes with a value drawn above its bound",
}
_OF_THE_ADDRESS = {"number_id", "analysis", "subject", "term", "quantity"}
_VALUES = tuple(name for name in NUMERIC_FIELDS if name not in _COUNTS)
_WHOLE = {column.name for column in schema_of("estimates").columns if column.type == "int64"}


@dataclass(frozen=True)
class Step:
    """A step that gave estimates: its code, and what it read."""

    name: str
    code_version: str
    numbers: int
    inputs: list[tuple[str, str]]


@dataclass(frozen=True)
class Printed:
    """A printed text: its address, where to find it, and the field that it shows."""

    ledger_id: str
    display: str
    place: str
    field: str
    href: str


@dataclass(frozen=True)
class Entry:
    """An estimate with everything that the page says about it."""

    number_id: str
    values: list[tuple[str, str]]
    conventions: list[tuple[str, str]]
    counts: list[str]
    printed: list[Printed]


@dataclass(frozen=True)
class Analysis:
    """The estimates of one analysis, and the conventions that all of them share."""

    name: str
    heading: str
    steps: list[str]
    shared: list[tuple[str, str]]
    entries: list[Entry]


def text_of(value: Any) -> str:
    """Return a value as it is held: the shortest digits that give the same number again."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return repr(float(value)) if isinstance(value, float) else str(value)


def steps_of(parts: Iterable[Path]) -> tuple[list[Step], dict[str, str]]:
    """Return the steps by name, and which of them gave which number."""
    steps, gave = [], {}
    for path in sorted(parts):
        numbers = read_table(path, columns=["number_id"])["number_id"]
        metadata = read_metadata(path)
        inputs = sorted(json.loads(metadata["inputs"]).items())
        steps.append(Step(path.stem, metadata["code_version"], len(numbers), inputs))
        gave |= dict.fromkeys(numbers, path.stem)
    return steps, gave


def _held(row: dict[str, Any], names: Iterable[str]) -> list[tuple[str, str]]:
    # Whole numbers come as fractions from a column with gaps.
    return [
        (name, str(int(row[name])) if name in _WHOLE else text_of(row[name]))
        for name in names
        if not (row[name] is None or row[name] is pd.NA or row[name] == "" or pd.isna(row[name]))
    ]


def _left_out(found: Counts | None) -> list[str]:
    if found is None:
        return []
    reasons = [
        f"{count} {', '.join(words(flag) for flag in flags.split(';')) or 'without a flag'}"
        for flags, count in found.left_out
    ]
    why = f"; not valid: {'; '.join(reasons)}" if reasons else ""
    return [f"{found.values} values of landings behind it, {found.valid} valid{why}"]


def printed_numbers(ledger: pd.DataFrame, pages: dict[str, str]) -> dict[str, list[Printed]]:
    """Return the printed texts by the address of their estimate.

    Parameters
    ----------
    pages : name of a file -> its content, the first that shows a number is the one to go back to
    """
    shown = {name: shown_on(page) for name, page in pages.items()}
    found = defaultdict(list)
    for row in ledger.itertuples():
        kind, _, name = row.place.partition(".")
        page = next((page for page, ids in shown.items() if row.ledger_id in ids), "")
        # A drawing is one image: its numbers have no address of their own.
        back = f"figure-{name}" if kind == "figure" else row.ledger_id
        href = f"{page}#{back}" if page else ""
        found[row.number_id].append(Printed(row.ledger_id, row.display, row.place, row.field, href))
    return found


def _entries(
    table: pd.DataFrame, shared: set[str], behind: list[Counts | None],
    printed: dict[str, list[Printed]],
) -> Iterator[Entry]:  # fmt: skip
    own = [
        name
        for name in table.columns
        if name not in _OF_THE_ADDRESS | shared | set(_VALUES) | set(_COUNTS)
    ]
    for row, counts in zip(table.to_dict("records"), behind, strict=True):
        number = str(row["number_id"])
        yield Entry(
            number,
            _held(row, _VALUES),
            _held(row, own),
            [f"{value} {_COUNTS[name]}" for name, value in _held(row, _COUNTS)] + _left_out(counts),
            printed.get(number, []),
        )


def analyses_of(
    estimates: pd.DataFrame,
    gave: dict[str, str],
    behind: Behind,
    printed: dict[str, list[Printed]],
    study: dict[str, Any],
    plan: dict[str, Any],
) -> Iterator[Analysis]:
    """Yield the analyses by name, their entries by address."""
    predictors = [*plan["primary"], *plan["exploratory"]]
    two_legs = [task for task, held in study["tasks"].items() if held["limbs"] == "both"]
    for name, table in estimates.groupby("analysis", sort=True):
        conventions = table.drop(columns=[*_OF_THE_ADDRESS, *_VALUES, *_COUNTS])
        shared = {
            str(column)
            for column in conventions
            if len(table) > 1 and len(table[column].drop_duplicates()) == 1
        }
        first = table.iloc[0].to_dict()
        counted = [
            behind.count(conditions(row, predictors, study["clearance_visit"], two_legs))
            for row in table.to_dict("records")
        ]
        yield Analysis(
            str(name),
            sentence_case(words(str(name))),
            sorted({gave[number] for number in table["number_id"]}),
            _held(first, [column for column in table.columns if column in shared]),
            list(_entries(table, shared, counted, printed)),
        )


def _places(printed: dict[str, list[Printed]]) -> list[tuple[str, str, list[Printed]]]:
    """Return the numbers of each figure: address, name, printed texts."""
    found = defaultdict(list)
    for texts in printed.values():
        for text in texts:
            if text.place.startswith("figure."):
                found[text.place].append(text)
    return [
        (place_address(place), sentence_case(words(place.partition(".")[2])), texts)
        for place, texts in sorted(found.items())
    ]


def build_audit_page(
    *,
    estimates: Path,
    parts: list[Path],
    ledger: Path,
    metrics: Path,
    exclusions: Path,
    report: Path,
    quality: Path,
    fragments: list[Path],
    page: Path,
    study: dict[str, Any],
    plan: dict[str, Any],
) -> None:
    """Write the page; its printed texts are checked against the ledger.

    Parameters
    ----------
    parts : the estimates of each step, whose metadata name its code and the hashes of its inputs
    exclusions : athletes left out of the cohort
    report, quality : pages that show the numbers
    fragments : tables as HTML, one per name in `FRAGMENTS`

    Raises
    ------
    ReportError
        The page shows a printed text that the ledger does not hold.
    """
    held = read_table(ledger)
    pages = {path.name: path.read_text(encoding="utf-8") for path in (report, quality)}
    printed = printed_numbers(held, pages)
    steps, gave = steps_of(parts)
    behind = Behind(read_table(metrics, columns=COLUMNS))
    tables = {
        path.stem: Markup(linked_within(path.read_text(encoding="utf-8"))) for path in fragments
    }
    analyses = list(analyses_of(read_table(estimates), gave, behind, printed, study, plan))
    reasons = read_table(exclusions)["reason"].value_counts().sort_index()
    content = {
        **stamps_of(study),
        "steps": steps,
        "analyses": analyses,
        "places": _places(printed),
        "tables": tables,
        "opinions": [tables[name] for name in OPINIONS],
        "athletes_left_out": [(words(str(reason)), count) for reason, count in reasons.items()],
        "footer": FOOTER,
    }
    text = render("audit.jinja", content)
    if faults := check_page(text, held):
        raise ReportError("the audit page differs from the ledger:\n" + "\n".join(faults))
    write_text(text, page)
