"""A table as a manuscript prints it: cells of text and addressed numbers, as CSV and as HTML."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass, replace

from markupsafe import Markup, escape

from analysis.report.ledger import Exempt, Number
from analysis.report.numerals import HIDDEN, NO_BREAK_SPACE, NOT_ESTIMATED

_WIDE = 9
"""From so many columns on a table is set smaller, and keeps its first column in view."""

_SHORT_WORDS = ("", "none", "not run", "not planned", "not defined")

Part = str | Number | Exempt
Cell = Sequence[Part] | Part
"""One or more parts that stand side by side in a cell."""


@dataclass(frozen=True)
class Row:
    """A row; its first cell is its header. A row with one cell heads a group of rows."""

    cells: tuple[Cell, ...]

    @property
    def is_heading(self) -> bool:
        """Whether the row only names the group that follows."""
        return len(self.cells) == 1


@dataclass(frozen=True)
class JournalTable:
    """A table with its title, its rows and notes; without rows `absent` says why."""

    name: str
    title: str
    columns: tuple[Part, ...]
    rows: tuple[Row, ...]
    notes: tuple[Cell, ...] = ()
    absent: str = ""

    @property
    def why_absent(self) -> str:
        """Why the page does not show the table, '' where it does."""
        if not self.rows:
            return self.absent
        cells = [cell for row in self.rows for cell in row.cells[1:]]
        if any(_text(cell) not in _NOT_A_NUMBER for cell in cells):
            return ""
        return f"{self.title}: nothing could be estimated, the reasons stand under Not run"


def with_mark(table: JournalTable, mark: str) -> JournalTable:
    """Return a table of a blinded run, which says so in its first row, wherever it is taken.

    A table without rows, and one of a true run (`mark` is ''), stay as they are.
    """
    if not mark or not table.rows:
        return table
    return replace(table, rows=(Row((Exempt(mark, "setting"),)), *table.rows))


_NOT_A_NUMBER = frozenset((*_SHORT_WORDS, NOT_ESTIMATED))

_TABLE = """\
<div class="{width}" role="region" tabindex="0" aria-label="Table: {title}">
<table id="table-{name}">
<caption><span><b>Table {number}.</b> {title}</span></caption>
<thead><tr>{head}</tr></thead>
<tbody>
{body}
</tbody>
</table></div>
<div class="notes">{notes}</div>
"""


def _parts(cell: Cell) -> Sequence[Part]:
    if isinstance(cell, (str, Number, Exempt)):
        return [cell]
    # Where an estimate is hidden with its companions, it is said once.
    numbers = [part for part in cell if isinstance(part, Number)]
    is_hidden = numbers and all(number.display == HIDDEN for number in numbers)
    return numbers[:1] if is_hidden and cell[0] is numbers[0] else cell


def _text(cell: Cell) -> str:
    return "".join(str(part) for part in _parts(cell))


def _html(cell: Cell) -> Markup:
    return Markup("").join(escape(part) for part in _parts(cell))


def as_csv(table: JournalTable) -> str:
    """Return the table as CSV: the header, then one line per row, numbers as printed."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow([str(column) for column in table.columns])
    for row in table.rows:
        cells = [_text(cell) for cell in row.cells]
        writer.writerow(cells + [""] * (len(table.columns) - len(cells)))
    return stream.getvalue()


def _is_numeric(table: JournalTable, column: int) -> bool:
    # Columns of numbers are set flush right; words in them ("none", "not run") do not count.
    cells = [_parts(row.cells[column]) for row in table.rows if len(row.cells) > column]
    leading = [next(iter(parts), "") for parts in cells]
    return any(leading) and all(
        isinstance(part, Number) or part in _SHORT_WORDS for part in leading
    )


def _cell_html(tag: str, content: Cell, numeric: bool, scope: str = "") -> Markup:
    kind = Markup(' class="n"') if numeric else Markup("")
    place = Markup(' scope="{}"').format(scope) if scope else Markup("")
    return Markup("<{0}{1}{2}>{3}</{0}>").format(Markup(tag), place, kind, _html(content))


def _row_html(row: Row, numeric: Sequence[bool]) -> Markup:
    if row.is_heading:
        heading = Markup('<tr class="group"><th scope="rowgroup" colspan="{}">{}</th></tr>')
        return heading.format(len(numeric), _html(row.cells[0]))
    cells = [_cell_html("th", row.cells[0], False, "row")]
    cells += [
        _cell_html("td", cell, flush)
        for cell, flush in zip(row.cells[1:], numeric[1:], strict=True)
    ]
    return Markup("<tr>{}</tr>").format(Markup("").join(cells))


def as_html(table: JournalTable, number: int) -> str:
    """Return the table as an HTML fragment with its number, caption, scopes and notes."""
    if table.why_absent:
        return str(Markup('<p class="not-run">Not shown: {}.</p>\n').format(table.why_absent))
    numeric = [_is_numeric(table, column) for column in range(len(table.columns))]
    head = Markup("").join(
        _cell_html("th", name, flush, "col")
        for name, flush in zip(table.columns, numeric, strict=True)
    )
    body = Markup("\n").join(
        # A group of rows is a part of its own, so that its heading is read out with each of them.
        Markup("</tbody>\n<tbody>\n" if row.is_heading and place else "") + _row_html(row, numeric)
        for place, row in enumerate(table.rows)
    )
    notes = Markup("").join(Markup("<p>{}</p>").format(_html(note)) for note in table.notes)
    return str(
        Markup(_TABLE).format(
            name=table.name,
            width="scroll wide" if len(table.columns) >= _WIDE else "scroll",
            number=Exempt(str(number), "section"),
            title=table.title,
            head=head,
            body=body,
            notes=notes,
        )
    )


def with_interval(estimate: Part, low: Part, high: Part) -> Cell:
    """Return an estimate with its interval as one cell."""
    return (estimate, " (", low, f"{NO_BREAK_SPACE}to{NO_BREAK_SPACE}", high, ")")
