"""What the shareable edition hides of a study: the counts first, then what follows from them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pandas as pd

from analysis.disclosure.fields import (
    Fields,
    hide_differences,
    hide_events,
    hide_same,
    hide_shares,
    hide_small,
)
from analysis.disclosure.follow_up import follow_up_tally
from analysis.disclosure.people import ALL, LANDMARK, athletes_tally, variable_tally, words_of
from analysis.disclosure.suppression import is_small
from analysis.disclosure.tally import Tally
from analysis.estimates import rows_of

_SUMMARIES = ("mean", "standard_deviation", "median", "lower_quartile", "upper_quartile")


def _hide_places(fields: Fields, tally: Tally, names: Iterable[str]) -> None:
    for address, field in tally.printed_at(names):
        # An incidence, a rate or a share tells its count; the number of a group does not.
        if field == "n_athletes":
            fields.hide(address, field)
        else:
            fields.hide(address)


def _hide_variable(fields: Fields, hidden: frozenset[str], variable: str) -> None:
    """Hide what Table 1 prints beside the counts of a variable: shares, means, differences."""
    for address, row in fields.rows.items():
        if row["analysis"] != "table_one" or row["subject"] != variable:
            continue
        group, *level = words_of(row)[1]
        known = f"known/{variable}/{group}"
        if known in hidden:
            fields.hide(address, "n_athletes")
        if row["quantity"] == "share":
            if known in hidden or f"level/{variable}/{'.'.join(level)}/{group}" in hidden:
                fields.hide(address)
        elif row["quantity"] in _SUMMARIES and group != ALL and known in hidden:
            fields.hide(address)
        elif row["quantity"] == "standardised_difference":
            start = f"level/{variable}/{'.'.join(level)}/" if level else f"known/{variable}/"
            if any(name.startswith(start) and not name.endswith("/all") for name in hidden):
                fields.hide(address)


def _hide_table_one(
    fields: Fields, estimates: pd.DataFrame, people: Tally, hidden: frozenset[str], limit: int
) -> set[int]:
    """Decide on Table 1, variable by variable; return hidden numbers of known values."""
    numbers: set[int] = set()
    groups = {name.removeprefix("group/") for name in hidden if name.startswith("group/")}
    decided = set(people.counts)
    for variable in rows_of(estimates, "table_one", "missing")["subject"].unique():
        tally = variable_tally(estimates, people, variable)
        # The values of a group that is hidden are hidden with it.
        of_hidden = {name for name in tally.counts if name.rsplit("/", 1)[-1] in groups}
        found = tally.to_hide(
            limit,
            also=of_hidden | (hidden & set(tally.counts)),
            shown=decided - hidden - of_hidden,
        )
        _hide_places(fields, tally, found)
        _hide_places(fields, people, found & decided)
        _hide_variable(fields, found, variable)
        numbers |= {tally.counts[name] for name in found if name.startswith("known/")}
    return numbers


def _hide_follow_up(
    fields: Fields,
    estimates: pd.DataFrame,
    people: Tally,
    hidden: frozenset[str],
    plan: dict[str, Any],
    limit: int,
) -> None:
    tally = follow_up_tally(estimates, people, plan)
    found = tally.to_hide(limit, also=hidden, shown=set(people.counts) - hidden)
    _hide_places(fields, tally, found)


def _hide_by_outcome(fields: Fields, people: Tally, hidden: frozenset[str], limit: int) -> None:
    """Hide what tells hidden events of an outcome or of one of its groups."""
    names = [name.split("/") for name in people.counts if name.startswith("events/")]
    events = {outcome: people.counts[f"events/{outcome}/all"] for _, outcome, group in names
              if group == ALL}  # fmt: skip
    gone = {outcome for outcome in events if f"events/{outcome}/all" in hidden}
    hide_events(fields, events, gone, limit)
    in_groups = {outcome for _, outcome, group in names
                 if group != ALL and f"events/{outcome}/{group}" in hidden}  # fmt: skip
    for address, row in fields.rows.items():
        outcome, analysis = row["outcome"], row["analysis"]
        group = words_of(row)[1][0]
        of_group = f"events/{outcome}/{group}"
        if analysis == "incidence_rates" and of_group in hidden:
            fields.hide(address)
        if analysis == "rate_ratios" and outcome in in_groups:
            # With the events of both groups together, a ratio of rates tells those of each.
            fields.hide(address)


def _hide_by_site(fields: Fields, limit: int) -> None:
    """Hide exclusions and findings whose parts by site add up to a shown total."""
    tallies: dict[tuple[str, str, str], Tally] = {}
    for address, row in fields.rows.items():
        if row["analysis"] not in ("exclusions", "nuisances") or row["quantity"] != "count":
            continue
        subject, term = words_of(row)
        key = (
            (row["analysis"], subject.split(".")[0], term[0])
            if row["analysis"] == "exclusions"
            else (row["analysis"], subject, "")
        )
        name = "total" if row["site"] == "" else f"part/{address}"
        tallies.setdefault(key, Tally()).add(name, row["estimate"], (address, "estimate"))  # type: ignore[arg-type]
    for tally in tallies.values():
        tally.adds_up("total", [name for name in tally.counts if name != "total"])
        already = {name for name in tally.counts
                   if any(fields.hides(*place) for place in tally.places[name])}  # fmt: skip
        _hide_places(fields, tally, tally.to_hide(limit, also=already))


def _hide_sites_of_estimates(fields: Fields, limit: int) -> None:
    """Hide one more number of a site where one is hidden and all sites add up to the whole."""
    kinds = ("analysis", "outcome", "metric", "sensor", "task", "limb", "quantity")
    rows: dict[tuple[object, ...], Tally] = {}
    for address, row in fields.rows.items():
        for field in ("n_athletes", "n_trials"):
            if row["analysis"] in ("table_one", "flow") or pd.isna(row[field]):  # type: ignore[call-overload]
                continue
            tally = rows.setdefault((field, *(row[kind] for kind in kinds)), Tally())
            name = "total" if row["site"] == "" else f"part/{row['site']}"
            if tally.counts.get(name, row[field]) == row[field]:
                tally.add(name, row[field], (address, field))  # type: ignore[arg-type]
    for tally in rows.values():
        tally.adds_up("total", [name for name in tally.counts if name != "total"])
        if tally.sums and any(is_small(count, limit) for count in tally.counts.values()):
            for address, field in tally.printed_at(tally.to_hide(limit)):
                fields.hide(address, field)


def _hide_planted(fields: Fields) -> None:
    """Hide found and planted cases of a kind whose number found is hidden."""
    hidden = {
        row["subject"]
        for address, row in fields.rows.items()
        if row["analysis"] in ("nuisances", "planted_nuisances") and fields.hides(address)
    }
    for address, row in fields.rows.items():
        if row["analysis"] == "planted_nuisances" and row["subject"] in hidden:
            fields.hide(address)


def decide(estimates: pd.DataFrame, plan: dict[str, Any], limit: int) -> Fields:
    """Return the fields of the estimates that must not leave the team."""
    fields = Fields(estimates)
    people = athletes_tally(estimates, plan)
    # The size of the cohort stays wherever it may: nearly everything else is read against it.
    keep = {LANDMARK} if people.counts.get(LANDMARK, 0) >= limit else set()
    hidden = people.to_hide(limit, shown=keep)
    _hide_places(fields, people, hidden)
    numbers = _hide_table_one(fields, estimates, people, hidden, limit)
    _hide_follow_up(fields, estimates, people, hidden, plan, limit)
    _hide_by_outcome(fields, people, hidden, limit)
    _hide_by_site(fields, limit)
    hide_small(fields, limit)
    _hide_sites_of_estimates(fields, limit)
    totals = [people.counts[name] for name in (LANDMARK, "enrolled")
              if name in people.counts and name not in hidden]  # fmt: skip
    hide_differences(fields, totals, limit)
    kinds = ("enrolled", "remaining/", "site/", "group/", "plan_group/", "known/", "with_all")
    numbers |= {people.counts[name] for name in hidden if name.startswith((*kinds, LANDMARK))}
    hide_same(fields, numbers - set(totals), limit)
    hide_shares(fields, limit)
    _hide_planted(fields)
    return fields
