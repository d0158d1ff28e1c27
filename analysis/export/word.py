"""Tables of the report as one DOCX file, its cells to be edited in a manuscript."""

from __future__ import annotations

import io
import zipfile
from datetime import datetime
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from docx.document import Document

    from analysis.export.plain_tables import PlainTable

EARLIEST = (1980, 1, 1, 0, 0, 0)
"""The first date that a ZIP file can hold; no clock goes into the bytes."""


def _add(document: Document, table: PlainTable) -> None:
    caption = document.add_paragraph(style="Caption")
    caption.add_run(f"Table {table.number}. {table.title}")
    grid = document.add_table(rows=0, cols=len(table.columns))
    grid.style = "Light List"
    for cells in [table.columns, *table.rows]:
        written = grid.add_row().cells
        if len(cells) == 1 and len(written) > 1:
            written[0].merge(written[-1]).text = cells[0]
            continue
        for place, text in zip(written, cells, strict=True):
            place.text = text
    for note in table.notes:
        document.add_paragraph(note)


def _head_each_page(document: Document, words: str) -> None:
    for section in document.sections:
        run = section.header.paragraphs[0].add_run(words)
        run.bold = True


def _without_clock(document: bytes) -> bytes:
    """Return the same file with the same time on all its members: same content, same bytes."""
    stream = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(document)) as found,
        zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as written,
    ):
        for name in sorted(found.namelist()):
            written.writestr(zipfile.ZipInfo(name, EARLIEST), found.read(name), compresslevel=9)
    return stream.getvalue()


def as_docx(title: str, tables: list[PlainTable], date: str, mark: str = "") -> bytes:
    """Return a document with all tables, in their order.

    Parameters
    ----------
    date : ISO date that the document carries as its own, from the settings
    mark : words of a blinded run for the head of each page, '' in a true one
    """
    import docx

    document = docx.Document()
    document.core_properties.title = title
    document.core_properties.author = ""
    document.core_properties.comments = mark
    day = datetime.fromisoformat(date)
    document.core_properties.created = document.core_properties.modified = day
    if mark:
        _head_each_page(document, mark)
    document.add_heading(title, level=1)
    for table in tables:
        _add(document, table)
    stream = io.BytesIO()
    document.save(stream)
    return _without_clock(stream.getvalue())
