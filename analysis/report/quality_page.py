"""Step: the quality page, for the team only: what was recorded, usable, calibrated, and lost."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from markupsafe import Markup

from analysis.report.build import ReportError, page_figures
from analysis.report.cautions import CAUTIONS, FOOTER
from analysis.report.check import check_page
from analysis.report.context import Context
from analysis.report.links import linked
from analysis.report.page import render, stamps_of
from shared.tables import read_table, write_text

TABLES = (
    "findings",
    "data_quality",
    "quality_metrics",
    "quality_valid_trials",
    "quality_saturation",
    "quality_identities",
    "quality_calibrations",
    "quality_bench",
    "quality_time_base",
    "quality_clocks",
    "residual_cutoffs",
)
"""The tables that the page shows; their fragments are made with all others of the report."""

CONTENTS = (
    ("found", "What was found and what was done about it"),
    ("metrics", "Metrics and trials"),
    ("saturation", "Saturation"),
    ("identities", "Identities"),
    ("calibrations", "Calibrations"),
    ("clocks", "Time and clocks"),
    ("cutoffs", "Cut-offs"),
    ("cautions", "Cautions"),
)


def build_quality_page(
    *,
    fragments: list[Path],
    numbers: Path,
    estimates: Path,
    figures: list[Path],
    captions: list[Path],
    page: Path,
    study: dict[str, Any],
    processing: dict[str, Any],
    plan: dict[str, Any],
) -> None:
    """Write the page and check every number on it against the ledger of the tables.

    Parameters
    ----------
    fragments : tables as HTML, one per name in `TABLES`
    numbers : ledger of the tables
    figures : SVG files of the figures that print no numbers; the data lie beside them as CSV
    captions : one text per figure, by the same name

    Raises
    ------
    ReportError
        The page shows a number that the ledger does not hold, or one that differs from it.
    """
    tables = {path.stem: Markup(path.read_text(encoding="utf-8")) for path in fragments}
    context = Context(read_table(estimates), study, processing, plan)
    content = {
        **stamps_of(study),
        "contents": CONTENTS,
        "tables": tables,
        "figures": page_figures(figures, captions, context, page),
        "cautions": CAUTIONS,
        "footer": FOOTER,
    }
    text = linked(render("quality.jinja", content))
    if faults := check_page(text, read_table(numbers)):
        raise ReportError(
            "the quality page shows numbers without an address:\n" + "\n".join(faults)
        )
    write_text(text, page)
