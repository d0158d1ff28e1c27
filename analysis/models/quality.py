"""Step: what was measured, what was usable, and what went wrong where.

Everything here is counted from flags that the pipeline set; nothing is decided anew. Identifiers
of recordings and athletes stand in the notes of the rows `nuisances` only, which is why those
notes never leave the restricted edition.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from analysis.cohort.landmark import EVENT_BEFORE_CLEARANCE
from analysis.estimates import EstimateFields, Estimates, joined, write_estimates
from analysis.models.grouped import grouped
from shared.tables import read_table

STEP = "analysis.models.quality:data_quality"

SEPARATOR = ";"
NAMED_AT_MOST = 8
"""So many identifiers stand in a note; the tables hold them all."""


def one_row_per_flag(table: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of `table` that have flags, one per flag, in the column `flag`."""
    flagged = table.loc[table["flags"] != ""]
    flags = flagged["flags"].str.split(SEPARATOR)
    return flagged.assign(flag=flags).explode("flag", ignore_index=True)


def with_device(table: pd.DataFrame) -> pd.DataFrame:
    """Return `table` with the column `device`: the last part of the recording's readable name."""
    return table.assign(device=table["recording_id"].str.rsplit(".", n=1).str[-1])


def defined(metrics: pd.DataFrame, undefined_flags: Collection[str]) -> pd.DataFrame:
    """Return the values without those that do not exist for their landing.

    A landing with one peak of force has no second one: no value, and nothing that went wrong.
    """
    flags = metrics["flags"].str.split(SEPARATOR)
    named = flags.map(lambda of_value: not set(undefined_flags).isdisjoint(of_value)).astype(bool)
    return metrics.loc[~(named & metrics["value"].isna())].reset_index(drop=True)


def recording_shares(recordings: pd.DataFrame) -> Estimates:
    """Return recordings by site and device; by task the share usable and each flag as well."""
    numbers = Estimates("quality_recordings")
    for (site, device), rows in grouped(recordings, ["site", "device"]):
        numbers.add((site, device), "recordings", "count", len(rows), site=site, unit="recordings")
    keys = ["site", "device", "task"]
    for (site, device, task), rows in grouped(recordings, keys):
        place = (site, device, task)
        usable = int(rows["usable"].sum())
        numbers.add(
            place, "recordings", "count", len(rows), site=site, task=task, unit="recordings"
        )
        numbers.add(
            place, "usable", "share", usable / len(rows), site=site, task=task, unit="share"
        )
    flagged = one_row_per_flag(recordings)
    for (site, device, task, flag), rows in grouped(flagged, [*keys, "flag"]):
        numbers.add(
            (site, device, task),
            (flag,),
            "flagged",
            len(rows),
            site=site,
            task=task,
            unit="recordings",
        )
    return numbers


def value_shares(metrics: pd.DataFrame) -> Estimates:
    """Return metric values, the share valid and how often each flag, by site, device and task."""
    numbers = Estimates("quality_values")
    table = with_device(metrics)
    keys = ["site", "device", "sensor", "task"]
    totals: dict[tuple[str, ...], int] = {}
    for (site, device, sensor, task), rows in grouped(table, keys):
        where = (site, device, sensor, task)
        totals[where] = len(rows)
        valid = int(rows["valid"].sum())
        named: EstimateFields = {"site": site, "sensor": sensor, "task": task}
        numbers.add(where, "values", "count", len(rows), **named)
        numbers.add(where, "valid", "share", valid / len(rows), **named)
    flagged = one_row_per_flag(table)
    for (site, device, sensor, task, flag), rows in grouped(flagged, [*keys, "flag"]):
        total = totals[site, device, sensor, task]
        numbers.add(
            (site, device, sensor, task),
            flag,
            "flagged_share",
            len(rows) / total,
            site=site,
            sensor=sensor,
            task=task,
            unit="share",
            note="share of the values that carry the flag; a flag excludes only where the "
            "processing settings say so",
        )
    return numbers


