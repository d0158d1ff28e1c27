"""Rows of the table `estimates`: every number of the analysis, with its address and conventions.

An address reads `{analysis}.{outcome or metric}.{term}.{quantity}`, in lower case; a part of
several words joins them by dots (a metric with sensor and task). It depends on what the number
is, never on its value or its position, so that it stays the same from run to run.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, TypedDict, Unpack

import pandas as pd

from shared.blinding import how_permuted_in
from shared.provenance import code_version, sha256_of_file
from shared.schemas import Column, schema_of
from shared.sources import ROOT, sources_of
from shared.tables import concatenate, write_table

_NOT_IN_ADDRESS = re.compile(r"[^a-z0-9_]+")


class EstimateFields(TypedDict, total=False):
    """The columns of `estimates` that a row may set; text is '' and numbers are empty if not."""

    model: str
    outcome: str
    metric: str
    sensor: str
    task: str
    limb: str
    site: str
    unit: str
    se: float
    se_scale: str
    df: float
    df_method: str
    ci_low: float
    ci_high: float
    ci_level: float
    ci_type: str
    statistic: float
    statistic_kind: str
    p: float
    p_adjusted: float
    adjustment: str
    time_days: float
    n_athletes: int
    n_events: int
    n_trials: int
    rows_dropped: int
    missing_data: str
    data_sets: int
    n_filled: int
    n_clipped: int
    missing_information: float
    ties: str
    estimation: str
    horizon_days: float
    censoring: str
    converged: bool
    singular: bool
    family: str
    note: str
    hidden: str


def address_part(words: str | Sequence[str]) -> str:
    """Return one part of an address: lower case, words joined by dots, 'all' when empty."""
    pieces = [words] if isinstance(words, str) else words
    clean = [_NOT_IN_ADDRESS.sub("_", str(piece).lower()).strip("_") for piece in pieces]
    return ".".join(piece for piece in clean if piece) or "all"


def number_id(
    analysis: str, subject: str | Sequence[str], term: str | Sequence[str], quantity: str
) -> str:
    """Return the address of a number, e.g. `cox_primary.graft_rupture.age.hazard_ratio`."""
    return ".".join(address_part(part) for part in (analysis, subject, term, quantity))


def subjects_of(
    table: pd.DataFrame, analysis: str, term: str, quantity: str
) -> Iterator[tuple[str, ...]]:
    """Yield the subjects of an analysis for which a term and quantity exist, in their order.

    Each subject comes as the words of its part of the address.
    """
    rows = rows_of(table, analysis, quantity).sort_values("number_id", kind="stable")
    of_term = rows["term"].map(lambda text: address_part(text.split("."))) == address_part(term)
    for subject in rows.loc[of_term, "subject"]:
        yield tuple(subject.split("."))


def terms_of(
    table: pd.DataFrame, analysis: str, subject: str | Sequence[str], quantity: str
) -> Iterator[tuple[str, ...]]:
    """Yield the terms, as words, for which a subject of an analysis has a quantity, in order."""
    rows = rows_of(table, analysis, quantity).sort_values("number_id", kind="stable")
    for term in rows.loc[rows["subject"] == address_part(subject), "term"]:
        yield tuple(term.split("."))


class Estimates:
    """Collects the numbers of one analysis.

    Parameters
    ----------
    analysis
        First part of every address.
    common
        Columns that all its rows share (conventions such as ties, horizon, family); the family
        is "descriptive" unless it is given.
    """

    def __init__(self, analysis: str, **common: Unpack[EstimateFields]):
        self.analysis = analysis
        self._common: dict[str, Any] = {"family": "descriptive", **common}
        self._rows: list[dict[str, Any]] = []

    def add(
        self,
        subject: str | Sequence[str],
        term: str | Sequence[str],
        quantity: str,
        estimate: float | None,
        **fields: Unpack[EstimateFields],
    ) -> None:
        """Add one number; `fields` go before the common columns."""
        row: dict[str, Any] = {**self._common, **fields}
        row["number_id"] = number_id(self.analysis, subject, term, quantity)
        row["analysis"] = self.analysis
        row["subject"] = address_part(subject)
        row["term"] = term if isinstance(term, str) else ".".join(word for word in term if word)
        row["quantity"] = quantity
        row["estimate"] = estimate
        self._rows.append(row)

    def not_run(
        self, subject: str | Sequence[str], reason: str, **fields: Unpack[EstimateFields]
    ) -> None:
        """Say that an analysis was not run, and why: absence is never success."""
        fields["note"] = reason
        self.add(subject, "all", "not_run", None, **fields)

    def rows(self) -> list[dict[str, Any]]:
        """Return the rows as they were added."""
        return list(self._rows)


def refusals(
    analyses: Iterable[str],
    subject: str | Sequence[str],
    reason: str,
    **fields: Unpack[EstimateFields],
) -> list[Estimates]:
    """Return analyses none of which was run, for one reason."""
    found = [Estimates(analysis, **fields) for analysis in analyses]
    for refused in found:
        refused.not_run(subject, reason)
    return found


def _column(rows: Sequence[Mapping[str, Any]], column: Column) -> pd.Series:
    values = [row.get(column.name) for row in rows]
    if column.type == "string":
        texts = ["" if value is None else str(value) for value in values]
        return pd.Series(texts, dtype="object")
    empty = [None if _is_empty(value) else value for value in values]
    kinds = {"float64": "Float64", "int64": "Int64", "bool": "boolean"}
    return pd.Series(empty, dtype=kinds[column.type])


def _is_empty(value: Any) -> bool:
    return value is None or (isinstance(value, float) and math.isnan(value))


def estimates_table(*collections: Estimates) -> pd.DataFrame:
    """Return the rows of some analyses as the table `estimates`, in the order of their addresses.

    Raises
    ------
    ValueError
        A row sets a column that is not declared.
    """
    schema = schema_of("estimates")
    rows = [row for collection in collections for row in collection.rows()]
    unknown = sorted({name for row in rows for name in row} - set(schema.names))
    if unknown:
        raise ValueError(f"table estimates has no columns {unknown}")
    table = pd.DataFrame({column.name: _column(rows, column) for column in schema.columns})
    return table.sort_values("number_id", kind="stable", ignore_index=True)


class Provenance(TypedDict):
    """What `write_table` stores beside a table."""

    inputs: dict[str, str]
    code_version: str
    outcomes: str


def provenance(step: str, inputs: Mapping[str, Path]) -> Provenance:
    """Return the hashes of the input files of a step and the version of its code.

    What was done to outcomes in a blinded run passes from the inputs to all that is made of them.
    """
    return {
        "inputs": {name: sha256_of_file(path) for name, path in sorted(inputs.items())},
        "code_version": code_version(sources_of(step), ROOT),
        "outcomes": how_permuted_in(inputs.values()),
    }


def write_estimates(
    path: Path, *collections: Estimates, step: str, inputs: Mapping[str, Path]
) -> None:
    """Write the rows of some analyses as one file of the table `estimates`.

    Parameters
    ----------
    step
        Address of the step, "package.module:function".
    inputs
        Files that the step read, by name; their hashes go into the metadata.
    """
    write_table(estimates_table(*collections), path, "estimates", **provenance(step, inputs))


def collect_estimates(*, parts: list[Path], estimates: Path) -> None:
    """Step: join the estimates of all analyses; an address that stands twice is a fault."""
    table = concatenate(parts, "estimates", ["number_id"])
    inputs = {path.stem: path for path in parts}
    write_table(
        table, estimates, "estimates", **provenance("analysis.estimates:collect_estimates", inputs)
    )


def rows_of(table: pd.DataFrame, analysis: str, quantity: str) -> pd.DataFrame:
    """Return the rows of one analysis and quantity."""
    chosen = (table["analysis"] == analysis) & (table["quantity"] == quantity)
    return table.loc[chosen].reset_index(drop=True)


def joined(words: Iterable[str]) -> str:
    """Return words as a list for a note: 'a, b, c'."""
    return ", ".join(str(word) for word in words)
