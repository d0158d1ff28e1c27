"""What the report says of gaps: by which handling, or why complete cases stand in.

No outside source: the words must follow the rows, so that a stand-in is never silent.
"""

import re

import pytest

from analysis.estimates import number_id
from analysis.models.filled_cohort import COMPLETE_CASES, FILLED_IN, NOTHING
from analysis.report.context import Context
from analysis.report.ledger import Ledger
from analysis.report.missing_data import handling_address, handling_words, stand_in
from analysis.report.sentences import study_in_brief
from analysis.tables import imputation
from tests.unit import report_study

OUTCOME = report_study.PLAN["primary_outcomes"][0]
NAME = report_study.PLAN["primary"][0]["name"]
REASON = "complete cases, because missing values could not be filled in: mass_kg has a gap"


@pytest.fixture(scope="module")
def table():
    return report_study.estimates()


def _handled(table, words, note=""):
    primary = table["analysis"] == "cox_primary"
    return table.assign(
        missing_data=table["missing_data"].mask(primary, words),
        note=table["note"].mask(primary & (table["quantity"] == "hazard_ratio"), note),
    )


def _context(table, primary="imputed"):
    plan = {**report_study.PLAN, "missing": {"primary": primary}}
    return Context(table, report_study.STUDY, report_study.PROCESSING, plan)


@pytest.mark.parametrize(
    ("words", "shown"),
    [
        (FILLED_IN, "with missing and clipped metrics filled in"),
        (COMPLETE_CASES, "of the athletes with all primary metrics (complete cases)"),
        (NOTHING, "without any missing or clipped metric"),
    ],
)
def test_the_brief_names_the_handling(table, words, shown):
    context = _context(_handled(table, words))
    assert handling_words(context.estimates) == shown
    brief = study_in_brief(context, Ledger(context.estimates, "report"))
    assert f"from models {shown}, with" in str(brief.opening)


def test_a_stand_in_is_said_in_the_brief_with_its_reason(table):
    context = _context(_handled(table, COMPLETE_CASES, REASON))
    brief = study_in_brief(context, Ledger(context.estimates, "report"))
    said = [str(line) for line in brief.sentences if "Not as planned" in line]
    assert len(said) == 1
    assert "body mass has a gap" in re.sub("<[^>]+>", "", said[0])
    # Complete cases that the plan names are no stand-in.
    assert stand_in(context.estimates, _context(table, "complete_cases").plan) == ""


def test_either_handling_has_its_address_under_either_plan(table):
    ledger = Ledger(table, "report")
    plans = {kind: _context(table, kind).plan for kind in ("imputed", "complete_cases")}
    primary = number_id("cox_primary", OUTCOME, NAME, "hazard_ratio")
    beside = number_id("cox_complete_cases", OUTCOME, NAME, "hazard_ratio")
    imputed = number_id("cox_imputed", OUTCOME, NAME, "hazard_ratio")
    found = {
        (kind, handling): handling_address(ledger, plan, handling, OUTCOME, NAME)
        for kind, plan in plans.items()
        for handling in ("imputed", "complete_cases")
    }
    assert found["imputed", "imputed"] == primary
    assert found["imputed", "complete_cases"] == beside
    assert found["complete_cases", "imputed"] == imputed
    assert found["complete_cases", "complete_cases"] == primary


def test_the_table_shows_both_only_where_values_were_filled_in(table):
    context = _context(table)
    shown = imputation.build(context, Ledger(table, "table.imputation"))
    lines = len(report_study.PLAN["primary"]) * len(report_study.PLAN["primary_outcomes"])
    assert len(shown.rows) == lines + len(report_study.PLAN["primary_outcomes"])
    without = _handled(table, NOTHING)
    assert imputation.build(_context(without), Ledger(without, "table.imputation")).rows == ()
