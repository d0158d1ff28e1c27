"""Step: all tables of the report as CSV and as HTML, with the ledger of their numbers."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from analysis.report.check import check_table
from analysis.report.context import Context
from analysis.report.ledger import Ledger, join
from analysis.tables import (
    agreement,
    asymmetry,
    calibrations,
    checks,
    clock_quality,
    cox_alternatives,
    cox_diagnostics,
    data_quality,
    exclusions,
    findings,
    force_model,
    group_comparison,
    hazard_ratios,
    imputation,
    incidence,
    known_groups,
    landing_quality,
    limb_checks,
    limb_differences,
    measurement,
    native_rate,
    not_run,
    planted,
    prediction,
    r_opinion,
    rederived,
    reliability,
    residual_cutoffs,
    sensitivity,
    sensor_quality,
    sensors,
    table_one,
)
from analysis.tables.journal import JournalTable, as_csv, as_html, with_mark
from shared.blinding import how_permuted_in, mark_in
from shared.tables import read_table, write_table, write_text

Builder = Callable[[Context, Ledger], JournalTable]

TABLES: dict[str, Builder] = {
    "table_one": table_one.build,
    "sensors": sensors.build,
    "measurement_error": measurement.build,
    "hazard_ratios": hazard_ratios.build,
    "incidence": incidence.build_incidence,
    "rates": incidence.build_rates,
    "group_comparison": group_comparison.build_comparison,
    "event_free_time": group_comparison.build_event_free,
    "specifications": cox_alternatives.build_specifications,
    "imputation": imputation.build,
    "native_rate": native_rate.build,
    "sensitivity": sensitivity.build_sensitivity,
    "corrections": sensitivity.build_corrections,
    "knees": cox_alternatives.build_knees,
    "subdistribution": cox_alternatives.build_subdistribution,
    "checks": checks.build_checks,
    "diagnostics": cox_diagnostics.build_diagnostics,
    "correlations": cox_diagnostics.build_correlations,
    "second_opinion": checks.build_second_opinion,
    "r_second_opinion": r_opinion.build,
    "rederived": rederived.build,
    "prediction_size": prediction.build_size,
    "prediction_performance": prediction.build_performance,
    "prediction_sites": prediction.build_sites,
    "planted": planted.build_effects,
    "extraction_error": planted.build_extraction,
    "planted_nuisances": planted.build_nuisances,
    "findings": findings.build,
    "exclusions": exclusions.build,
    "limb_differences": limb_differences.build,
    "limb_checks": limb_checks.build,
    "limb_residuals": limb_checks.build_residuals,
    "limb_variances": limb_checks.build_variances,
    "asymmetry": asymmetry.build,
    "asymmetry_indexes": asymmetry.build_indexes,
    "variation": reliability.build_variation,
    "reliability": reliability.build,
    "repeats": reliability.build_repeats,
    "known_groups": known_groups.build,
    "agreement": agreement.build_limits,
    "agreement_lines": agreement.build_lines,
    "agreement_seen": agreement.build_seen,
    "agreement_percent_errors": agreement.build_percent_errors,
    "contact_lag": agreement.build_contact_lag,
    "force_model": force_model.build,
    "force_model_limits": force_model.build_limits,
    "force_model_groups": force_model.build_groups,
    "force_model_group_limits": force_model.build_group_limits,
    "not_run": not_run.build,
    "data_quality": data_quality.build,
    "quality_metrics": sensor_quality.build_metrics,
    "quality_valid_trials": landing_quality.build_valid_trials,
    "quality_saturation": landing_quality.build_saturation,
    "quality_identities": landing_quality.build_identities,
    "quality_calibrations": calibrations.build_sessions,
    "quality_bench": calibrations.build_bench,
    "quality_time_base": clock_quality.build_time_base,
    "quality_clocks": clock_quality.build_clocks,
    "residual_cutoffs": residual_cutoffs.build,
}
"""Name of a table -> what builds it, in the order of the report, then of the quality page."""


class TableError(ValueError):
    """A table is not the same as CSV and on the page (a fault of the code)."""


def write_tables(
    *,
    estimates: Path,
    tables: list[Path],
    fragments: list[Path],
    numbers: Path,
    study: dict[str, Any],
    processing: dict[str, Any],
    plan: dict[str, Any],
) -> None:
    """Write the tables of the report.

    Parameters
    ----------
    tables, fragments : CSV and HTML files; the name of a file is that of its table in `TABLES`,
        the order of `tables` gives the tables their numbers; one that is not shown takes no number
    numbers : ledger of all numbers that the tables print

    Raises
    ------
    TableError
        A table reads otherwise in its two files (a fault of the code).
    """
    context = Context(read_table(estimates), study, processing, plan)
    pages = {path.stem: path for path in fragments}
    ledgers, words = [], mark_in(estimates)
    number = 1
    for path in tables:
        ledger = Ledger(context.estimates, f"table.{path.stem}")
        table = with_mark(TABLES[path.stem](context, ledger), words)
        write_text(as_csv(table), path)
        write_text(as_html(table, number), pages[path.stem])
        if not table.why_absent and (faults := check_table(path, pages[path.stem])):
            raise TableError("a table differs between CSV and page:\n" + "\n".join(faults))
        number += not table.why_absent
        ledgers.append(ledger.table())
    write_table(join(ledgers), numbers, "ledger", outcomes=how_permuted_in([estimates]))
