"""The declared schemas of all tables; `table_schemas.yaml` beside this file is their only home."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from shared.own_yaml import read_own_yaml

SCHEMA_VERSION = "1"

_TYPES = ("string", "float64", "int64", "bool")


@dataclass(frozen=True)
class Column:
    """A column: its type, unit, whether it may be empty, which values it may take."""

    name: str
    type: str
    description: str
    unit: str = ""
    nullable: bool = False
    values: tuple[str, ...] = ()


@dataclass(frozen=True)
class Schema:
    """A table: what one row is, its columns and the columns that identify a row."""

    name: str
    row: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]
    open: bool = False

    @property
    def names(self) -> list[str]:
        """Names of the declared columns, in order."""
        return [column.name for column in self.columns]


def _column(name: str, text: str | dict[str, Any]) -> Column:
    # The short form is "type | unit | description"; a "?" after the type = may be empty.
    values: tuple[str, ...] = ()
    if isinstance(text, dict):
        values = tuple(text["values"])
        short = str(text["column"])
    else:
        short = text
    kind, unit, description = (part.strip() for part in short.split("|"))
    nullable = kind.endswith("?")
    kind = kind.rstrip("?")
    if kind not in _TYPES:
        raise ValueError(f"column {name}: type {kind!r} is not one of {_TYPES}")
    return Column(name, kind, description, unit, nullable, values)


@cache
def schemas() -> dict[str, Schema]:
    """Return all schemas by table name."""
    content = read_own_yaml(Path(__file__).with_name("table_schemas.yaml"))
    return {
        name: Schema(
            name,
            table["row"],
            tuple(table["key"]),
            tuple(_column(column, text) for column, text in table["columns"].items()),
            bool(table.get("open", False)),
        )
        for name, table in content.items()
    }


def schema_of(table: str) -> Schema:
    """Return the schema of a table; `KeyError` names the known ones."""
    known = schemas()
    if table not in known:
        raise KeyError(f"no table {table!r}; declared are {', '.join(sorted(known))}")
    return known[table]
