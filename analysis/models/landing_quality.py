"""What the landings themselves tell of their measurement: identities, saturation, valid trials.

An identity compares two ways to one quantity by different samples, landing by landing; what is
left of it is error of measurement, whatever the athlete did. Counted from what the pipeline wrote;
nothing is decided anew, and no athlete is named.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from analysis.cohort.predictors import matches
from analysis.estimates import EstimateFields, Estimates
from analysis.models.grouped import grouped
from analysis.models.quality import SEPARATOR, with_device
from shared.channels import sensor_of
from shared.metric_dictionary import metrics

IDENTITIES: dict[str, str] = {
    "impact_speed_mismatch": "impulse_mismatch",
    "fall_time_share": "bad_fall_time",
    "negative_work_mismatch": "",
}
"""Metric that is what remains of an identity -> flag of a landing beyond its limit, '' without."""

LOW_SHARE, HIGH_SHARE = 0.05, 0.95


def identity_quality(values: pd.DataFrame) -> Estimates:
    """Return how well the identities close: median, middle nine tenths, share beyond the limit.

    Over valid values, by metric, site, task and landing.
    """
    numbers = Estimates("quality_identities")
    usable = values.loc[values["valid"] & values["metric"].isin(IDENTITIES)]
    keys = ["metric", "site", "task", "landing"]
    for (metric, site, task, landing), rows in grouped(usable, keys):
        where = (metric, site, task, f"landing_{landing}")
        named: EstimateFields = {
            "metric": metric,
            "site": site,
            "task": task,
            "unit": metrics()[metric].unit,
        }
        value = rows["value"]
        numbers.add(where, "landings", "count", len(rows), metric=metric, site=site, task=task)
        numbers.add(where, "all", "median", float(value.median()), **named)
        numbers.add(where, "all", "low", float(value.quantile(LOW_SHARE)), **named)
        numbers.add(where, "all", "high", float(value.quantile(HIGH_SHARE)), **named)
        if flag := IDENTITIES[metric]:
            beyond = rows["flags"].str.split(SEPARATOR).map(lambda flags, one=flag: one in flags)
            share = float(beyond.mean())
            numbers.add(where, "beyond", "share", share, **(named | {"unit": "share"}))
    return numbers


def saturation_quality(recordings: pd.DataFrame, values: pd.DataFrame) -> Estimates:
    """Return how many recordings were saturated and for how long, by site, device, sensor and task.

    A share is of the recordings that gave a value of the sensor. Sensors that are nowhere saturated
    are left out.
    """
    numbers = Estimates("quality_saturation")
    clipped = recordings.loc[recordings["clipped_samples"].fillna(0) > 0]
    channels = clipped["clipped_channels"].map(lambda names: names.split(SEPARATOR))
    of_sensor = clipped.assign(channel=channels).explode("channel")
    of_sensor["sensor"] = of_sensor["channel"].map(sensor_of)
    of_sensor = of_sensor.drop_duplicates(["recording_id", "sensor"])
    times = dict(of_sensor.set_index(["recording_id", "sensor"])["clipped_s"])
    ever = set(of_sensor["sensor"])
    used = values[["site", "sensor", "task", "recording_id"]].drop_duplicates()
    for where, rows in grouped(with_device(used), ["site", "device", "sensor", "task"]):
        site, _, sensor, task = where
        if sensor not in ever:
            continue
        named: EstimateFields = {"site": site, "sensor": sensor, "task": task}
        found = [times[name, sensor] for name in rows["recording_id"] if (name, sensor) in times]
        numbers.add(where, "recordings", "count", len(rows), unit="recordings", **named)
        share = len(found) / len(rows)
        numbers.add(where, "saturated", "share", share, unit="share", **named)
        if found:
            duration = 1000.0 * pd.Series(found)
            numbers.add(where, "time", "median", float(duration.median()), unit="ms", **named)
            high = float(duration.quantile(HIGH_SHARE))
            numbers.add(where, "time", "percentile", high, unit="ms", **named)
    return numbers


def valid_trials(
    summaries: pd.DataFrame, plan: Mapping[str, Any], visit: str, fewest: int
) -> Estimates:
    """Return the share of athletes with so many valid trials behind each predictor of the plan.

    From one trial up to the most that anybody has, and at least to `fewest`, the number that the
    settings demand. An athlete with both knees reconstructed counts by the knee with more trials,
    for a predictor needs one.
    """
    numbers = Estimates("quality_valid_trials")
    at_visit = summaries.loc[summaries["visit"] == visit]
    for predictor in [*plan["primary"], *plan["exploratory"]]:
        rows = at_visit.loc[matches(at_visit, predictor)]
        trials = rows.groupby("athlete_id", observed=True)["n_valid"].max()
        if not len(trials):
            continue
        named: EstimateFields = {
            "metric": predictor["metric"],
            "sensor": predictor["sensor"],
            "task": predictor["task"],
            "limb": predictor["limb"],
            "n_athletes": len(trials),
        }
        for least in range(1, max(int(trials.max()), fewest) + 1):
            share = float((trials >= least).mean())
            numbers.add(predictor["name"], f"trials_{least}", "share", share, unit="share", **named)
    return numbers
