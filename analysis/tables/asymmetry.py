"""Tables: asymmetry of the limbs as group means of differences, and of the indexes in use."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from analysis.estimates import rows_of
from analysis.labels import metric_label, sentence_case, unit_shown, words
from analysis.models.asymmetry import ANALYSIS
from analysis.report.context import Context
from analysis.report.ledger import Exempt, Ledger, setting
from analysis.report.numerals import style_with_precision_of
from analysis.tables.cells import interval_cell, interval_cell_or_word
from analysis.tables.journal import Cell, JournalTable, Row
from shared.metric_dictionary import metrics

_AGAINST = {
    "same_visit": "",
    "first_visit": ", against the first visit",
}
_INDEXES = (
    "limb_symmetry_index",
    "deficit",
    "bilateral_asymmetry_index",
    "symmetry_index",
    "symmetry_angle",
)
_NO_RATIO = "not defined"
_LANDINGS = {"landing_2": ", second landing"}


def _situations(context: Context) -> Iterator[tuple[str, list[dict[str, Any]]]]:
    """Yield each metric of the plan with the rows of its differences, in order."""
    rows = rows_of(context.estimates, ANALYSIS, "difference")
    catalogue = list(metrics())
    rows = rows.assign(
        order=rows["metric"].map(catalogue.index),
        landing=rows["subject"].str.extract(r"\.(landing_\d+)$", expand=False).fillna(""),
    )
    visits = {visit: place for place, visit in enumerate(context.study["visits"])}
    term = rows["term"].str.split(".")
    rows["visit"], rows["against"] = term.str[0].map(visits), term.str[1].map(list(_AGAINST).index)
    order = ["order", "sensor", "task", "landing", "visit", "against"]
    for metric, part in rows.sort_values(order, kind="stable").groupby("metric", sort=False):
        yield str(metric), part.to_dict("records")


def _label(row: Mapping[str, Any], tasks: Mapping[str, Any]) -> str:
    task = f"{sentence_case(tasks[row['task']]['label'])}{_LANDINGS.get(row['landing'], '')}"
    return f"{task}, {words(row['sensor'])}"


def _visit(row: Mapping[str, Any]) -> str:
    visit, against = row["term"].split(".")
    return f"{words(visit)}{_AGAINST[against]}"


def _row(row: Mapping[str, Any], tasks: Mapping[str, Any], ledger: Ledger) -> Row:
    base = row["number_id"].removesuffix(".difference")
    spread = ledger.value(f"{base}.difference_deviation")
    style = style_with_precision_of(spread)
    cells: list[Cell] = [
        *(ledger.number(f"{base}.{limb}_mean", style) for limb in ("involved", "uninvolved")),
        interval_cell(ledger, row["number_id"], style),
        interval_cell_or_word(ledger, f"{base}.log_ratio", "three_decimals", _NO_RATIO),
        interval_cell_or_word(ledger, f"{base}.geometric_mean_ratio", "ratio", _NO_RATIO),
    ]
    count = ledger.number(row["number_id"], "count", field="n_athletes")
    return Row((_label(row, tasks), _visit(row), count, *cells))


def _index_row(row: Mapping[str, Any], tasks: Mapping[str, Any], ledger: Ledger) -> Row | None:
    base = row["number_id"].removesuffix(".difference")
    if not any(ledger.holds(f"{base}.{index}") for index in _INDEXES):
        return None
    cells = [
        ledger.number(f"{base}.{index}", "one_decimal")
        if ledger.holds(f"{base}.{index}")
        else _NO_RATIO
        for index in _INDEXES
    ]
    return Row((_label(row, tasks), _visit(row), *cells))


def build_indexes(context: Context, ledger: Ledger) -> JournalTable:
    """Return the group means of the indexes in use, of metrics whose ratio is defined."""
    rows: list[Row] = []
    for metric, of_metric in _situations(context):
        found = [_index_row(row, context.study["tasks"], ledger) for row in of_metric]
        if lines := [row for row in found if row is not None]:
            rows += [Row((Exempt(sentence_case(metric_label(metric)), "name"),)), *lines]
    return JournalTable(
        "asymmetry_indexes",
        "Asymmetry of the limbs: means over athletes of the indexes in use, in percent",
        (
            "Task and sensor",
            "Visit",
            "Limb symmetry index",
            "Deficit",
            "Bilateral asymmetry index",
            "Symmetry index",
            "Symmetry angle",
        ),
        tuple(rows),
        notes=(
            "Without asymmetry the limb symmetry index is a hundred, all others are zero. The mean "
            "of a ratio is larger than the ratio of the means even without asymmetry, the more the "
            "larger the error. A high index may mean two poor limbs, and for a load a higher value "
            "of the involved limb is no improvement.",
        ),
        absent="no index is defined for a metric of the plan",
    )


def build(context: Context, ledger: Ledger) -> JournalTable:
    """Return the mean differences and ratios, metrics in the order of the dictionary."""
    rows: list[Row] = []
    for metric, of_metric in _situations(context):
        unit = unit_shown(metrics()[metric].unit)
        rows.append(Row((Exempt(f"{sentence_case(metric_label(metric))}, {unit}", "name"),)))
        rows += [_row(row, context.study["tasks"], ledger) for row in of_metric]
    return JournalTable(
        "asymmetry",
        "Asymmetry of the limbs: means over athletes",
        (
            "Task and sensor",
            "Visit",
            "Athletes",
            "Involved",
            "Uninvolved",
            "Involved minus uninvolved (interval)",
            "Log ratio (interval)",
            "Ratio, from logarithms (interval)",
        ),
        tuple(rows),
        notes=(
            (
                "Intervals at ",
                setting(context.confidence_level),
                ". Each limb stands with its own mean, because limbs may be alike and both be "
                "poor. Positive: involved limb larger. Against the first visit: "
                "the uninvolved limb is that of the first visit, before it could lose capacity. "
                "The log ratio keeps its size when the limbs change places, is not made larger by "
                "error, and is the one to analyse. Ratios are not defined for angles, for values "
                "near zero, or with both knees reconstructed.",
            ),
        ),
        absent="no athlete was measured on both limbs apart",
    )
