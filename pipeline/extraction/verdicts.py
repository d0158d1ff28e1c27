"""Verdicts on whole recordings that only the study tells: duplicates and manual rejections."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from pipeline.quality.flags import is_valid, join_flags, split_flags
from pipeline.reasons import Reason
from shared.errors import Problem, StudyError
from shared.schemas import schema_of
from shared.withdrawals import athlete_of

STEP = "collect"


@dataclass(frozen=True)
class Verdict:
    """A recording that must not be used, the flag that says why, and the same for a person."""

    recording_id: str
    flag: str
    detail: str


def duplicates(recordings: pd.DataFrame) -> list[Verdict]:
    """Find files that stand under more than one recording; the first, by its id, is kept."""
    known = recordings.loc[recordings["sha256"] != ""].sort_values("recording_id")
    first = known.groupby("sha256", sort=False)["recording_id"].transform("first")
    copies = known.assign(first=first).loc[known["recording_id"] != first]
    return [
        Verdict(copy, Reason.DUPLICATE_RECORDING, f"the same file as {original}")
        for copy, original in zip(copies["recording_id"], copies["first"], strict=True)
    ]


def _read_study_table(path: Path) -> pd.DataFrame:
    if path.suffix == ".parquet":
        return pd.read_parquet(path)
    # The separator is found by the reader: comma, semicolon or tab.
    return pd.read_csv(
        path, sep=None, engine="python", dtype=str, keep_default_na=False, encoding="utf-8-sig"
    )


def read_rejections(
    paths: Sequence[Path], withdrawn: Collection[str] = frozenset()
) -> pd.DataFrame:
    """Read the optional study table of manual rejections (recording_id, reason).

    Rows of athletes who withdrew their consent are left out: they have no recordings any more.
    The column `row` counts as a spreadsheet does.

    Raises
    ------
    StudyError
        A column is missing.
    """
    columns = ["recording_id", "reason"]
    tables = [pd.DataFrame(columns=[*columns, "source", "row"], dtype="object")]
    problems = []
    for path in paths:
        table = _read_study_table(path)
        problems += [
            Problem(
                "stops_study",
                "missing_column",
                path.name,
                1,
                column,
                f"columns {', '.join(map(str, table.columns))}",
                "columns recording_id and reason",
                "name the column so, or add it",
            )
            for column in columns
            if column not in table.columns
        ]
        tables.append(table.assign(source=path.name, row=range(2, len(table) + 2)))
    if problems:
        raise StudyError(problems)
    rows = pd.concat(tables, ignore_index=True)
    owner = rows["recording_id"].map(athlete_of)
    return rows.loc[~owner.isin(withdrawn)].reset_index(drop=True)


def rejections_to_verdicts(rejections: pd.DataFrame, recordings: pd.DataFrame) -> list[Verdict]:
    """Turn manual rejections into verdicts.

    Raises
    ------
    StudyError
        A rejected recording does not exist: a misspelt id would silently reject nothing.
    """
    known = set(recordings["recording_id"])
    problems = [
        Problem(
            "stops_study",
            "unknown_recording",
            rejections["source"].iloc[position],
            int(rejections["row"].iloc[position]),
            "recording_id",
            repr(name),
            "the id of a recording, as in the table recordings",
            "correct the id, or remove the row",
        )
        for position, name in enumerate(rejections["recording_id"])
        if name not in known
    ]
    if problems:
        raise StudyError(problems)
    unique = rejections.drop_duplicates("recording_id").sort_values("recording_id")
    return [
        Verdict(name, Reason.OPERATOR_REJECT, str(reason))
        for name, reason in zip(unique["recording_id"], unique["reason"], strict=True)
    ]


def _flags_by_recording(verdicts: Sequence[Verdict]) -> dict[str, tuple[str, ...]]:
    flags: dict[str, tuple[str, ...]] = {}
    for verdict in verdicts:
        flags[verdict.recording_id] = (*flags.get(verdict.recording_id, ()), verdict.flag)
    return flags


def _with_verdicts(
    table: pd.DataFrame, added: Mapping[int, tuple[str, ...]], excluding: Collection[str]
) -> pd.DataFrame:
    """Add flags to rows, named by their place in the table, and judge them again."""
    flags, valid = table["flags"].tolist(), table["valid"].tolist()
    for row, more in added.items():
        flags[row] = join_flags((*split_flags(flags[row]), *more))
        valid[row] = valid[row] and is_valid(more, excluding)
    return table.assign(flags=flags, valid=valid)


def apply_to_recordings(recordings: pd.DataFrame, verdicts: Sequence[Verdict]) -> pd.DataFrame:
    """Flag the recordings of the verdicts, make them unusable and add the reason."""
    result = recordings.copy()
    rows = pd.Series(recordings.index, index=recordings["recording_id"])
    for verdict in verdicts:
        row = rows[verdict.recording_id]
        flags = (*split_flags(result.loc[row, "flags"]), verdict.flag)
        reasons = [text for text in (result.loc[row, "reason"], verdict.detail) if text]
        result.loc[row, "flags"] = join_flags(flags)
        result.loc[row, "reason"] = "; ".join(reasons)
        result.loc[row, "usable"] = False
    return result


def apply_to_landings(
    landings: pd.DataFrame, verdicts: Sequence[Verdict], excluding: Collection[str]
) -> pd.DataFrame:
    """Flag the landings whose events come from a recording of the verdicts."""
    flags = _flags_by_recording(verdicts)
    used = enumerate(landings["event_recording_id"])
    return _with_verdicts(
        landings, {row: flags[name] for row, name in used if name in flags}, excluding
    )


def apply_to_metrics(
    metrics: pd.DataFrame,
    metric_sources: pd.DataFrame,
    verdicts: Sequence[Verdict],
    excluding: Collection[str],
) -> pd.DataFrame:
    """Flag the values that used a recording of the verdicts, for themselves or for their events."""
    key = list(schema_of("metrics").key)
    flags = _flags_by_recording(verdicts)
    used = metric_sources.loc[metric_sources["recording_id"].isin(flags.keys())]
    rows = pd.MultiIndex.from_frame(metrics[key]).get_indexer(pd.MultiIndex.from_frame(used[key]))
    added: dict[int, tuple[str, ...]] = {}
    for row, name in zip(rows.tolist(), used["recording_id"], strict=True):
        added[row] = (*added.get(row, ()), *flags[name])
    return _with_verdicts(metrics, added, excluding)


def exclusions_of_verdicts(verdicts: Sequence[Verdict], recordings: pd.DataFrame) -> pd.DataFrame:
    """Return the verdicts as rows of the table `exclusions`."""
    site = dict(zip(recordings["recording_id"], recordings["site"], strict=True))
    return pd.DataFrame(
        [
            ("recording", v.recording_id, site[v.recording_id], STEP, str(v.flag), v.detail)
            for v in verdicts
        ],
        columns=schema_of("exclusions").names,
        dtype="object",
    )
