"""Step: sheets of flagged trials, for the team only: is the rule wrong, or the trial?

A sheet shows what was recorded, never a value of a metric: it is about rules and recordings, not
about the person. Trials are named by their pseudonym, because a recording must be found again.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
from markupsafe import Markup

from analysis.figures.flagged import sheet_svg
from analysis.figures.waveform_data import EVENTS
from analysis.labels import metric_label, sentence_case, unit_shown, words
from analysis.report.build import ReportError, spoken
from analysis.report.cautions import FOOTER
from analysis.report.check import check_page
from analysis.report.ledger import Exempt, setting
from analysis.report.numerals import NO_BREAK_SPACE
from analysis.report.page import render, stamps_of
from shared.metric_dictionary import metrics
from shared.tables import empty_table, read_table, write_text

_ORDINALS = {"1": "first", "2": "second"}
_SEPARATOR = ";"
# Values are named to find the rule; a sheet has one page, and the table of exclusions has them all.
_MOST_NAMED = 6


@dataclass(frozen=True)
class Finding:
    """A flag of a trial: its words, what it means, and what it was raised against."""

    flag: str
    name: str
    meaning: Exempt
    against: list[Exempt]
    undefined: bool


@dataclass(frozen=True)
class Sheet:
    """What stands on the sheet of one trial."""

    address: str
    trial: str
    site: str
    task: str
    visit: str
    limbs: str
    events: list[str]
    findings: list[Finding]
    noted: list[str]
    svg: Markup


def _limbs(side: str) -> str:
    return "both limbs" if side == "both" else f"{side} limb"


def _landing_words(landing_id: str) -> str:
    _, side, number = landing_id.rsplit(".", 2)
    return f"{_ORDINALS[number]} landing, {_limbs(side)}"


def _event_words(row: dict[str, Any]) -> str:
    found = {
        "initial_contact_s": "contact",
        "takeoff_s": "take-off",
        "lowest_com_s": "lowest point",
    }
    seen = [word for event, word in found.items() if not pd.isna(row[event])]
    unseen = [word for event, word in found.items() if pd.isna(row[event])]
    source = "nothing" if row["event_source"] == "none" else words(row["event_source"])
    text = f"{sentence_case(_landing_words(row['landing_id']))}: events by {source}"
    if seen:
        text += f"; found: {', '.join(seen)}"
    return text + (f"; not found: {', '.join(unseen)}" if unseen else "")


def _metric_words(metric: str, flag: str) -> str:
    """Return the name of a metric, with its hard limits where they were the reason."""
    if flag != "out_of_range":
        return metric_label(metric)
    entry = metrics()[metric]
    low, high = entry.range
    unit = f"{NO_BREAK_SPACE}{unit_shown(entry.unit)}" if entry.unit else ""
    words = f"{entry.label}, hard limits {low:g} to {high:g}{unit}"
    if entry.limb_range is None:
        return words
    low, high = entry.limb_range
    return f"{words} (of one limb {low:g} to {high:g}{unit})"


def exclusions_of_trial(exclusions: pd.DataFrame, trial: str) -> pd.DataFrame:
    """Return why a trial, its values or its recordings were excluded, in words.

    Added columns: `place`, the landing or the recording, with the sensor where a value was flagged;
    `subject`, the value, '' where all of the place was.
    """
    rows = exclusions.loc[exclusions["id"].str.startswith(f"{trial}.")]
    places, subjects = [], []
    for level, name, reason in zip(rows["level"], rows["id"], rows["reason"], strict=True):
        parts = name.removeprefix(f"{trial}.").split(".")
        place, subject = f"recording by {words(parts[0])}", ""
        if level == "landing":
            place = _landing_words(name)
        elif level == "metric":
            landing = _landing_words(".".join([trial, *parts[:2]]))
            place = f"{landing}, {words(parts[3])}"
            subject = _metric_words(parts[2], reason)
        places.append(place)
        subjects.append(subject)
    return rows.assign(place=places, subject=subjects)


def _against(rows: pd.DataFrame, undefined: bool) -> list[Exempt]:
    """Return what a flag was raised against: a line per list of values, with its places.

    Which values do not exist for a landing follows from the flag: only their places are named.
    """
    places: dict[str, list[str]] = {}
    for place, group in rows.groupby("place", sort=True):
        found = [] if undefined else [value for value in group["subject"] if value]
        values = "; ".join([*found[:_MOST_NAMED], *(["and others"] if found[_MOST_NAMED:] else [])])
        places.setdefault(values, []).append(str(place))
    lines = [
        " and ".join(where) + (f": {values}" if values else "") for values, where in places.items()
    ]
    return [Exempt(line, "name") for line in lines]


def _findings(rows: pd.DataFrame, undefined: Collection[str]) -> Iterator[Finding]:
    """Yield the flags of a trial; those by which nothing went wrong last."""
    order = rows.assign(undefined=rows["reason"].isin(list(undefined)))
    order = order.sort_values(["undefined", "reason", "level", "id"], kind="stable")
    for (_, flag), group in order.groupby(["undefined", "reason"], sort=True):
        details = "; ".join(dict.fromkeys(group["detail"]))
        yield Finding(
            flag,
            sentence_case(words(flag)),
            Exempt(details, "reason"),
            _against(group, flag in undefined),
            flag in undefined,
        )


def _noted(landings: pd.DataFrame, findings: Collection[Finding]) -> list[str]:
    """Return the flags of the landings that exclude nothing, in words."""
    flags = {flag for text in landings["flags"] if text for flag in text.split(_SEPARATOR)}
    return [words(flag) for flag in sorted(flags - {finding.flag for finding in findings})]


def _sheet(
    trial: str,
    waveforms: pd.DataFrame,
    landings: pd.DataFrame,
    exclusions: pd.DataFrame,
    study: dict[str, Any],
    undefined: Collection[str],
) -> Sheet:
    site, task = waveforms["site"].iloc[0], waveforms["task"].iloc[0]
    visit, _, side, _ = trial.rsplit(".", 4)[1:]
    findings = list(_findings(exclusions_of_trial(exclusions, trial), undefined))
    flags = ", ".join(finding.name.lower() for finding in findings)
    label = study["tasks"][task]["label"]
    drawn = sheet_svg(waveforms, landings, f"trial-{trial}")
    return Sheet(
        address=f"trial-{trial}",
        trial=trial,
        site=study["sites"][site]["label"],
        task=label,
        visit=words(visit),
        limbs=_limbs(side),
        events=[_event_words(row) for row in landings.to_dict("records")],
        findings=findings,
        noted=_noted(landings, findings),
        svg=spoken(drawn, f"Signals of a {label}, {_limbs(side)}, with the events; {flags}."),
    )


def sheets(
    waveforms: pd.DataFrame,
    landings: pd.DataFrame,
    exclusions: pd.DataFrame,
    study: dict[str, Any],
    undefined: Collection[str],
) -> list[Sheet]:
    """Return a sheet per trial of `waveforms`, ordered by first reason, site and name."""
    of_trial = landings["landing_id"].str.rsplit(".", n=2).str[0]
    by_trial = dict(iter(landings.groupby(of_trial, sort=True)))
    found = [
        _sheet(str(trial), rows, by_trial[trial], exclusions, study, undefined)
        for trial, rows in waveforms.groupby("trial_id", sort=True)
    ]
    return sorted(found, key=lambda x: (x.findings[0].undefined, x.findings[0].name, x.site))


def _contents(found: list[Sheet]) -> list[tuple[str, list[Sheet]]]:
    groups: dict[str, list[Sheet]] = {}
    for sheet in found:
        groups.setdefault(sheet.findings[0].name, []).append(sheet)
    return list(groups.items())


def build_flagged_page(
    *,
    waveforms: Path,
    landings: Path,
    exclusions: Path,
    page: Path,
    study: dict[str, Any],
    quality: dict[str, Any],
    waveforms_kept: dict[str, Any],
) -> None:
    """Write the page of sheets; no number of a person's stands on it but on the axes.

    Parameters
    ----------
    waveforms : table `flagged_waveforms`, whose trials were drawn by lot
    quality, waveforms_kept : these sections of processing.yaml

    Raises
    ------
    ReportError
        The page shows a digit that is neither on an axis nor in a name, a setting or a reason.
    """
    columns = ["landing_id", "event_source", *EVENTS, "flags"]
    found = sheets(
        read_table(waveforms),
        read_table(landings, columns=columns),
        read_table(exclusions),
        study,
        quality["undefined_flags"],
    )
    content = {
        **stamps_of(study),
        "per_group": setting(waveforms_kept["flagged_per_site_and_reason"]),
        "most": setting(waveforms_kept["flagged_most"]),
        "contents": _contents(found),
        "sheets": found,
        "footer": FOOTER,
    }
    text = render("flagged.jinja", content)
    if faults := check_page(text, empty_table("ledger")):
        raise ReportError(
            "the sheets of flagged trials show numbers without an address:\n" + "\n".join(faults)
        )
    write_text(text, page)
