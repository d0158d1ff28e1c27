"""What recordings lost on their way: samples missing between the first and the last, and jitter."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analysis.estimates import EstimateFields, Estimates
from analysis.models.grouped import grouped


def lost_samples(recordings: pd.DataFrame) -> pd.Series:
    """Return how many samples each recording lacks: its time holds more than there are rows."""
    held = np.rint(recordings["duration_s"] * recordings["rate_hz"]) + 1.0
    return (held - recordings["samples"]).clip(lower=0.0).astype(int)


def time_base_quality(recordings: pd.DataFrame) -> Estimates:
    """Return what the table `recordings` tells by site and device, of those that could be read.

    Jitter is the largest distance of a time stamp from the time rebuilt by a counter: median and
    largest over the recordings of a device that has both.
    """
    numbers = Estimates("quality_time_base")
    read = recordings.dropna(subset=["duration_s", "rate_hz", "samples"])
    for where, rows in grouped(read, ["site", "device"]):
        named: EstimateFields = {"site": where[0]}
        lost = lost_samples(rows)
        numbers.add(where, "recordings", "count", len(rows), unit="recordings", **named)
        incomplete = int((lost > 0).sum())
        numbers.add(where, "incomplete", "count", incomplete, unit="recordings", **named)
        numbers.add(where, "lost", "count", int(lost.sum()), unit="samples", **named)
        numbers.add(where, "lost", "largest", int(lost.max()), unit="samples", **named)
        jitter = 1000.0 * rows["jitter_s"].dropna()
        if len(jitter):
            numbers.add(where, "jitter", "median", float(jitter.median()), unit="ms", **named)
            numbers.add(where, "jitter", "largest", float(jitter.max()), unit="ms", **named)
    return numbers
