"""What the parts of the methods text share."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from markupsafe import Markup


@dataclass(frozen=True)
class Methods:
    """Paragraphs under one heading."""

    heading: str
    paragraphs: tuple[Markup, ...]


def listed(items: list[Any]) -> Markup:
    """Return items as words: a, b and c."""
    parts = [Markup("{}").format(item) for item in items]
    if len(parts) < 2:
        return Markup("").join(parts)
    return Markup(", ").join(parts[:-1]) + " and " + parts[-1]
