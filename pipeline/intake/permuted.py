"""Outcomes exchanged between athletes by a seeded permutation, for a blinded run.

The whole record travels (follow-up, event, days, knee, contact, confirmation, further columns) and
with it the exposure log, which ends with the observation that the record describes. So every count
of causes and every follow-up time stays, and who had which outcome is lost.

Records are exchanged among athletes of one site, because sites follow athletes up, confirm events
and log exposure in their own ways; a site with few athletes in the cohort is joined to others. What
a site saw in all, and so a difference between whole sites, is therefore real also in a blinded run.
Who is outside the landmark cohort stays outside, for the same reason: membership is a fact of the
day of clearance, and the sizes that the analysis is built for must not change. Outside the cohort
records are exchanged among athletes with the same reason.

Any permutation is as likely as any other, those that leave some records in place included. To
forbid that would tell that no athlete has the own record, and would not be the distribution of a
study without associations; from a random one nothing follows about any athlete. Only in a group of
one the record stays: outside the cohort, or where the whole study has one athlete in it.

A knee with its first graft left cannot tear its ligament: after injuries of both knees a
contralateral tear does not exist. Such records go to athletes with one operated knee, and among the
permutations that keep to it any is again as likely as any other.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.intake.people_checks import DATED_EVENTS
from pipeline.intake.study_tables import StudyTables
from shared.settings.study import StudySettings

_ONE_KNEE = ("left", "right")
_OTHER = {"left": "right", "right": "left"}


def joined_sites(athletes: pd.Series, smallest: int) -> dict[str, str]:
    """Return the group of each site: its own, or one of small sites together.

    Parameters
    ----------
    athletes : athletes of the cohort by site
    smallest : a group has no fewer athletes than this, unless the study has fewer
    """
    small: list[str] = []
    together = 0
    for count, site in sorted((int(count), str(site)) for site, count in athletes.items()):
        if count >= smallest and (not small or together >= smallest):
            break
        small.append(site)
        together += count
    return {str(site): "+".join(small) if site in small else str(site) for site in athletes.index}


def groups_of(records: pd.DataFrame, smallest: int) -> pd.Series:
    """Return the group within which each record is exchanged.

    Parameters
    ----------
    records : outcomes with `site` and `has_clearance` of their athletes
    """
    ended = records["event"].isin(DATED_EVENTS) & (records["event_days"] <= 0)
    # As the cohort asks, in its order; it is the analysis that decides, and a test compares.
    reason = np.select(
        [~records["has_clearance"], ended, records["followup_days"] <= 0],
        ["no clearance", "event before clearance", "no follow-up"],
        default="",
    )
    group_of = joined_sites(records.loc[reason == "", "site"].value_counts(), smallest)
    groups = [
        words or f"site {group_of[site]}"
        for words, site in zip(reason, records["site"], strict=True)
    ]
    return pd.Series(groups, records.index, dtype="object")


def donors_of(
    both_knees: NDArray[np.bool_], needs_other_knee: NDArray[np.bool_], random: np.random.Generator
) -> NDArray[np.int_]:
    """Return (n,) whose record each athlete gets: uniform among the permutations that can be.

    Athletes with two operated knees draw first, from the records that can be theirs; whatever they
    took, the others can take the rest in any order, so that no permutation is favoured.
    """
    everyone = np.arange(len(both_knees))
    possible = everyone[~needs_other_knee]
    first = random.permutation(possible)[: int(both_knees.sum())]
    rest = random.permutation(np.setdiff1d(everyone, first))
    donors = np.empty(len(both_knees), dtype=np.int_)
    donors[both_knees], donors[~both_knees] = first, rest
    return donors


def _side(side: str, event: str, of_donor: str, of_receiver: str) -> str:
    """Return the injured knee for the athlete who gets a record.

    A ruptured graft and a contralateral tear follow from the operated knee. Other records keep
    whether it was the operated knee; where donor or receiver has no single one, they keep the side.
    """
    if side not in _ONE_KNEE or of_receiver not in _ONE_KNEE:
        return side
    if event == "graft_rupture":
        return of_receiver
    if event == "contralateral_tear":
        return _OTHER[of_receiver]
    if of_donor not in _ONE_KNEE:
        return side
    return of_receiver if side == of_donor else _OTHER[of_receiver]


def permuted_outcomes(
    outcomes: pd.DataFrame,
    athletes: pd.DataFrame,
    with_clearance: pd.Series,
    *,
    seed: int,
    smallest_group: int,
) -> tuple[pd.DataFrame, dict[str, str]]:
    """Return the outcomes with exchanged records, and who got whose: donor -> receiver.

    Parameters
    ----------
    outcomes, athletes
        Checked study tables; index and order of the rows of `outcomes` stay.
    with_clearance
        Athletes with a clearance visit.
    seed
        The same tables in any order and the same seed give the same permutation.
    """
    people = athletes.set_index("athlete_id")
    records = outcomes.sort_values("athlete_id", kind="stable", ignore_index=True)
    ids = records["athlete_id"]
    knee = ids.map(people["injured_side"]).to_numpy()
    placed = records.assign(
        site=ids.map(people["site"]).to_numpy(), has_clearance=ids.isin(with_clearance).to_numpy()
    )
    random = np.random.default_rng(seed)
    donor = np.arange(len(records))
    for _, rows in placed.groupby(groups_of(placed, smallest_group), sort=True):
        places = rows.index.to_numpy()
        other_knee = (rows["event"] == "contralateral_tear").to_numpy()
        donor[places] = places[donors_of(knee[places] == "both", other_knee, random)]
    given = records.iloc[donor].reset_index(drop=True)
    given["side"] = [
        _side(*cells)
        for cells in zip(given["side"], given["event"], knee[donor], knee, strict=True)
    ]
    given["athlete_id"] = ids
    own_order = given.set_index("athlete_id").loc[outcomes["athlete_id"]].reset_index()
    receivers = dict(zip(ids.iloc[donor], ids, strict=True))
    return own_order[outcomes.columns].set_index(outcomes.index), receivers


def permuted_tables(tables: StudyTables, study: StudySettings) -> StudyTables:
    """Return checked study tables whose outcomes and exposure are those of other athletes.

    Raises
    ------
    ValueError
        The study is not a blinded one.
    """
    if study.blinded is None:
        raise ValueError("outcomes are permuted in a blinded study only")
    visits, exposure = tables["visits"], tables["exposure"]
    outcomes, receivers = permuted_outcomes(
        tables["outcomes"],
        tables["athletes"],
        visits.loc[visits["visit"] == study.clearance_visit, "athlete_id"],
        seed=study.blinded.seed,
        smallest_group=study.blinded.smallest_group,
    )
    # The log of an athlete without an outcome has no record to follow, and stays.
    owner = exposure["athlete_id"]
    moved = exposure.assign(athlete_id=owner.map(receivers).fillna(owner))
    changed = {"outcomes": outcomes, "exposure": moved}
    return replace(tables, tables=tables.tables | changed)
