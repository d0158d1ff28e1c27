"""Step: `datapackage.json`, a description of the written tables by the Table Schema standard."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from shared.blinding import how_permuted_in, mark_in
from shared.provenance import sha256_of_file
from shared.schemas import Column, Schema, schema_of
from shared.tables import read_metadata, write_text

_TYPES = {"string": "string", "float64": "number", "int64": "integer", "bool": "boolean"}


def _field(column: Column) -> dict[str, Any]:
    field: dict[str, Any] = {
        "name": column.name,
        "type": _TYPES[column.type],
        "description": column.description,
    }
    if column.unit:
        field["unit"] = column.unit
    constraints: dict[str, Any] = {}
    if not column.nullable:
        constraints["required"] = True
    if column.values:
        constraints["enum"] = list(column.values)
    if constraints:
        field["constraints"] = constraints
    return field


def _undeclared(arrow: pa.Schema, schema: Schema) -> list[dict[str, Any]]:
    # Open tables carry further columns; their type is that of the file.
    kinds = ((pa.types.is_floating, "number"), (pa.types.is_integer, "integer"),
             (pa.types.is_boolean, "boolean"))  # fmt: skip
    return [
        {
            "name": field.name,
            "type": next((kind for is_kind, kind in kinds if is_kind(field.type)), "string"),
        }
        for field in arrow
        if field.name not in schema.names
    ]


def describe_table(path: Path, package: Path) -> dict[str, Any]:
    """Return the resource of one Parquet table: schema, size, hash, path from the package."""
    schema = schema_of(read_metadata(path)["table"])
    permuted = how_permuted_in([path])
    fields = [_field(column) for column in schema.columns]
    return {
        "name": path.stem.replace("_", "-"),
        "type": "table",
        "path": Path(os.path.relpath(path, package.parent)).as_posix(),
        "scheme": "file",
        "format": "parquet",
        "mediatype": "application/vnd.apache.parquet",
        "description": f"one row per {schema.row}" + (f"; outcomes {permuted}" if permuted else ""),
        "bytes": path.stat().st_size,
        "hash": f"sha256:{sha256_of_file(path)}",
        "schema": {
            "fields": fields + _undeclared(pq.read_schema(path), schema),
            "primaryKey": list(schema.key),
            # An empty string is a value here ("none"); only an empty cell is missing.
            "missingValues": [],
        },
    }


def write_datapackage(*, tables: list[Path], datapackage: Path, title: str) -> None:
    """Write the description of all tables beside them; paths are relative, no clock time."""
    words = mark_in(*tables)
    package = {
        "profile": "data-package",
        "name": "landing-cohort-tables",
        "title": f"{words}. {title}" if words else title,
        "resources": [describe_table(path, datapackage) for path in sorted(tables)],
    }
    write_text(json.dumps(package, indent=1, ensure_ascii=False) + "\n", datapackage)
