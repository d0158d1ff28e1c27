"""Do tables keep to their schema, and do the rows of later tables come from earlier ones?"""

from __future__ import annotations

import json
from collections.abc import Iterator

import numpy as np
import pandas as pd
import pyarrow.parquet as pq

from analysis.audit.check.finding import Files, Finding, differing
from shared.layout import SHARD_TABLES
from shared.schemas import SCHEMA_VERSION, schema_of
from shared.tables import TableError, to_arrow

_MOST = 20  # findings of one kind in one table; more would hide the others
_DECIDED_LATER = ("valid", "flags", "usable", "duplicate_of", "reason", "detail", "rejected")
"""Columns that duplicates and rejections by hand may change when shards are joined."""
_TOLERANCE = 1e-12


def schemas(files: Files) -> Iterator[Finding]:
    """Every table against its declared schema, key, order and metadata."""
    for path in files.all:
        if path.suffix != ".parquet":
            continue
        name = files.name(path)
        if fault := files.fault(path):
            yield Finding(name, f"cannot be opened: {fault}", "a table")
            continue
        metadata = files.metadata(path)
        try:
            schema = schema_of(metadata.get("table", ""))
        except (KeyError, ValueError):
            yield Finding(name, f"metadata name the table {metadata.get('table')!r}", "its name")
            continue
        units = {column.name: column.unit for column in schema.columns if column.unit}
        if metadata.get("schema_version") != SCHEMA_VERSION:
            yield Finding(name, f"schema {metadata.get('schema_version')}", SCHEMA_VERSION)
        if json.loads(metadata.get("units", "{}")) != units:
            yield Finding(name, "units in the metadata differ", "the units of the schema")
        try:
            to_arrow(pq.read_table(path), schema.name)
        except TableError as error:
            yield Finding(name, str(error), "a table that keeps to its schema")


def _limited(found: Iterator[Finding]) -> Iterator[Finding]:
    for number, finding in enumerate(found):
        if number == _MOST:
            yield Finding(finding.place.partition(":")[0], "more of the same", "none")
            return
        yield finding


def joined_shards(files: Files) -> Iterator[Finding]:
    """The joined tables against those of the shards, apart from what joining decides."""
    for name in SHARD_TABLES:
        parts = sorted((files.results / "extraction").glob(f"*/{name}.parquet"))
        joined = files.table(f"tables/{name}")
        tables = [files.table(files.name(part).removesuffix(".parquet")) for part in parts]
        shards = [table for table in tables if table is not None]
        if joined is None or len(shards) < len(tables) or not shards:
            continue
        if name in ("exclusions", "waveforms", "flagged_waveforms"):
            continue  # joining adds exclusions and drops curves; the hashes vouch for them
        yield from _limited(_against_shards(name, joined, pd.concat(shards, ignore_index=True)))


def _against_shards(name: str, joined: pd.DataFrame, shards: pd.DataFrame) -> Iterator[Finding]:
    schema = schema_of(name)
    columns = [c for c in schema.names if c not in (*schema.key, *_DECIDED_LATER)]
    for key, column, found, expected in differing(joined, shards, list(schema.key), columns):
        yield Finding(
            f"tables/{name}: {key}, {column}", str(found), f"{expected} (shards of the extraction)"
        )


def _recomputed(metrics: pd.DataFrame) -> pd.DataFrame:
    """Return mean and number of valid values by athlete and condition, by plain pandas."""
    key = list(schema_of("summaries").key)
    valid = metrics.loc[metrics["valid"]]
    total = metrics.groupby(key, sort=True).size().rename("n_total").reset_index()
    means = valid.groupby(key, sort=True)["value"].agg(["mean", "size"]).reset_index()
    return total.merge(means.rename(columns={"size": "n_valid"}), on=key, how="left")


def summaries(files: Files) -> Iterator[Finding]:
    """Summaries of athletes against means and counts of the landings."""
    metrics, held = files.table("tables/metrics"), files.table("tables/summaries")
    if metrics is not None and held is not None:
        yield from _limited(_against_landings(metrics, held))


def _against_landings(metrics: pd.DataFrame, held: pd.DataFrame) -> Iterator[Finding]:
    key = list(schema_of("summaries").key)
    again = _recomputed(metrics).fillna({"n_valid": 0})
    pair = held.merge(again, on=key, how="outer", suffixes=("", "|"))
    for column in ("mean", "n_valid", "n_total"):
        one = pair[column].astype("float64").to_numpy()
        other = pair[f"{column}|"].astype("float64").to_numpy()
        same = np.isclose(one, other, rtol=_TOLERANCE, atol=_TOLERANCE, equal_nan=True)
        for row in pair.loc[~same, [*key, column, f"{column}|"]].itertuples(index=False):
            place = "/".join(str(value) for value in row[: len(key)])
            yield Finding(
                f"tables/summaries: {place}, {column}", str(row[-2]), f"{row[-1]} (landings)"
            )


def sources(files: Files) -> Iterator[Finding]:
    """Every value of a landing against landings and recordings."""
    metrics, landings = files.table("tables/metrics"), files.table("tables/landings")
    if metrics is None or landings is None:
        return
    known = set(landings["landing_id"])
    for name in sorted(set(metrics["landing_id"]) - known)[:_MOST]:
        yield Finding(f"tables/metrics: {name}", "values of a landing", "a row of `landings`")
