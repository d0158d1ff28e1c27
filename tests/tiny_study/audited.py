"""A small finished study of closed-form trials, by the steps of a study, with its pages.

Its report page is shorter than a real one (tables and one drawing), so that it is made in seconds;
the end-to-end test looks at real pages.
"""

from __future__ import annotations

from pathlib import Path

from analysis.audit.audit_page import FRAGMENTS, build_audit_page
from analysis.cohort.landmark import build_cohort
from analysis.estimates import collect_estimates
from analysis.figures.flow import draw_flow
from analysis.freeze import freeze
from analysis.models.flow import flow_diagram
from analysis.models.impute_cohort import impute_cohort
from analysis.models.quality import data_quality
from analysis.models.sensor_quality import sensor_quality
from analysis.report.checklist import ITEMS, build_checklist
from analysis.report.datapackage import write_datapackage
from analysis.report.ledger import join
from analysis.report.links import linked
from analysis.tables.write import write_tables
from shared.blinding import how_permuted_in
from shared.freeze import status_of
from shared.manifest import write_manifest
from shared.settings.load import Settings, load_settings
from shared.sources import ROOT
from shared.tables import read_table, write_table, write_text
from tests.known_answers.closed_study import plan as closed_trials
from tests.known_answers.closed_study import write_closed_study
from tests.tiny_study.extracted import extract

TABLES = ("quality_metrics", "data_quality", *FRAGMENTS)


def plain(settings: Settings) -> dict[str, dict]:
    """Return the settings as steps take them."""
    return {
        "study": settings.study.model_dump(mode="json"),
        "processing": settings.processing.model_dump(mode="json"),
        "plan": settings.plan.model_dump(mode="json"),
    }


def write_audited_study(root: Path) -> Path:
    """Write settings, raw files, tables, estimates, figure and pages; return the results folder."""
    settings = write_closed_study(root, 500.0, closed_trials({"noise": 1}))
    freeze(root / "config", "2026-04-01", reason="")
    settings = load_settings(root / "config")
    results = settings.results_folder
    extract(settings, results)
    write_models(results, settings)
    write_pages(results, settings)
    write_manifest(results, settings)
    return results


def write_models(results: Path, settings: Settings) -> None:
    """Write cohort, filled values and four analyses."""
    tables, intake, models = results / "tables", results / "intake", results / "models"
    frozen, given = status_of(settings).as_dict(), plain(settings)
    left_out = results / "cohort" / "exclusions.parquet"
    build_cohort(
        **{n: intake / f"{n}.parquet" for n in ("athletes", "visits", "outcomes", "exposure")},
        summaries=tables / "summaries.parquet",
        cohort=tables / "cohort.parquet",
        exclusions=left_out,
        plan=given["plan"],
        study=given["study"],
        freeze=frozen,
        minimum_valid_trials=1,
    )
    impute_cohort(
        cohort=tables / "cohort.parquet",
        metrics=tables / "metrics.parquet",
        filled=tables / "filled_values.parquet",
        estimates=models / "impute_cohort.parquet",
        plan=given["plan"],
        study=given["study"],
        freeze=frozen,
    )
    names = ("metrics", "calibrations", "unit_calibrations", "synchronisation", "recordings",
             "summaries")  # fmt: skip
    sensor_quality(
        **{name: tables / f"{name}.parquet" for name in names},
        estimates=models / "sensor_quality.parquet",
        quality=given["processing"]["quality"],
        plan=given["plan"],
        study=given["study"],
        minimum_valid_trials=given["processing"]["minimum_valid_trials"],
    )
    data_quality(
        **{n: tables / f"{n}.parquet" for n in ("recordings", "landings", "metrics", "cohort")},
        exclusions=[results / "intake/exclusions.parquet", tables / "exclusions.parquet", left_out],
        estimates=models / "data_quality.parquet",
        quality=given["processing"]["quality"],
    )
    flow_diagram(
        cohort=tables / "cohort.parquet",
        withdrawals=intake / "withdrawals.parquet",
        estimates=models / "flow_diagram.parquet",
        plan=given["plan"],
        freeze=frozen,
    )
    collect_estimates(
        parts=sorted(models.glob("*.parquet")), estimates=tables / "estimates.parquet"
    )


def write_pages(results: Path, settings: Settings) -> None:
    """Write tables, one figure, ledger, a page of both, and the audit page."""
    tables, report = results / "tables", results / "report"
    estimates, given = tables / "estimates.parquet", plain(settings)
    numbers, figures = report / "numbers", report / "figures"
    numbers.mkdir(parents=True)
    figures.mkdir()
    fragments = [numbers / f"{name}.html" for name in TABLES]
    write_tables(
        estimates=estimates,
        tables=[report / "tables" / f"{name}.csv" for name in TABLES],
        fragments=fragments,
        numbers=numbers / "tables.parquet",
        **given,
    )
    draw_flow(
        estimates=estimates,
        svg=figures / "flow.svg",
        png=figures / "flow.png",
        data=figures / "flow.csv",
        numbers=numbers / "flow.parquet",
        plan=given["plan"],
        study=given["study"],
    )
    own = [read_table(numbers / f"{name}.parquet") for name in ("tables", "flow")]
    how = how_permuted_in([estimates])
    write_table(join(own), tables / "ledger.parquet", "ledger", outcomes=how)
    drawing = (figures / "flow.svg").read_text(encoding="utf-8")
    shown = "\n".join(path.read_text(encoding="utf-8") for path in fragments)
    caption = (ROOT / "analysis/report/captions/flow.rst").read_text(encoding="utf-8")
    caption = f"<figcaption><b>Figure.</b> {caption}</figcaption>"
    figure = f'<figure id="figure-flow">{drawing}{caption}</figure>'
    page = f"<!DOCTYPE html><html><body>{figure}{shown}</body></html>"
    for name in ("report", "quality"):
        write_text(linked(page), report / f"{name}.html")
    build_audit_page(
        estimates=estimates,
        parts=sorted((results / "models").glob("*.parquet")),
        ledger=tables / "ledger.parquet",
        metrics=tables / "metrics.parquet",
        exclusions=results / "cohort" / "exclusions.parquet",
        report=report / "report.html",
        quality=report / "quality.html",
        fragments=[numbers / f"{name}.html" for name in FRAGMENTS],
        page=report / "audit.html",
        study=given["study"],
        plan=given["plan"],
    )
    build_checklist(
        page=report / "checklist.html",
        guidelines=[ITEMS],
        report="report.html",
        study=given["study"],
    )
    write_datapackage(
        tables=sorted(tables.glob("*.parquet")),
        datapackage=tables / "datapackage.json",
        title=given["study"]["title"],
    )
