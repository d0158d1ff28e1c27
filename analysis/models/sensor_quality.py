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
from analysis.models.quality import defined, one_row_per_flag
from analysis.models.time_base_quality import time_base_quality
from shared.tables import read_table
from shared.units import STANDARD_GRAVITY

STEP = "analysis.models.sensor_quality:sensor_quality"

_SHOWN = {
    "gyro": ("deg/s", 180.0 / math.pi),
    "accelerometer": ("mg", 1000.0 / STANDARD_GRAVITY),
    "plate": ("N", 1.0),
    "camera": ("deg", 180.0 / math.pi),
}
"""Kind of sensor -> unit in which its noise is shown, and the factor from SI."""

_KINDS = {
    "thigh": "gyro",
    "shank": "gyro",
    "waist": "accelerometer",
    "reference": "accelerometer",
    "plate": "plate",
    "knee": "camera",
}
HIGH_SHARE = 0.95


def kind_of(location: str) -> str:
    """Return the kind of sensor at a location of the calibration tables (thigh.left ...)."""
    return _KINDS[location.partition(".")[0]]


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
    table = calibrations.assign(sensor=calibrations["location"].map(kind_of))
    for (site, device, sensor, kind), rows in grouped(table, ["site", "device", "sensor", "kind"]):
        where = (site, device, sensor, kind)
        named: EstimateFields = {"site": site, "sensor": sensor}
        unit, factor = _SHOWN[sensor]
        numbers.add(where, "calibrations", "count", len(rows), **named)
        accepted = float(rows["accepted"].mean())
        numbers.add(where, "accepted", "share", accepted, unit="share", **named)
        applied = float(rows["bench"].isin(["applied", "checked"]).mean())
        numbers.add(where, "bench", "share", applied, unit="share", **named)
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


def bench_quality(units: pd.DataFrame) -> Estimates:
    """Return how many units were calibrated on the bench, accepted, and the largest residual."""
    numbers = Estimates("quality_bench")
    table = units.assign(sensor=units["location"].map(kind_of))
    for (device, sensor, kind), rows in grouped(table, ["device", "sensor", "kind"]):
        where = (device, sensor, kind)
        each = rows.groupby(["unit_code", "location"], observed=True)["accepted"].all()
        numbers.add(where, "calibrations", "count", len(each), sensor=sensor)
        numbers.add(where, "accepted", "count", int(each.sum()), sensor=sensor)
        residual = rows.loc[rows["quantity"] == "residual"]
        if residual["value"].notna().any():
            numbers.add(
                where,
                "residual",
                "largest",
                float(residual["value"].abs().max()),
                unit=str(residual["unit"].iloc[0]),
                sensor=sensor,
            )
    return numbers


def sensor_quality(
    *,
    metrics: Path,
    recordings: Path,
    calibrations: Path,
    unit_calibrations: Path,
    synchronisation: Path,
    estimates: Path,
    quality: dict[str, Any],
) -> None:
    """Write the numbers of the quality page: metrics, calibrations, time, clocks."""
    write_estimates(
        estimates,
        metric_quality(read_table(metrics), quality["undefined_flags"], quality["excluding_flags"]),
        calibration_quality(read_table(calibrations)),
        bench_quality(read_table(unit_calibrations)),
        time_base_quality(read_table(recordings)),
        clock_quality(read_table(synchronisation)),
        step=STEP,
        inputs={
            "metrics": metrics,
            "recordings": recordings,
            "calibrations": calibrations,
            "unit_calibrations": unit_calibrations,
            "synchronisation": synchronisation,
        },
    )
