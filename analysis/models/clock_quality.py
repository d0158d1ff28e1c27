"""How recordings were put on one clock by a stomp: share found, lag, correlation, residual lag."""

from __future__ import annotations

import pandas as pd

from analysis.estimates import EstimateFields, Estimates
from analysis.models.grouped import grouped

HIGH_SHARE = 0.90


def clock_quality(synchronisation: pd.DataFrame) -> Estimates:
    """Return what the table `synchronisation` tells by site and device.

    Lags are sizes, of the recordings whose own stomp gave one. The residual lag is the size of what
    the stomp at the end says beyond that at the start: median and 90th percentile over the
    recordings that have both. With a trigger there is nothing to tell.
    """
    numbers = Estimates("quality_clocks")
    for where, rows in grouped(synchronisation, ["site", "device"]):
        named: EstimateFields = {"site": where[0]}
        numbers.add(where, "recordings", "count", len(rows), unit="recordings", **named)
        applied = float(rows["applied"].mean())
        # What was found and expected in single recordings stands behind the colon.
        reasons = rows.loc[~rows["applied"], "reason"].str.split(":").str[0].value_counts()
        # Of equally frequent reasons the first by name, so that the note does not depend on order.
        reason = min(reasons[reasons == reasons.max()].index) if len(reasons) else ""
        numbers.add(where, "applied", "share", applied, unit="share", note=reason, **named)
        lag = 1000.0 * rows.loc[rows["place"] != "", "lag_s"].abs()
        if len(lag):
            numbers.add(where, "lag", "median", float(lag.median()), unit="ms", **named)
            numbers.add(where, "lag", "largest", float(lag.max()), unit="ms", **named)
        correlation = rows["correlation"].dropna()
        if len(correlation):
            numbers.add(where, "correlation", "median", float(correlation.median()), **named)
            numbers.add(where, "correlation", "smallest", float(correlation.min()), **named)
        residual = 1000.0 * rows["residual_lag_s"].dropna().abs()
        numbers.add(where, "residual_lag", "count", len(residual), unit="recordings", **named)
        if len(residual):
            high = float(residual.quantile(HIGH_SHARE))
            median = float(residual.median())
            numbers.add(where, "residual_lag", "median", median, unit="ms", **named)
            numbers.add(where, "residual_lag", "percentile", high, unit="ms", **named)
    return numbers
