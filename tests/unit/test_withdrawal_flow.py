"""Athletes who withdrew consent in the flow: counted, added up, and hidden where they are few."""

from __future__ import annotations

import pandas as pd
import pytest

from analysis.disclosure.people import athletes_tally
from analysis.disclosure.shareable import shareable_estimates
from analysis.disclosure.sums import recoverable
from analysis.disclosure.suppression import is_small
from analysis.estimates import estimates_table
from analysis.figures.flow import flow_stages
from analysis.models.flow import count_flow, withdrawn_of
from analysis.report.ledger import Ledger
from shared.tables import empty_table
from tests.unit import report_study as study

LIMIT = 11


def flow(withdrawn: int | None) -> pd.DataFrame:
    """Return the flow of the small study by address, with so many who withdrew."""
    return estimates_table(count_flow(study.cohort(), withdrawn)).set_index("number_id")


def with_flow(withdrawn: int | None) -> pd.DataFrame:
    """Return all estimates of the small study with another flow."""
    rows = study.estimates()
    own = flow(withdrawn).reset_index()
    rest = rows.loc[~rows["number_id"].isin(own["number_id"])]
    return pd.concat([rest, own], ignore_index=True)


@pytest.mark.parametrize("withdrawn", [0, 1, 25])
def test_the_flow_begins_with_all_who_enrolled_and_adds_up(withdrawn):
    rows = flow(withdrawn)["estimate"]
    people = study.cohort()
    assert rows["flow.enrolled.all.count"] == len(people) + withdrawn
    assert rows["flow.excluded.withdrew_consent.count"] == withdrawn
    assert rows["flow.remaining.after_withdrew_consent.count"] == len(people)
    assert rows["flow.landmark_cohort.all.count"] == people["included"].sum()
    excluded = rows.filter(regex=r"^flow\.excluded\.").sum()
    assert rows["flow.enrolled.all.count"] - excluded == rows["flow.landmark_cohort.all.count"]


def test_a_study_without_the_table_does_not_claim_that_nobody_withdrew():
    rows = flow(withdrawn_of(empty_table("withdrawals")))
    assert not rows.index.str.contains("withdrew").any()
    assert withdrawn_of(pd.DataFrame({"level": ["athlete"], "count": [0]})) == 0


def test_the_figure_names_them_first():
    rows = with_flow(3)
    sites = {site: site for site in study.SITES}
    side = flow_stages(rows, Ledger(rows, "figure.flow"), study.PLAN, sites)[0].side
    number, words = side.lines[0]
    assert (number.display, words) == ("3", "withdrew consent")


@pytest.mark.parametrize("withdrawn", [1, 10, 25])
def test_few_who_withdrew_are_hidden_with_what_would_tell_their_number(withdrawn):
    rows = with_flow(withdrawn)
    tally = athletes_tally(rows, study.PLAN)
    sums = {(item.total, item.parts) for item in tally.sums}
    parts = ("remaining/withdrew_consent", "excluded/withdrew_consent")
    assert ("enrolled", parts) in sums
    shared = shareable_estimates(rows, study.PLAN, LIMIT).set_index("number_id")["estimate"]
    shown = {
        name
        for name, places in tally.places.items()
        if any(field == "estimate" and pd.notna(shared.get(place)) for place, field in places)
    }
    small = {name for name, count in tally.counts.items() if is_small(count, LIMIT)}
    assert ("excluded/withdrew_consent" in small) is (withdrawn < LIMIT)
    assert not shown & small
    assert not recoverable(tally.sums, set(tally.counts) - shown) & small
    assert len(shown) > 10