def landing_shares(landings: pd.DataFrame) -> Estimates:
    """Return landings and the share valid by site and task, and how often each flag."""
    numbers = Estimates("quality_landings")
    for (site, task), rows in grouped(landings, ["site", "task"]):
        share = float(rows["valid"].mean())
        numbers.add((site, task), "landings", "count", len(rows), site=site, task=task)
        numbers.add((site, task), "valid", "share", share, site=site, task=task, unit="share")
    for (site, task, flag), rows in grouped(one_row_per_flag(landings), ["site", "task", "flag"]):
        numbers.add((site, task), flag, "flagged", len(rows), site=site, task=task)
    return numbers


def _named(ids: Sequence[str]) -> str:
    shown = joined(ids[:NAMED_AT_MOST])
    return shown + (" and others" if len(ids) > NAMED_AT_MOST else "")


def flagged_recordings(recordings: pd.DataFrame, metrics: pd.DataFrame) -> pd.DataFrame:
    """Return recording and flag, each pair once: from recordings and from the values they gave."""
    columns = ["site", "device", "recording_id", "flag"]
    of_files = one_row_per_flag(recordings)[columns]
    of_values = one_row_per_flag(with_device(metrics))[columns]
    pairs = pd.concat([of_files, of_values], ignore_index=True).drop_duplicates()
    return pairs.sort_values(columns, ignore_index=True)


def nuisances_found(
    recordings: pd.DataFrame, metrics: pd.DataFrame, cohort: pd.DataFrame
) -> Estimates:
    """Return how many recordings carry each flag and where, and the special cases of athletes."""
    numbers = Estimates("nuisances")
    for (flag,), rows in grouped(flagged_recordings(recordings, metrics), ["flag"]):
        devices = sorted({f"{d} at {s}" for s, d in zip(rows["site"], rows["device"], strict=True)})
        numbers.add(
            flag,
            "all",
            "count",
            len(rows),
            unit="recordings",
            note=f"{joined(devices)}; recordings {_named(rows['recording_id'].tolist())}",
        )
        for (site, device), part in grouped(rows, ["site", "device"]):
            numbers.add(flag, (site, device), "count", len(part), site=site, unit="recordings")
    cases = {
        "bilateral_case": cohort["injured_side"] == "both",
        "event_before_clearance": cohort["excluded_because"] == EVENT_BEFORE_CLEARANCE,
    }
    meaning = {
        "bilateral_case": "both knees operated: each knee counts as involved, limb contrasts are "
        "not defined",
        "event_before_clearance": "left out of the landmark cohort",
    }
    for case, chosen in cases.items():
        ids = cohort.loc[chosen, "athlete_id"].sort_values().tolist()
        note = meaning[case] + (f"; athletes {_named(ids)}" if ids else "")
        numbers.add(case, "all", "count", len(ids), unit="athletes", note=note)
    return numbers


def exclusion_counts(exclusions: pd.DataFrame) -> Estimates:
    """Return how many recordings, landings, values and athletes were left out for each reason."""
    numbers = Estimates("exclusions")
    for (level, reason), rows in grouped(exclusions, ["level", "reason"]):
        note = str(rows["detail"].iloc[0])
        numbers.add(level, reason, "count", len(rows), unit=f"{level}s", note=note)
        for (site,), part in grouped(rows, ["site"]):
            numbers.add((level, site), reason, "count", len(part), site=site, unit=f"{level}s")
    return numbers


def data_quality(
    *,
    recordings: Path,
    landings: Path,
    metrics: Path,
    exclusions: list[Path],
    cohort: Path,
    estimates: Path,
    quality: Mapping[str, Any],
) -> None:
    """Write the shares of usable data, the flags, the nuisances and the exclusions."""
    files, people = read_table(recordings), read_table(cohort)
    values = defined(read_table(metrics), quality["undefined_flags"])
    inputs = {"recordings": recordings, "landings": landings, "metrics": metrics, "cohort": cohort}
    write_estimates(
        estimates,
        recording_shares(files),
        landing_shares(read_table(landings)),
        value_shares(values),
        nuisances_found(files, values, people),
        exclusion_counts(pd.concat([read_table(path) for path in exclusions], ignore_index=True)),
        step=STEP,
        inputs=inputs | {f"exclusions_{n}": path for n, path in enumerate(exclusions)},
    )
