"""Step: the study report, one page, from estimates, figures and tables; then its check."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
from markupsafe import Markup

from analysis.estimates import subjects_of
from analysis.labels import sentence_case, words
from analysis.report.agreement_sentences import agreement_sentences
from analysis.report.alternative_text import alternative_text
from analysis.report.cautions import CAUTIONS, FOOTER
from analysis.report.check import check_ledger, check_page, check_reasons
from analysis.report.context import Context
from analysis.report.detectable import detectable_effects
from analysis.report.direct_answer import direct_answer, reliabilities
from analysis.report.force_sentences import force_plausibility, force_sentences
from analysis.report.glossary import GLOSSARY
from analysis.report.ledger import Ledger, join, read_ledgers, setting
from analysis.report.links import AUDIT_PAGE, linked, place_address
from analysis.report.methods import HELD_BY_GRAVITY, methods
from analysis.report.methods_of_calibration import calibrations_done
from analysis.report.names import names_of, readable
from analysis.report.numerals import (
    LARGEST_RATIO,
    LARGEST_SHARE,
    NO_BREAK_SPACE,
    SMALLEST_RATIO,
    count,
)
from analysis.report.page import render, stamps_of
from analysis.report.prediction_sentences import prediction_sentences
from analysis.report.reliability_sentences import reliability_sentences
from analysis.report.sentences import not_run, study_in_brief
from analysis.report.standing import standings
from analysis.report.versions import software_versions
from shared.blinding import how_permuted_in
from shared.tables import read_table, write_table, write_text

PLACE = "report"

CONTENTS = {
    "The answer": (
        ("brief", "Study in brief"),
        ("reading", "How to read this report"),
        ("flow", "Athletes"),
        ("sensors", "How good are the sensors for the question?"),
        ("hazards", "Metrics at clearance and injury"),
        ("injuries", "Second injuries"),
    ),
    "How far it holds": (
        ("sensitivity", "Other choices, other answers?"),
        ("checks", "Checks of the models"),
        ("prediction", "Prediction in the group"),
        ("planted", "Planted and found (demo only)"),
    ),
    "What lies behind it": (
        ("quality", "Data quality"),
        ("measurements", "Measurements"),
        ("reliability", "Reliability"),
        ("agreement", "Agreement between sensors"),
        ("force", "Force estimated from waist acceleration"),
    ),
    "About the study": (
        ("not-run", "Not run"),
        ("methods", "Methods"),
        ("plan", "Plan, freeze and deviations"),
        ("software", "Software"),
        ("cautions", "Cautions"),
        ("glossary", "Glossary"),
    ),
}
"""Group of sections -> address and heading of each, in the order of the page."""

_ANALYSES = {
    "limb_difference": "limb_difference",
    "limb_checks": "limb_difference_checks",
    "asymmetry": "asymmetry",
    "reliability": "metric_reliability",
    "known_groups": "known_groups",
    "agreement": "agreement",
    "contact_lag": "contact_lag",
    "force_model": "force_model",
    "incidence": "cumulative_incidence",
    "hazards": "cox_primary",
    "calibrated": "cox_calibrated",
    "imputed": "imputation",
    "penalised": "cox_firth",
    "diagnosed": "cox_diagnostics",
    "alternatives": "cox_specifications",
    "knees": "knee_level",
    "subdistribution": "fine_gray",
    "sensitivity": "cox_e_value",
    "second_opinion": "cox_second_opinion",
    "second_opinion_by_r": "r_second_opinion",
    "rederived": "rederived",
    "prediction": "prediction_performance",
    "prediction_size": "prediction_size",
    "prediction_sites": "prediction_sites",
    "sensors": "sensor_answer",
    "planted": "planted_effects",
    "extraction": "planted_metrics",
}
"""Part of the page -> beginning of the name of the analysis that it shows."""


class ReportError(ValueError):
    """The page shows a number that the ledger does not vouch for (a fault of the code)."""


@dataclass(frozen=True)
class PageFigure:
    """A figure as the page shows it."""

    name: str
    number: int
    svg: Markup
    caption: str
    spoken: str
    data: str
    audit: str


def spoken(svg: str, text: str) -> Markup:
    """Return a drawing that a screen reader takes as one image with these words."""
    # Its numbers stand in the table beside it.
    opening = Markup('<svg role="img" aria-label="{}" ').format(text)
    return opening + Markup(svg.removeprefix("<svg "))


def _caption(name: str, texts: dict[str, str], tasks: dict[str, str]) -> str:
    # The waveforms of all tasks share one text, headed by the task.
    if name not in texts:
        kind, _, task = name.partition("_")
        return f"{sentence_case(tasks[task])}. {texts[kind]}"
    return texts[name]


def page_figures(
    figures: Sequence[Path], captions: Sequence[Path], context: Context, page: Path
) -> dict[str, PageFigure]:
    """Return the figures by name, numbered in the given order."""
    texts = {path.stem: " ".join(path.read_text(encoding="utf-8").split()) for path in captions}
    tasks = {code: task["label"] for code, task in context.study["tasks"].items()}
    found = {}
    for number, path in enumerate(figures, start=1):
        svg = path.read_text(encoding="utf-8")
        has_numbers = 'data-number="' in svg
        found[path.stem] = PageFigure(
            name=path.stem,
            number=number,
            svg=spoken(svg, alternative_text(path.stem, context)),
            caption=_caption(path.stem, texts, tasks),
            spoken=f"Figure, scrolls sideways: {words(path.stem)}",
            data=Path(os.path.relpath(path.with_suffix(".csv"), page.parent)).as_posix(),
            audit=f"{AUDIT_PAGE}#{place_address(f'figure.{path.stem}')}" if has_numbers else "",
        )
    return found


def _reasons(context: Context) -> dict[str, str]:
    """Return why a part of the page has nothing to show, '' where it has."""
    analyses, names = context.estimates["analysis"], names_of(context)
    return {
        part: readable(not_run(context, start), names)
        or ("" if analyses.str.startswith(start).any() else "this analysis is not in the run")
        for part, start in _ANALYSES.items()
    }


def _contents(is_demo: bool) -> list[tuple[str, list[tuple[str, str]]]]:
    """Return the groups of sections; what was planted is known in the demo only."""
    return [
        (group, [entry for entry in entries if is_demo or entry[0] != "planted"])
        for group, entries in CONTENTS.items()
    ]


def optional_measurements(context: Context) -> frozenset[str]:
    """Return what only some devices or studies have: calibrations, angles held by gravity."""
    flags = subjects_of(context.estimates, "nuisances", "all", "count")
    held = frozenset({HELD_BY_GRAVITY}).intersection(flag for (flag,) in flags)
    return held | calibrations_done(context.estimates)


def page_content(
    context: Context,
    ledger: Ledger,
    figures: dict[str, PageFigure],
    tables: dict[str, Markup],
    freeze: dict[str, Any],
) -> dict[str, Any]:
    """Return what the templates show; printed numbers are written to `ledger`."""
    reasons = _reasons(context)
    is_demo = context.study["demo"] is not None
    ran = frozenset(part for part, reason in reasons.items() if not reason)
    if reasons["imputed"] and "hazards" in ran:
        ran |= {"complete_cases"}
    ran |= optional_measurements(context)
    return {
        **stamps_of(context.study),
        "smallest_shown_count": context.study["smallest_shown_count"],
        "question": context.plan["question"],
        "population": context.plan["population"],
        "contents": _contents(is_demo),
        "bounds": {
            "largest_ratio": setting(count(LARGEST_RATIO)),
            "smallest_ratio": setting(SMALLEST_RATIO),
            "largest_share": setting(f"{count(100 * LARGEST_SHARE)}{NO_BREAK_SPACE}%"),
        },
        "brief": study_in_brief(context, ledger),
        "agreement": agreement_sentences(context, ledger),
        "answer": direct_answer(context, ledger),
        "reliabilities": reliabilities(context, ledger),
        "detectable": detectable_effects(context, ledger),
        "power": setting(context.power),
        "force": force_sentences(context, ledger),
        "plausibility": force_plausibility(ledger),
        "reliability": reliability_sentences(context, ledger),
        "prediction": prediction_sentences(context, ledger),
        "figures": figures,
        "waveforms": [item for name, item in figures.items() if name.startswith("waveforms")],
        "tables": tables,
        "reasons": reasons,
        "methods": methods(context.study, context.processing, context.plan, ran),
        "freeze": freeze,
        "standings": standings(context.estimates),
        "software": software_versions(),
        "cautions": CAUTIONS,
        "glossary": GLOSSARY,
        "footer": FOOTER,
    }


def faults_of(page: str, ledger: pd.DataFrame, estimates: pd.DataFrame) -> list[str]:
    """Return every number of the page that its ledger, or the estimates, do not vouch for."""
    return (
        check_ledger(ledger, estimates) + check_page(page, ledger) + check_reasons(page, estimates)
    )


def build_report(
    *,
    estimates: Path,
    figures: list[Path],
    captions: list[Path],
    fragments: list[Path],
    numbers: list[Path],
    report: Path,
    ledger: Path,
    study: dict[str, Any],
    processing: dict[str, Any],
    plan: dict[str, Any],
    freeze: dict[str, Any],
) -> None:
    """Write the report and the ledger of every number that it shows.

    Parameters
    ----------
    figures : SVG files, in the order of their numbers; the data lie beside them as CSV
    captions : one text per figure, by the same name
    fragments : tables as HTML
    numbers : ledgers of the figures and tables

    Raises
    ------
    ReportError
        The finished page shows a number without an address, or one that differs from it.
    """
    table = read_table(estimates)
    context = Context(table, study, processing, plan)
    own = Ledger(table, PLACE)
    content = page_content(
        context,
        own,
        page_figures(figures, captions, context, report),
        {path.stem: Markup(path.read_text(encoding="utf-8")) for path in fragments},
        freeze,
    )
    page = linked(render("page.jinja", content))
    printed = join([*read_ledgers(numbers), own.table()])
    if faults := faults_of(page, printed, table):
        raise ReportError("the report shows numbers without an address:\n" + "\n".join(faults))
    write_text(page, report)
    write_table(printed, ledger, "ledger", outcomes=how_permuted_in([estimates]))
