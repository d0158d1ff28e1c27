"""Step: what each metric and each calibration delivered, for the team's own quality control.

Counted from the flags and calibrations that the pipeline wrote; nothing is decided anew, and no
athlete is named.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from pathlib import Path
from typing import Any

import pandas as pd

from analysis.estimates import EstimateFields, Estimates, write_estimates
from analysis.models.clock_quality import clock_quality
from analysis.models.grouped import grouped
from analysis.models.landing_quality import (
    identity_quality,
    saturation_quality,
    valid_trials,
)
from analysis.models.quality import defined, one_row_per_flag
from analysis.models.time_base_quality import time_base_quality
from shared.channels import AXES
from shared.tables import read_table
from shared.units import STANDARD_GRAVITY

STEP = "analysis.models.sensor_quality:sensor_quality"

_SHOWN = {
    "gyro": ("deg/s", 180.0 / math.pi),
    "accelerometer": ("mg", 1000.0 / STANDARD_GRAVITY),
    "plate": ("N", 1.0),
    "weighing": ("N", 1.0),
    "camera": ("deg", 180.0 / math.pi),
}
"""Kind of sensor, or weighing -> unit in which its noise is shown, and the factor from SI."""

_KINDS = {
    "thigh": "gyro",
    "shank": "gyro",
    "waist": "accelerometer",
    "reference": "accelerometer",
    "plate": "plate",
    "knee": "camera",
}
HIGH_SHARE = 0.95
_TRUE_IS_ONE = frozenset(
    {"gain", *(f"gain_{axis}" for axis in AXES), *(f"scale_{axis}{axis}" for axis in AXES)}
)
"""Quantities of a bench calibration that are 1 for a true unit."""


def kind_of(location: str) -> str:
    """Return the kind of sensor at a location of the calibration tables (thigh.left ...)."""
    return _KINDS[location.partition(".")[0]]


def calibrated_at(location: str) -> str:
    """Return what a session calibrated: a kind of sensor, or "weighing".

    `plate` is the athlete weighed on all plates, `plate.left` one plate while empty: the sway of a
    person and the noise of a sensor are not the same thing.
    """
    return "weighing" if location == "plate" else kind_of(location)


def metric_quality(
    metrics: pd.DataFrame, undefined_flags: Collection[str], excluding_flags: Collection[str]
) -> Estimates:
    """Return values, share valid, share saturated and the most frequent reason of a loss.

    Values that do not exist for their landing are counted apart and are no part of a share.
    """
    numbers = Estimates("quality_metrics")
    existing = defined(metrics, undefined_flags)
    all_values = metrics.groupby(["metric", "sensor"], observed=True).size()
    for (metric, sensor), rows in grouped(existing, ["metric", "sensor"]):
        named: EstimateFields = {"metric": metric, "sensor": sensor}
        where = (metric, sensor)
        flags = one_row_per_flag(rows)["flag"]
        flags = flags[flags.isin(list(excluding_flags))].value_counts()
        # of equally frequent flags the first by name, so that the note does not depend on order
        reason = min(flags[flags == flags.max()].index) if len(flags) else ""
        undefined = int(all_values[metric, sensor]) - len(rows)
        numbers.add(where, "values", "count", len(rows), **named)
        numbers.add(where, "undefined", "count", undefined, **named)
        numbers.add(
            where, "valid", "share", float(rows["valid"].mean()), unit="share", note=reason, **named
        )
        saturated = float((rows["censoring"] == "right").mean())
        numbers.add(where, "saturated", "share", saturated, unit="share", **named)
    return numbers


def calibration_quality(calibrations: pd.DataFrame) -> Estimates:
    """Return how many session calibrations were accepted, the noise at rest and the drift.

    Noise is the standard deviation over the quiet stretch: median and 95th percentile over visits.
    """
    numbers = Estimates("quality_calibrations")
    table = calibrations.assign(sensor=calibrations["location"].map(calibrated_at))
    for (site, device, sensor, kind), rows in grouped(table, ["site", "device", "sensor", "kind"]):
        where = (site, device, sensor, kind)
        named: EstimateFields = {"site": site, "sensor": sensor}
        unit, factor = _SHOWN[sensor]
        numbers.add(where, "calibrations", "count", len(rows), **named)
        accepted = float(rows["accepted"].mean())
        numbers.add(where, "accepted", "share", accepted, unit="share", **named)
        if kind == "standing":  # what follows in the session takes what the bench said there
            applied = float(rows["bench"].isin(["applied", "checked"]).mean())
            numbers.add(where, "bench", "share", applied, unit="share", **named)
            for word in ("refused", "expired"):
                count = int((rows["bench"] == word).sum())
                numbers.add(where, f"bench_{word}", "count", count, **named)
        for column, term in (("spread", "noise"), ("change", "change")):
            values = rows[column].dropna().abs() * factor
            # At rest a spread is noise; while the leg moves it is not.
            if not len(values) or (term == "noise" and kind == "functional_flexion"):
                continue
            numbers.add(where, term, "median", float(values.median()), unit=unit, **named)
            high = float(values.quantile(HIGH_SHARE))
            numbers.add(where, term, "percentile", high, unit=unit, **named)
        explained = rows["explained_share"].dropna()
        if len(explained):
            numbers.add(
                where, "explained", "median", float(explained.median()), unit="share", **named
            )
            numbers.add(
                where, "explained", "smallest", float(explained.min()), unit="share", **named
            )
    return numbers


def _furthest(values: pd.Series) -> float | None:
    """Return the largest distance from zero; None where nothing was found."""
    found = values.dropna().abs()
    return float(found.max()) if len(found) else None


def bench_quality(units: pd.DataFrame) -> Estimates:
    """Return how many places of units were calibrated on the bench and accepted, and the worst.

    The largest residual; the scale or gain furthest from 1; of pairs of plates, the difference
    that the swap of one mass shows.
    """
    numbers = Estimates("quality_bench")
    table = units.assign(sensor=units["location"].map(kind_of))
    for (device, sensor, kind), rows in grouped(table, ["device", "sensor", "kind"]):
        where = (device, sensor, kind)
        each = rows.groupby(["unit_code", "location"], observed=True)["accepted"].all()
        numbers.add(where, "calibrations", "count", len(each), sensor=sensor)
        numbers.add(where, "accepted", "count", int(each.sum()), sensor=sensor)
        residual = rows.loc[rows["quantity"] == "residual"]
        off = rows.loc[rows["quantity"].isin(_TRUE_IS_ONE), "value"] - 1.0
        between = rows.loc[rows["quantity"] == "gain_mismatch", "value"]
        for term, value, unit in (
            ("residual", _furthest(residual["value"]), residual["unit"].max()),
            ("gain_error", _furthest(off), "share"),
            ("gain_mismatch", _furthest(between), "share"),
        ):
            if value is not None:
                numbers.add(where, term, "largest", value, unit=unit, sensor=sensor)
    return numbers


def sensor_quality(
    *,
    metrics: Path,
    calibrations: Path,
    unit_calibrations: Path,
    synchronisation: Path,
    recordings: Path,
    summaries: Path,
    estimates: Path,
    quality: dict[str, Any],
    plan: dict[str, Any],
    study: dict[str, Any],
    minimum_valid_trials: int,
) -> None:
    """Write the numbers of the quality page: metrics, landings, calibrations, time, clocks."""
    values = read_table(metrics)
    write_estimates(
        estimates,
        metric_quality(values, quality["undefined_flags"], quality["excluding_flags"]),
        identity_quality(values),
        saturation_quality(read_table(recordings), values),
        valid_trials(read_table(summaries), plan, study["clearance_visit"], minimum_valid_trials),
        calibration_quality(read_table(calibrations)),
        bench_quality(read_table(unit_calibrations)),
        time_base_quality(read_table(recordings)),
        clock_quality(read_table(synchronisation)),
        step=STEP,
        inputs={
            "metrics": metrics,
            "calibrations": calibrations,
            "unit_calibrations": unit_calibrations,
            "synchronisation": synchronisation,
            "recordings": recordings,
            "summaries": summaries,
        },
    )
