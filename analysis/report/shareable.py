"""Step: the edition of the report that may leave the team, as a folder of its own.

It is made from the shareable estimates by the same tables, figures and page as the team's report.
Left out is what reads rows instead of estimates: example landings, scatter plots of landings, the
quality page, the sheets of flagged trials, and every way from a number down to a recording.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

from markupsafe import Markup

from analysis.export.latex import as_latex
from analysis.export.plain_tables import PlainTable, plain_table
from analysis.export.word import as_docx
from analysis.figures.calibration import draw_calibration
from analysis.figures.decision_curve import draw_decision_curve
from analysis.figures.flow import draw_flow
from analysis.figures.hazard_ratios import draw_hazard_ratios
from analysis.figures.incidence import draw_incidence
from analysis.figures.limb_differences import draw_limb_differences
from analysis.figures.planted import draw_planted
from analysis.figures.reliability import draw_reliability
from analysis.figures.specifications import draw_specifications
from analysis.report.build import ReportError, faults_of, page_content, page_figures
from analysis.report.checklist import build_checklist
from analysis.report.context import Context
from analysis.report.ledger import Ledger, join, read_ledgers
from analysis.report.page import render
from analysis.report.quality_page import TABLES as QUALITY_TABLES
from analysis.tables.write import TABLES, write_tables
from shared.blinding import mark_of
from shared.tables import read_table, write_text

EDITION = "shareable"
UNDATED = "1980-01-01"
"""Stands where neither the report nor the freeze of the plan has a date."""
PLACE = "report"

FIGURES: dict[str, tuple[Callable[..., None], tuple[str, ...]]] = {
    "flow": (draw_flow, ("numbers", "plan", "study")),
    "limb_differences": (draw_limb_differences, ("numbers", "plan", "study")),
    "reliability": (draw_reliability, ("plan", "study")),
    "incidence": (draw_incidence, ("numbers", "plan")),
    "hazard_ratios": (draw_hazard_ratios, ("numbers", "plan")),
    "calibration": (draw_calibration, ("plan",)),
    "decision_curve": (draw_decision_curve, ("plan",)),
    "specifications": (draw_specifications, ("plan",)),
    "planted": (draw_planted, ("numbers", "plan")),
}
"""Figure that reads estimates only -> its step, and what the step wants beside its files."""

KEPT_BACK = ("agreement", "contact_lag", "force_model", "distributions", "planted")
"""Figures of the team's page that this edition does not have: the page says so in their place."""

_OF_THE_REPORT = ("findings", "data_quality")
SHOWN_TABLES = tuple(name for name in TABLES if name not in set(QUALITY_TABLES) - {*_OF_THE_REPORT})


