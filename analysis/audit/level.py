"""One screen of the way back, and how rows are written on it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import pandas as pd

SHOWN = 12
"""Rows that fit on a screen beside their heading."""


@dataclass(frozen=True)
class Level:
    """One screen of the way back."""

    title: str
    lines: tuple[str, ...]


def number_text(value: Any) -> str:
    """Return a value as a screen shows it."""
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def listed(rows: pd.DataFrame, columns: list[str]) -> list[str]:
    """Return some rows as lines, in their order, and how many more there are."""
    shown = rows[columns].head(SHOWN)
    text = shown.to_string(index=False, float_format=lambda value: f"{value:.6g}")
    more = len(rows) - len(shown)
    return [*text.splitlines(), *([f"... and {more} more"] if more > 0 else [])]


def named(names: Iterable[str], most: int = 3) -> str:
    """Return some names and how many more there are."""
    every = [str(name) for name in names]
    more = len(every) - most
    return ", ".join(every[:most]) + (f" and {more} more" if more > 0 else "")
