"""Rows that describe files: recordings, how they came on one clock, what they calibrate."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from pipeline.extraction.calibrated import Calibrated
from pipeline.extraction.reading import Reading
from pipeline.extraction.saturated import Saturated
from pipeline.extraction.stomp_clocks import Clock
from pipeline.quality.flags import SEPARATOR, join_flags

Row = tuple[Any, ...]
"""The cells of a row, in the order of its table's columns."""


def recording_row(index: Mapping[str, Any], reading: Reading, saturated: Saturated | None) -> Row:
    """Return the row of a raw file in the table `recordings`; `saturated` None: it was not read."""
    clipped = (None, None, ()) if saturated is None else saturated
    return (
        index["recording_id"],
        reading.sha256,
        index["athlete_id"],
        index["site"],
        index["visit"],
        index["task"],
        index["side"],
        index["trial"],
        index["device"],
        index["path"],
        reading.rate_hz,
        reading.samples,
        reading.duration_s,
        reading.jitter_s,
        *clipped[:2],
        SEPARATOR.join(clipped[2]),
        reading.signals is not None,
        join_flags(reading.flags),
        reading.reason,
    )


def clock_row(index: Mapping[str, Any], clock: Clock) -> Row:
    """Return the row of a recording in the table `synchronisation`; `index` is of its trial."""
    return (
        clock.recording_id,
        clock.reference_id,
        index["athlete_id"],
        index["site"],
        index["visit"],
        index["task"],
        index["side"],
        index["trial"],
        clock.device,
        clock.compared,
        clock.place,
        clock.lag_s,
        clock.correlation,
        clock.second_peak,
        clock.residual_s,
        clock.lag_s is not None,
        clock.reason,
    )


def calibration_row(index: Mapping[str, Any], sha256: str, found: Calibrated) -> Row:
    """Return the row of a calibrated place in the table `calibrations`."""
    source = found.source
    offsets = [None if math.isnan(value) else value for value in found.offset]
    offsets += [None] * (3 - len(offsets))
    return (
        index["athlete_id"],
        index["site"],
        index["visit"],
        index["device"],
        index["unit_code"],
        found.kind,
        found.location,
        sha256,
        index["path"],
        source.first_sample,
        source.last_sample,
        *offsets,
        found.spread,
        found.body_weight_n,
        found.change,
        found.explained_share,
        found.stance_share,
        found.zero_source,
        found.bench.word,
        found.bench.detail,
        not found.reason,
        found.reason,
    )
