"""How far values derived a second time lie from the table `metrics`: numbers of groups only."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from analysis.estimates import EstimateFields, Estimates

ANALYSIS = "rederived"
_FORCE = ("force_share", 100.0, "%")
_TIME = ("time_ms", 1.0, "ms")

_KINDS: dict[str, tuple[str, float, str]] = {
    "peak_vgrf": _FORCE,
    "impulse_first_100_ms": _FORCE,
    "impulse_to_lowest_point": _FORCE,
    "net_braking_impulse": _FORCE,
    "average_loading_rate": ("loading_rate_share", 100.0, "%"),
    "peak_waist_acceleration": ("acceleration_share", 100.0, "%"),
    "flight_time": _TIME,
    "contact_time": _TIME,
    "knee_flexion_excursion": ("angle_deg", 1.0, "deg"),
}
"""Metric -> name of its limit, factor from the limit to the unit of the difference, that unit."""


@dataclass(frozen=True, slots=True)
class Scale:
    """The unit in which a metric's differences are told, and their limit in it."""

    unit: str
    limit: float


def scale_of(metric: str, limits: Mapping[str, float]) -> Scale:
    """Return unit and limit of a metric's differences."""
    name, factor, unit = _KINDS[metric]
    return Scale(unit, factor * limits[name])


def differences(pairs: pd.DataFrame, unit: str) -> pd.Series:
    """Return second value minus the one in the table, in %, ms or degrees.

    Parameters
    ----------
    pairs
        Columns value (of the table) and second, in the unit of the table: s for times.
    """
    apart = pairs["second"] - pairs["value"]
    if unit == "%":
        return 100.0 * apart / pairs["value"].abs()
    return 1000.0 * apart if unit == "ms" else apart


def compare(
    numbers: Estimates, metric: str, sensor: str, pairs: pd.DataFrame, plan: Mapping[str, Any]
) -> None:
    """Add how one metric of one sensor compares; says `not_run` where nothing could be compared.

    Parameters
    ----------
    pairs
        Columns athlete_id, value and second; the latter is empty where it was not derived.
    """
    subject = (metric, sensor)
    fields: EstimateFields = {"metric": metric, "sensor": sensor}
    derived = pairs.loc[pairs["second"].notna()]
    if derived.empty:
        numbers.not_run(subject, "no value of the sample could be derived again", **fields)
        return
    scale = scale_of(metric, plan)
    apart = differences(derived, scale.unit)
    outside = int((apart.abs() > scale.limit).sum())
    fields["n_athletes"] = int(derived["athlete_id"].nunique())
    fields["n_trials"] = len(derived)
    counted: dict[str, tuple[float, str]] = {
        "compared": (len(derived), "values"),
        "not_derived": (len(pairs) - len(derived), "values"),
        "outside": (outside, "values"),
        "limit": (scale.limit, scale.unit),
        "median_difference": (float(apart.median()), scale.unit),
        "largest_difference": (float(apart.loc[apart.abs().idxmax()]), scale.unit),
    }
    for quantity, (value, unit) in counted.items():
        numbers.add(subject, "all", quantity, value, unit=unit, **fields)
    allowed = plan["outside_share"] * len(derived)
    numbers.add(
        subject,
        "all",
        "passed",
        float(outside <= allowed),
        unit="1 = passed, 0 = failed",
        note=f"{outside} of {len(derived)} values beyond {scale.limit:g} {scale.unit}",
        **fields,
    )
