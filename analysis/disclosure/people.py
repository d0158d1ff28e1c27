"""The counts of athletes: flow, groups by injury, levels of Table 1, numbers at risk, events."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pandas as pd

from analysis.cohort.landmark import LEFT_OUT
from analysis.disclosure.tally import Tally
from analysis.estimates import address_part, rows_of

ALL = "all"
LANDMARK = "landmark"


def words_of(row: dict[str, Any]) -> tuple[str, list[str]]:
    """Return subject and words of the term of a row, as its address has them."""
    rest = row["number_id"].removeprefix(f"{row['analysis']}.").removesuffix(f".{row['quantity']}")
    term = rest.removeprefix(row["subject"]).removeprefix(".")
    return row["subject"], term.split(".")


def _flow_name(subject: str, term: str) -> str | None:
    names = {
        "enrolled": "enrolled",
        "landmark_cohort": LANDMARK if term == ALL else f"site/{term}",
        "with_all_primary": "with_all_primary",
        "with_predictor": f"known/{term}/all",
        "excluded": f"excluded/{term}",
        "remaining": f"remaining/{term.removeprefix('after_')}",
        "ended_with": f"end/{term}",
        "outcome": f"events/{term}/all",
    }
    return names.get(subject)


def _starting(tally: Tally, start: str) -> list[str]:
    return [name for name in tally.counts if name.startswith(start)]


def _add_flow(tally: Tally, estimates: pd.DataFrame, plan: dict[str, Any]) -> None:
    for row in rows_of(estimates, "flow", "count").to_dict("records"):
        subject, term = words_of(row)
        if name := _flow_name(subject, term[0]):
            tally.add(name, row["estimate"], (row["number_id"], "estimate"))
    tally.adds_up("enrolled", [*_starting(tally, "excluded/"), LANDMARK])
    before = "enrolled"
    for reason in map(address_part, LEFT_OUT):
        if f"remaining/{reason}" not in tally.counts:  # withdrawals: not every study has a table
            continue
        tally.adds_up(before, [f"remaining/{reason}", f"excluded/{reason}"])
        before = f"remaining/{reason}"
    tally.adds_up(before, [LANDMARK])
    tally.adds_up(LANDMARK, _starting(tally, "site/"))
    tally.adds_up(LANDMARK, _starting(tally, "end/"))
    tally.with_rest(LANDMARK, "with_all_primary")
    for predictor in [*plan["primary"], *plan["exploratory"]]:
        tally.with_rest(LANDMARK, f"known/{predictor['name']}/all")
    for outcome, content in plan["outcomes"].items():
        tally.adds_up(f"events/{outcome}/all", [f"end/{event}" for event in content["events"]])


def _add_groups(tally: Tally, estimates: pd.DataFrame) -> None:
    for row in rows_of(estimates, "table_one", "count").to_dict("records"):
        subject, term = words_of(row)
        if subject == "athletes":
            name = LANDMARK if term[0] == ALL else f"group/{term[0]}"
            tally.add(name, row["estimate"], (row["number_id"], "estimate"))
    groups = _starting(tally, "group/")
    tally.adds_up(LANDMARK, groups)
    for name in groups:
        tally.adds_up(f"events/{name.removeprefix('group/')}/all", [name])


def _add_exclusions(tally: Tally, estimates: pd.DataFrame) -> None:
    # The same athletes as in the flow, by site.
    for row in rows_of(estimates, "exclusions", "count").to_dict("records"):
        level, *site = row["subject"].split(".")
        reason = words_of(row)[1][0]
        if level == "athlete":
            name = f"excluded/{reason}" + (f"/{site[0]}" if site else "")
            if not site and tally.counts.get(name, row["estimate"]) != row["estimate"]:
                name = f"excluded_row/{reason}"
            tally.add(name, row["estimate"], (row["number_id"], "estimate"))
    for name in [*_starting(tally, "excluded/"), *_starting(tally, "excluded_row/")]:
        tally.adds_up(name, [part for part in _starting(tally, f"{name}/") if part.count("/") == 2])


def _events_at(rows: pd.DataFrame, field: str) -> Iterable[tuple[str, str, float, str]]:
    for row in rows.to_dict("records"):
        yield row["outcome"], words_of(row)[1][0], row[field], row["number_id"]


def plan_groups(estimates: pd.DataFrame) -> list[str]:
    """Return the groups of the plan's cumulative incidence, without 'all'."""
    rows = rows_of(estimates, "incidence_rates", "person_years").to_dict("records")
    return [term for row in rows if (term := words_of(row)[1][0]) != ALL]


