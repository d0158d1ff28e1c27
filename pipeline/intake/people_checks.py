"""Tables about people checked against each other and the settings: athletes, visits, outcomes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from pipeline.intake.problems import did_you_mean, one_of
from pipeline.intake.study_tables import StudyTables
from pipeline.readers.refusals import masked
from shared.errors import Problem, stops
from shared.settings.study import StudySettings

KNEE_EVENTS = ("graft_rupture", "contralateral_tear", "other_knee_injury")
DATED_EVENTS = (*KNEE_EVENTS, "end_of_sport")


@dataclass(frozen=True)
class Note:
    """Something to know that needs no mending: it stops nothing and is told in the report."""

    file: str
    row: int | None
    text: str


def _records(table: pd.DataFrame) -> Iterator[tuple[int, dict[str, Any]]]:
    """Yield (row as a spreadsheet counts, cells by column)."""
    for row, cells in zip(table.index, table.to_dict("records"), strict=True):
        yield int(row), {str(name): cell for name, cell in cells.items()}


def unknown_words(
    tables: StudyTables, table: str, column: str, known: Sequence[str], what: str, where: str
) -> list[Problem]:
    """Return one problem per row whose word is not known, e.g. an unknown athlete."""
    cells = tables[table][column]
    wrong = cells[(cells != "") & ~cells.isin(known)]
    answers = {
        word: (
            repr(word) if len(word) <= 40 else masked(word),
            # Codes of athletes all look alike: a guess would be as good as any other.
            did_you_mean(
                word,
                () if what == "athlete" else known,
                f"correct the cell, or add the {what} to {where}",
            ),
        )
        for word in wrong.unique()
    }
    return [
        stops(
            f"unknown_{what}",
            tables.file(table),
            row=int(row),
            column=column,
            found=f"{what} {answers[word][0]}",
            expected=one_of(known) if what != "athlete" else f"an athlete of {where}",
            mend=answers[word][1],
        )
        for row, word in zip(wrong.index, wrong, strict=True)
    ]


def check_words(tables: StudyTables, study: StudySettings) -> list[Problem]:
    """Return unknown athletes, visits and sites of all tables."""
    athletes = tables["athletes"]["athlete_id"].tolist()
    problems = unknown_words(
        tables, "athletes", "site", sorted(study.sites), "site", "study.yaml, sites"
    )
    for table in ("visits", "recordings", "calibrations", "outcomes", "exposure"):
        if athletes:  # without athletes every row would be a problem, and one is enough
            problems += unknown_words(
                tables, table, "athlete_id", athletes, "athlete", tables.file("athletes")
            )
    for table in ("visits", "recordings", "calibrations"):
        problems += unknown_words(
            tables, table, "visit", study.visits, "visit", "study.yaml, visits"
        )
    return problems


def check_visits(tables: StudyTables, study: StudySettings) -> list[Problem]:
    """Return visits whose days contradict the order of visits in study.yaml."""
    visits = tables["visits"]
    known = visits[visits["visit"].isin(study.visits) & visits["days_since_surgery"].notna()]
    order = {name: i for i, name in enumerate(study.visits)}
    ranked = known.assign(order=known["visit"].map(order), row=known.index)
    ranked = ranked.sort_values(["athlete_id", "order", "row"])
    groups = ranked.groupby("athlete_id")
    ranked = ranked.assign(
        days_before=groups["days_since_surgery"].shift(), visit_before=groups["visit"].shift()
    )
    wrong = ranked[ranked["days_since_surgery"] <= ranked["days_before"]]
    return [
        stops(
            "visits_out_of_order",
            tables.file("visits"),
            row=row,
            column="days_since_surgery",
            found=f"{cells['visit']} at {cells['days_since_surgery']:g} days, not after "
            f"{cells['visit_before']} at {cells['days_before']:g} days",
            expected=f"days that rise in the order {', '.join(study.visits)}",
            mend="correct the days or the name of the visit",
        )
        for row, cells in _records(wrong)
    ]


def _outcomes_with_context(tables: StudyTables, study: StudySettings) -> pd.DataFrame:
    outcomes = tables["outcomes"]
    injured = tables["athletes"].drop_duplicates("athlete_id").set_index("athlete_id")
    clearance = tables["visits"][tables["visits"]["visit"] == study.clearance_visit]
    days = clearance.drop_duplicates("athlete_id").set_index("athlete_id")["days_since_surgery"]
    return outcomes.assign(
        injured_side=outcomes["athlete_id"].map(injured["injured_side"]).fillna(""),
        clearance_days=outcomes["athlete_id"].map(days),
    )


def check_outcomes(tables: StudyTables, study: StudySettings) -> list[Problem]:
    """Return contradictions inside the rows of outcomes: days, sides, event."""
    rows = _outcomes_with_context(tables, study)
    file = tables.file("outcomes")
    problems: list[Problem] = []

    dated = rows["event"].isin(DATED_EVENTS)
    for row, cells in _records(rows[dated & rows["event_days"].isna()]):
        problems.append(
            stops(
                "event_without_day",
                file,
                row=row,
                column="event_days",
                found=f"no number for the event {cells['event']}",
                expected="days from clearance to the event",
                mend="fill event_days",
            )
        )
    for row, cells in _records(rows[rows["event_days"] > rows["followup_days"]]):
        problems.append(
            stops(
                "event_after_followup",
                file,
                row=row,
                column="event_days",
                found=f"event at {cells['event_days']:g} days, follow-up until "
                f"{cells['followup_days']:g}",
                expected="an event within the follow-up",
                mend="correct event_days or followup_days",
            )
        )
    for row, cells in _records(rows[rows["clearance_days"] + rows["event_days"] < 0]):
        problems.append(
            stops(
                "event_before_surgery",
                file,
                row=row,
                column="event_days",
                found=f"event {-cells['event_days']:g} days before clearance, which was "
                f"{cells['clearance_days']:g} days after surgery",
                expected="an event after the index surgery",
                mend="correct event_days; an injury before surgery belongs to prior_acl_injury",
            )
        )
    return problems + _side_problems(rows, file)


def _side_problems(rows: pd.DataFrame, file: str) -> list[Problem]:
    problems = []
    knee = rows["event"].isin(KNEE_EVENTS)
    for row, cells in _records(rows[knee & (rows["side"] == "")]):
        problems.append(
            stops(
                "event_without_side",
                file,
                row=row,
                column="side",
                found=f"no side for the event {cells['event']}",
                expected="left, right or both: the knee that was injured",
                mend="fill side",
            )
        )
    one_knee = rows["injured_side"].isin(("left", "right")) & rows["side"].isin(("left", "right"))
    same = rows["side"] == rows["injured_side"]
    graft = one_knee & (rows["event"] == "graft_rupture") & ~same
    other = one_knee & (rows["event"] == "contralateral_tear") & same
    bilateral = (rows["injured_side"] == "both") & (rows["event"] == "contralateral_tear")
    for row, cells in _records(rows[graft | other | bilateral]):
        event, injured = cells["event"], cells["injured_side"]
        problems.append(
            stops(
                "side_contradicts_event",
                file,
                row=row,
                column="side",
                found=f"{event} on the side {cells['side'] or '(empty)'!r}",
                expected=f"a side that fits injured_side {injured!r} of the athlete"
                + (": both knees have a graft" if injured == "both" else ""),
                mend="correct event or side here, or injured_side in the athletes table",
            )
        )
    return problems


def notes_on_people(tables: StudyTables, study: StudySettings) -> list[Note]:
    """Return which athletes the cohort will leave out, as far as the tables already tell."""
    rows = _outcomes_with_context(tables, study)
    file = tables.file("outcomes")
    early = rows["event"].isin(DATED_EVENTS) & (rows["event_days"] <= 0)
    notes = [
        Note(file, int(row), f"{athlete}: {event} before clearance; the cohort leaves them out")
        for row, athlete, event in zip(
            rows.index[early], rows.loc[early, "athlete_id"], rows.loc[early, "event"], strict=True
        )
    ]
    athletes = tables["athletes"]
    clearance = tables["visits"]["visit"] == study.clearance_visit
    seen = tables["visits"].loc[clearance, "athlete_id"]
    for known, what in ((seen, "no clearance visit"), (rows["athlete_id"], "no outcome")):
        without = athletes[~athletes["athlete_id"].isin(known)]
        notes += [
            Note(
                tables.file("athletes"), int(row), f"{athlete}: {what}; the cohort leaves them out"
            )
            for row, athlete in zip(without.index, without["athlete_id"], strict=True)
        ]
    return notes
