"""Read and write the project's tables: checked against their schema, whole or not at all."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from shared.blinding import KEY
from shared.schemas import SCHEMA_VERSION, Column, Schema, schema_of

_ARROW_TYPES = {
    "string": pa.string(),
    "float64": pa.float64(),
    "int64": pa.int64(),
    "bool": pa.bool_(),
}


class TableError(ValueError):
    """A table does not keep to its declared schema (a fault of the code, not of the user)."""


def arrow_schema(schema: Schema) -> pa.Schema:
    """Return the Arrow schema of a declared table, units in the field metadata."""
    return pa.schema([_field(column) for column in schema.columns])


def _field(column: Column) -> pa.Field:
    metadata = {"description": column.description}
    if column.unit:
        metadata["unit"] = column.unit
    return pa.field(column.name, _ARROW_TYPES[column.type], column.nullable, metadata)


def empty_table(name: str) -> pd.DataFrame:
    """Return a table with the declared columns and no rows."""
    return arrow_schema(schema_of(name)).empty_table().to_pandas()


def _check_columns(names: Sequence[str], schema: Schema) -> None:
    missing = [name for name in schema.names if name not in names]
    extra = [name for name in names if name not in schema.names]
    if missing or (extra and not schema.open):
        raise TableError(f"table {schema.name}: missing {missing}, not declared {extra}")


def _check_values(table: pa.Table, schema: Schema) -> None:
    for column in schema.columns:
        values = table.column(column.name)
        if values.null_count and not column.nullable:
            raise TableError(
                f"table {schema.name}, column {column.name}: {values.null_count} empty values"
            )
        if column.values:
            found = {value for value in values.unique().to_pylist() if value is not None}
            if strange := sorted(found - set(column.values)):
                raise TableError(f"table {schema.name}, column {column.name}: values {strange}")


def _rises(keys: pa.Table) -> bool:
    """Tell whether each row comes strictly after the one before, column by column."""
    later, equal = None, None
    for name in keys.column_names:
        values = keys.column(name).combine_chunks()
        before, after = values.slice(0, len(values) - 1), values.slice(1)
        above = pc.greater(after, before)
        later = above if later is None else pc.or_(later, pc.and_(equal, above))
        same = pc.equal(after, before)
        equal = same if equal is None else pc.and_(equal, same)
    return later is not None and pc.all(later).as_py() is not False


def _check_key(table: pa.Table, schema: Schema) -> None:
    keys = table.select(schema.key)
    if keys.num_rows < 2 or _rises(keys):  # most tables come sorted: 20 x faster than grouping
        return
    if keys.group_by(list(schema.key), use_threads=False).aggregate([]).num_rows < keys.num_rows:
        rows = keys.to_pandas()
        first = rows.loc[rows.duplicated()].iloc[0].to_dict()
        raise TableError(f"table {schema.name}: the key {first} stands in more than one row")


def _from_pandas(table: pd.DataFrame, schema: Schema, lenient: pa.Schema) -> pa.Table:
    _check_columns([str(name) for name in table.columns], schema)
    arrow = pa.Table.from_pandas(table[schema.names], schema=lenient, preserve_index=False)
    for column in table.columns:
        if column not in schema.names:
            arrow = arrow.append_column(column, pa.Array.from_pandas(table[column]))
    return arrow


def _from_arrow(table: pa.Table, schema: Schema, lenient: pa.Schema) -> pa.Table:
    _check_columns(table.column_names, schema)
    wanted = pa.schema([*lenient, *_undeclared(table, schema)])
    return table.select(wanted.names).cast(wanted)


def _undeclared(table: pa.Table, schema: Schema) -> list[pa.Field]:
    return [field for field in table.schema if field.name not in schema.names]


def to_arrow(table: pd.DataFrame | pa.Table, name: str) -> pa.Table:
    """Return `table` as Arrow, checked: columns, types, empty values, allowed values, key.

    Undeclared columns are kept, after the declared ones, only where the schema is open.
    """
    schema = schema_of(name)
    target = arrow_schema(schema)
    # Empty values are counted per column below, so the conversion itself lets them pass.
    lenient = pa.schema([field.with_nullable(True) for field in target])
    convert = _from_arrow if isinstance(table, pa.Table) else _from_pandas
    try:
        arrow = convert(table, schema, lenient)
    except (pa.ArrowInvalid, pa.ArrowTypeError) as error:
        raise TableError(f"table {name}: {error}") from error
    _check_values(arrow, schema)
    _check_key(arrow, schema)
    return arrow.cast(pa.schema([*target, *_undeclared(arrow, schema)]))


def write_table(
    table: pd.DataFrame | pa.Table,
    path: Path,
    name: str,
    *,
    inputs: Mapping[str, str] | None = None,
    code_version: str = "",
    outcomes: str = "",
) -> None:
    """Write a table as Parquet under a temporary name, then move it into place.

    Metadata: table name, schema version, units per column, hashes of the inputs, code version,
    and in a blinded run what was done to the outcomes behind the table (`shared/blinding.py`).
    Two calls with the same content write the same bytes.
    """
    arrow = to_arrow(table, name)
    units = {column.name: column.unit for column in schema_of(name).columns if column.unit}
    metadata = {
        "table": name,
        "schema_version": SCHEMA_VERSION,
        "units": json.dumps(units, sort_keys=True, ensure_ascii=False),
        "inputs": json.dumps(dict(sorted((inputs or {}).items()))),
        "code_version": code_version,
    }
    if outcomes:
        metadata[KEY] = outcomes
    arrow = arrow.replace_schema_metadata(metadata)
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = path.with_name(f".{path.name}.part")
    # Measured numbers hardly repeat: a dictionary of them takes longer and makes files larger.
    repeating = [field.name for field in arrow.schema if not pa.types.is_floating(field.type)]
    pq.write_table(arrow, temporary, compression="zstd", use_dictionary=repeating)
    temporary.replace(path)


def read_table(path: Path, columns: Sequence[str] | None = None) -> pd.DataFrame:
    """Return a table; empty strings and empty values are kept apart."""
    return pq.read_table(path, columns=list(columns) if columns else None).to_pandas()


def read_rows_of(path: Path, column: str, among: Iterable[str]) -> list[dict[str, Any]]:
    """Return the rows of a table that have one of some words in a column; None is empty."""
    table = pq.read_table(path, use_threads=False)
    wanted = pa.array(sorted(among), pa.string())
    rows: list[dict[str, Any]] = table.filter(pc.is_in(table[column], wanted)).to_pylist()
    return rows


def read_metadata(path: Path) -> dict[str, str]:
    """Return the metadata that `write_table` stored, without opening the data."""
    raw = pq.read_schema(path).metadata or {}
    return {key.decode(): value.decode() for key, value in raw.items() if key != b"ARROW:schema"}


def concatenate(paths: Iterable[Path], name: str, order: Sequence[str]) -> pd.DataFrame:
    """Return the rows of several files of one table, in the order of the given columns."""
    tables = [pq.read_table(path) for path in paths]
    joined = pa.concat_tables(tables) if tables else arrow_schema(schema_of(name)).empty_table()
    return joined.sort_by([(column, "ascending") for column in order]).to_pandas()


def write_text(text: str, path: Path) -> None:
    """Write text under a temporary name, then move it into place."""
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = path.with_name(f".{path.name}.part")
    temporary.write_text(text, encoding="utf-8", newline="\n")
    temporary.replace(path)
