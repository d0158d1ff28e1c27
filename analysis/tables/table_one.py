"""Table 1: the landmark cohort, all and by event status, without p-values."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd

from analysis.estimates import number_id
from analysis.labels import sentence_case, unit_shown, words
from analysis.report.context import Context
from analysis.report.ledger import Exempt, Ledger, Number
from analysis.report.numerals import NO_BREAK_SPACE, style_with_precision_of
from analysis.tables.cells import number_or_word
from analysis.tables.journal import Cell, JournalTable, Part, Row
from shared.metric_dictionary import metrics

TITLE = "The cohort at clearance, all athletes and by second injury"

_GROUPS = {
    "all": "All",
    "no_second_injury": "No second injury",
    "graft_rupture": "Graft rupture",
    "contralateral_tear": "Contralateral tear",
}
_NUMBERS = {
    "age_at_surgery_years": "Age at surgery, years",
    "mass_kg": "Body mass, kg",
    "height_m": "Height, m",
    "clearance_days": "Surgery to clearance, days",
}
_CATEGORIES = {
    "site": "Site",
    "sex": "Sex",
    "graft": "Graft",
    "injured_side": "Injured side",
    "sport_level": "Level of sport before injury",
    "prior_acl_injury": "Earlier ligament injury",
}
_LEVELS = {
    "injured_side": {"both": "both knees"},
    "sport_level": {level: f"level {level}" for level in ("1", "2", "3")},
}
_ORDER = (
    "sex",
    "age_at_surgery_years",
    "height_m",
    "mass_kg",
    "site",
    "graft",
    "injured_side",
    "sport_level",
    "prior_acl_injury",
    "clearance_days",
)


def _address(variable: str, group: str, quantity: str, level: str = "") -> str:
    return number_id("table_one", variable, (group, level), quantity)


def _with(number: Number, second: Number) -> Cell:
    # Both belong on one line.
    return (number, f"{NO_BREAK_SPACE}(", second, ")")


def _difference(ledger: Ledger, variable: str, level: str) -> Cell:
    place = _address(variable, "second_injury_against_none", "standardised_difference", level)
    return number_or_word(ledger, place, "two_decimals", "")


def _number_row(
    ledger: Ledger, variable: str, label: str, groups: list[str], style: str
) -> list[Row]:
    cells: list[Cell] = [Exempt(f"{label}: mean (SD)", "name")]
    for group in groups:
        mean = ledger.number(_address(variable, group, "mean"), style)
        spread = _address(variable, group, "standard_deviation")
        # One athlete has no spread, and nobody has no mean either.
        known = not math.isnan(ledger.value(spread))
        cells.append(_with(mean, ledger.number(spread, style)) if known else mean)
    rows = [Row((*cells, _difference(ledger, variable, "")))]
    return rows + _missing_row(ledger, variable, groups)


def _missing_row(ledger: Ledger, variable: str, groups: list[str]) -> list[Row]:
    if ledger.value(_address(variable, "all", "missing")) == 0:
        return []
    counts = [ledger.number(_address(variable, group, "missing"), "count") for group in groups]
    return [Row(("\u2003missing", *counts, ""))]


def _levels(estimates: pd.DataFrame, variable: str) -> list[str]:
    start = _address(variable, "all", "x").removesuffix("x")
    counts = estimates.loc[
        estimates["number_id"].str.startswith(start) & (estimates["quantity"] == "count"), "term"
    ]
    return [term.partition(".")[2] for term in counts]


def _category_rows(
    estimates: pd.DataFrame,
    ledger: Ledger,
    variable: str,
    groups: list[str],
    labels: dict[str, str],
) -> list[Row]:
    rows = []
    for level in _levels(estimates, variable):
        cells: list[Cell] = [Exempt(f"\u2003{labels.get(level, words(level))}", "name")]
        for group in groups:
            count = ledger.number(_address(variable, group, "count", level), "count")
            share = ledger.number(_address(variable, group, "share", level), "percent")
            cells.append(_with(count, share))
        rows.append(Row((*cells, _difference(ledger, variable, level))))
    return rows + _missing_row(ledger, variable, groups)


def _people_rows(
    estimates: pd.DataFrame, ledger: Ledger, groups: list[str], sites: dict[str, str]
) -> list[Row]:
    rows: list[Row] = []
    for variable in _ORDER:
        if variable in _NUMBERS:
            label = _NUMBERS[variable]
            style = "two_decimals" if variable == "height_m" else "one_decimal"
            rows += _number_row(ledger, variable, label, groups, style)
        else:
            rows.append(Row((_CATEGORIES[variable],)))
            labels = sites if variable == "site" else _LEVELS.get(variable, {})
            rows += _category_rows(estimates, ledger, variable, groups, labels)
    return rows


def _predictor_rows(ledger: Ledger, predictor: dict[str, Any], groups: list[str]) -> list[Row]:
    name = predictor["name"]
    place = _address(name, "all", "mean")
    if not ledger.holds(place):
        return []
    label = (
        f"{sentence_case(predictor['label'])}, {unit_shown(metrics()[predictor['metric']].unit)}"
    )
    typical = ledger.value(place)
    if math.isnan(typical):
        nobody = Row((Exempt(label, "name"), *("none" for _ in groups), ""))
        return [nobody, *_missing_row(ledger, name, groups)]
    return _number_row(ledger, name, label, groups, style_with_precision_of(typical))


def build(context: Context, ledger: Ledger) -> JournalTable:
    """Return Table 1; the groups by second injury stand only under a frozen plan."""
    groups = [
        group
        for group in _GROUPS
        if ledger.holds(number_id("table_one", "athletes", group, "count"))
    ]
    if not groups:
        return JournalTable("table_one", TITLE, (), (), absent="the cohort is not described")
    sites = {code: site["label"] for code, site in context.study["sites"].items()}
    athletes: list[Part] = [
        ledger.number(number_id("table_one", "athletes", group, "count"), "count")
        for group in groups
    ]
    rows = [
        Row(("Athletes", *athletes, "")),
        *_people_rows(context.estimates, ledger, groups, sites),
    ]
    rows.append(Row(("Landing metrics at clearance",)))
    for predictor in context.predictors:
        rows += _predictor_rows(ledger, predictor, groups)
    return JournalTable(
        "table_one",
        TITLE,
        ("Characteristic", *(_GROUPS[group] for group in groups), "Standardised difference"),
        tuple(rows),
        notes=(
            "Counts with the share of known values; means with standard deviation (SD). The "
            "standardised difference compares athletes with a second injury and athletes without; "
            "it describes, and tests nothing. Groups by injury differ in length of follow-up.",
        ),
    )
