"""Tables: the plan's groups and the two knees compared, and mean time free of any end."""

from __future__ import annotations

from analysis.estimates import number_id, rows_of
from analysis.labels import sentence_case, words
from analysis.models.group_comparison import EVENT_FREE, KNEES, RATIOS, TESTS
from analysis.report.context import Context
from analysis.report.ledger import Ledger, setting
from analysis.tables.cells import interval_cell, interval_cell_or_word
from analysis.tables.journal import Cell, JournalTable, Row

_PER_TIME = "rate_ratio_per_100_person_years"
_PER_EXPOSURE = "rate_ratio_per_1000_athlete_exposures"
_TESTS = ("log_rank_test", "stratified_log_rank_test", "gray_test")


def _compared(context: Context, ledger: Ledger, outcome: str) -> list[str]:
    rows = rows_of(context.estimates, RATIOS, _PER_TIME)
    terms = rows.loc[rows["outcome"] == outcome, "term"]
    return [term for term in terms if ledger.holds(number_id(RATIOS, outcome, term, _PER_TIME))]


def _test_cells(context: Context, ledger: Ledger, outcome: str) -> list[Cell]:
    group = context.plan["cumulative_incidence"]["group"]
    addresses = [number_id(TESTS, outcome, group, test) for test in _TESTS]
    cells: list[Cell] = [
        ledger.number(address, "p", field="p") if ledger.holds(address) else "not run"
        for address in addresses
    ]
    detectable = number_id(TESTS, outcome, group, "minimal_detectable_hazard_ratio")
    held = ledger.holds(detectable)
    return [*cells, ledger.number(detectable, "ratio") if held else "not run"]


def _outcome_rows(context: Context, ledger: Ledger, outcome: str) -> list[Row]:
    rows = []
    for place, term in enumerate(_compared(context, ledger, outcome)):
        ratios = [
            interval_cell_or_word(ledger, number_id(RATIOS, outcome, term, quantity), "ratio")
            for quantity in (_PER_TIME, _PER_EXPOSURE)
        ]
        # The tests are of all groups at once: they stand beside the first comparison.
        tests = _test_cells(context, ledger, outcome) if place == 0 else [""] * (len(_TESTS) + 1)
        rows.append(Row((sentence_case(words(term)), *ratios, *tests)))
    return rows


def build_comparison(context: Context, ledger: Ledger) -> JournalTable:
    """Return rate ratios and tests between the plan's groups, and the ratio of the knees."""
    lines: list[Row] = []
    for outcome, content in context.plan["outcomes"].items():
        if found := _outcome_rows(context, ledger, outcome):
            lines += [Row((sentence_case(content["label"]),)), *found]
    knees = number_id(RATIOS, "second_injury", KNEES, "rate_ratio")
    if ledger.holds(knees):
        ratio = interval_cell(ledger, knees, "ratio")
        empty = [""] * (len(_TESTS) + 2)
        lines += [
            Row(("The two knees of the same athletes",)),
            Row((sentence_case(words(KNEES)), ratio, *empty)),
        ]
    return JournalTable(
        "group_comparison",
        "Injury rates compared: groups, and the two knees",
        (
            "Compared",
            "Rate ratio, person-years",
            "Rate ratio, athlete-exposures",
            "Log-rank, p",
            "Log-rank within strata, p",
            "Gray, p",
            "Detectable hazard ratio",
        ),
        tuple(lines),
        notes=(
            (
                "Rate ratios with exact conditional intervals at ",
                setting(context.confidence_level),
                "; nothing here is adjusted. \u221e: no event in the group compared with. The "
                "log-rank test compares the rates among those still free of any injury; Gray's "
                "test compares the cumulative incidences, which "
                "also depend on how often the other ends occur. Detectable: with a power of ",
                setting(context.power),
                " a hazard ratio between the groups as far from one as this, or further, would be "
                "found. The knees of an athlete are exposed alike, so their ratio is the same per "
                "time and per exposure; athletes with both knees reconstructed are left out there.",
            ),
        ),
        absent="no rates were compared",
    )


def build_event_free(context: Context, ledger: Ledger) -> JournalTable:
    """Return mean times in sport and free of knee injury, by group, with differences."""
    lines = []
    for quantity, suffix in (
        ("restricted_mean", ""),
        ("difference_of_restricted_means", " (difference)"),
    ):
        rows = rows_of(context.estimates, EVENT_FREE, quantity)
        addresses = sorted(rows["number_id"], key=lambda name: (".all.all." not in name, name))
        for address in addresses:
            label = words(address.split(".")[1])
            held = quantity == "restricted_mean"
            sizes = [
                ledger.number(address, "count", field=field) if held else ""
                for field in ("n_athletes", "n_events")
            ]
            cell = interval_cell(ledger, address, "whole")
            lines.append(Row((sentence_case(label) + suffix, cell, *sizes)))
    days = context.plan["horizon_days"]
    return JournalTable(
        "event_free_time",
        "Mean time in sport and free of knee injury",
        ("Group", setting(f"Days of the first {days:g}"), "Athletes", "Ends"),
        tuple(lines),
        notes=(
            (
                "Restricted mean: area under the Kaplan-Meier curve, with intervals at ",
                setting(context.confidence_level),
                ". Second injury, other knee injury and end of sport all end this time; loss and "
                "end of study censor it.",
            ),
        ),
        absent="no mean time was estimated",
    )
