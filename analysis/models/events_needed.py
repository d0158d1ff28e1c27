"""Whether a model has events enough for its coefficients, by the rule of the plan."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def too_few(events: int, coefficients: int, plan: Mapping[str, Any]) -> str:
    """Return why a model is not tried with these events, '' when they suffice."""
    least = plan["sensitivity"]["specifications"]["least_events_per_coefficient"]
    if events >= least * coefficients:
        return ""
    return (
        f"events: {events}, coefficients: {coefficients}; planned for at least {least:g} events "
        "per coefficient"
    )