class _Links(HTMLParser):
    """Collects where the links of a page lead."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.targets: list[str] = []

    def handle_starttag(self, _tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.targets += [
            value for name, value in attrs if name in ("href", "src", "xlink:href") and value
        ]


def links_of(page: str) -> list[str]:
    """Return where the links of a page lead, in their order."""
    reader = _Links()
    reader.feed(page)
    reader.close()
    return reader.targets


def without_addresses(page: str) -> str:
    """Return a checked page without the addresses beside its numbers: they lead to rows."""
    return re.sub(r' data-(number|exempt)="[^"]*"', "", page)


def faults_of_sharing(page: str, folder: Path) -> list[str]:
    """Return one line for each link that leads out of the folder of the edition."""
    faults = []
    for target in links_of(page):
        if target.startswith("#"):
            continue
        if not (folder / target).is_file() or ".." in Path(target).parts:
            faults.append(f"the page leads to {target!r}, which is not part of the edition")
    return faults


def _draw(folder: Path, estimates: Path, is_demo: bool, settings: dict[str, Any]) -> list[Path]:
    """Draw the figures into `folder`; return their SVG files, and leave ledgers beside them."""
    drawn = []
    for name, (draw, wanted) in FIGURES.items():
        if name == "planted" and not is_demo:
            continue
        files = {kind: folder / f"{name}.{kind}" for kind in ("svg", "png")}
        extra = {key: settings[key] for key in wanted if key != "numbers"}
        if "numbers" in wanted:
            extra["numbers"] = folder / f"{name}.parquet"
        draw(estimates=estimates, data=folder / f"{name}.csv", **files, **extra)
        drawn.append(files["svg"])
    return drawn


def _write_manuscript_tables(
    fragments: list[Path], folder: Path, study: dict[str, Any], date: str
) -> None:
    """Write each table as LaTeX beside its CSV, and all of them as one DOCX.

    A float may be pasted without its rows: in a blinded run its caption says so too.
    """
    mark = mark_of(study)
    before = f"{mark}. " if mark else ""
    found = [plain_table(path.read_text(encoding="utf-8")) for path in fragments]
    tables: list[PlainTable] = [table for table in found if table is not None]
    for table in tables:
        text = as_latex(
            table.name, f"{before}{table.title}", table.columns, table.rows, table.notes
        )
        write_text(text, folder / f"{table.name}.tex")
    (folder / "tables.docx").write_bytes(as_docx(study["title"], tables, date, mark))


def edition_date(study: dict[str, Any], freeze: dict[str, Any]) -> str:
    """Return the date that written files carry: that of the report or of the freeze, no clock."""
    return study["report_date"] or freeze["date"] or UNDATED


def build_shareable(
    *,
    estimates: Path,
    captions: list[Path],
    guidelines: list[Path],
    folder: Path,
    study: dict[str, Any],
    processing: dict[str, Any],
    plan: dict[str, Any],
    freeze: dict[str, Any],
) -> None:
    """Write the edition: report.html with its figures, tables and their data.

    Parameters
    ----------
    estimates : the shareable estimates
    captions : one text per figure, by the same name
    guidelines : the file of the reporting guidelines
    folder : where the edition goes

    Raises
    ------
    ReportError
        The page shows a number that its estimates do not vouch for, or leads out of the edition.
    """
    study = {**study, "edition": EDITION}
    settings = {"study": study, "processing": processing, "plan": plan}
    figures, tables = folder / "figures", folder / "tables"
    for place in (figures, tables):
        place.mkdir(parents=True, exist_ok=True)
    drawn = _draw(figures, estimates, study["demo"] is not None, settings)
    fragments = [tables / f"{name}.html" for name in SHOWN_TABLES]
    numbers = tables / "tables.parquet"
    write_tables(
        estimates=estimates,
        tables=[tables / f"{name}.csv" for name in SHOWN_TABLES],
        fragments=fragments,
        numbers=numbers,
        **settings,
    )
    table = read_table(estimates)
    context, own = Context(table, study, processing, plan), Ledger(table, PLACE)
    page_path = folder / "report.html"
    own_figures = page_figures(drawn, captions, context, page_path)
    found = {name: replace(figure, audit="") for name, figure in own_figures.items()}
    shown: dict[str, Any] = {**dict.fromkeys(KEPT_BACK), **found}
    content = page_content(
        context,
        own,
        shown,
        {path.stem: Markup(path.read_text(encoding="utf-8")) for path in fragments},
        freeze,
    )
    content["waveforms"] = []
    page = render("page.jinja", content)
    build_checklist(
        page=folder / "checklist.html", guidelines=guidelines, report=page_path.name, study=study
    )
    ledgers = [*figures.glob("*.parquet"), numbers]
    printed = join([*read_ledgers(sorted(ledgers)), own.table()])
    faults = faults_of(page, printed, table) + faults_of_sharing(page, folder)
    if faults:
        raise ReportError("the shareable edition cannot be written:\n" + "\n".join(faults))
    write_text(without_addresses(page), page_path)
    _write_manuscript_tables(fragments, tables, study, edition_date(study, freeze))
    # The ledgers and fragments hold addresses; the edition holds what a reader needs.
    for path in [*ledgers, *fragments]:
        path.unlink()
    for path in drawn:
        write_text(without_addresses(path.read_text(encoding="utf-8")), path)