def _add_plan_groups(tally: Tally, estimates: pd.DataFrame, plan: dict[str, Any]) -> None:
    groups = plan_groups(estimates)
    for row in rows_of(estimates, "incidence_rates", "person_years").to_dict("records"):
        group = words_of(row)[1][0]
        name = LANDMARK if group == ALL else f"plan_group/{group}"
        if pd.notna(row["n_athletes"]):
            tally.add(name, row["n_athletes"], (row["number_id"], "n_athletes"))
    tally.adds_up(LANDMARK, [f"plan_group/{group}" for group in groups])
    rates = rows_of(estimates, "incidence_rates", "rate_per_100_person_years")
    for outcome, group, count, address in _events_at(rates, "n_events"):
        name = f"events/{outcome}/{group}"
        if tally.counts.get(name, count) == count:
            tally.add(name, count, (address, "n_events"))
    for outcome, content in plan["outcomes"].items():
        tally.adds_up(f"events/{outcome}/all", [f"events/{outcome}/{group}" for group in groups])
        for group in [ALL, *groups]:
            parts = [f"events/{event}/{group}" for event in content["events"]]
            if parts != [f"events/{outcome}/{group}"]:
                tally.adds_up(f"events/{outcome}/{group}", parts)
    column = plan["cumulative_incidence"]["group"]
    levels = rows_of(estimates, "table_one", "count")
    for row in levels.loc[levels["subject"] == column].to_dict("records"):
        group, *level = words_of(row)[1]
        if group == ALL and tally.counts.get(f"plan_group/{level[0]}") == row["estimate"]:
            tally.add(f"plan_group/{level[0]}", row["estimate"], (row["number_id"], "estimate"))


def athletes_tally(estimates: pd.DataFrame, plan: dict[str, Any]) -> Tally:
    """Return how athletes divide: flow, exclusions, ends, injuries, groups of the plan."""
    tally = Tally()
    _add_flow(tally, estimates, plan)
    _add_groups(tally, estimates)
    _add_exclusions(tally, estimates)
    _add_plan_groups(tally, estimates, plan)
    return tally


def _margin(group: str) -> str:
    return LANDMARK if group == ALL else f"group/{group}"


def _tie_levels(tally: Tally, people: Tally, variable: str, levels: list[str]) -> None:
    """Tie the athletes of a level to where they are counted too: site, group of the plan."""
    groups = {f"plan_group/{level}" for level in levels}
    kinds = ["site"] if variable == "site" else []
    kinds += ["plan_group"] if groups <= set(people.counts) else []
    for kind in kinds:
        for level in levels:
            name = f"{kind}/{level}"
            if name in people.counts:
                tally.add(name, people.counts[name])
                tally.adds_up(name, [f"level/{variable}/{level}/all"])


def variable_tally(estimates: pd.DataFrame, people: Tally, variable: str) -> Tally:
    """Return the levels, known and missing values of one variable of Table 1, by group."""
    tally = Tally()
    rows = estimates.loc[
        (estimates["analysis"] == "table_one") & (estimates["subject"] == variable)
    ]
    groups, levels = [], []
    for row in rows.loc[rows["quantity"] == "missing"].to_dict("records"):
        group = words_of(row)[1][0]
        groups.append(group)
        margin = people.counts[_margin(group)]
        tally.add(_margin(group), margin)
        tally.add(f"missing/{variable}/{group}", row["estimate"], (row["number_id"], "estimate"))
        tally.add(f"known/{variable}/{group}", margin - row["estimate"])
        tally.adds_up(_margin(group), [f"known/{variable}/{group}", f"missing/{variable}/{group}"])
    for row in rows.loc[rows["quantity"] == "count"].to_dict("records"):
        group, level = words_of(row)[1][0], ".".join(words_of(row)[1][1:])
        levels += [level] if level not in levels else []
        name = f"level/{variable}/{level}/{group}"
        tally.add(name, row["estimate"], (row["number_id"], "estimate"))
    parts = [group for group in groups if group != ALL]
    for kind in ("known", "missing"):
        tally.adds_up(f"{kind}/{variable}/all", [f"{kind}/{variable}/{group}" for group in parts])
    for level in levels:
        start = f"level/{variable}/{level}"
        tally.adds_up(f"{start}/all", [f"{start}/{group}" for group in parts])
    _tie_levels(tally, people, variable, levels)
    for group in groups:
        names = [f"level/{variable}/{level}/{group}" for level in levels]
        tally.adds_up(f"known/{variable}/{group}", names)
    tally.adds_up(LANDMARK, [_margin(group) for group in parts])
    return tally
