"""Rows of the derived tables, collected as plain tuples: a table is made once per shard."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from operator import itemgetter
from typing import Any

import pyarrow as pa

from pipeline.extraction.limbs import is_dominant, limb_of
from pipeline.extraction.reading import Reading
from pipeline.extraction.standing import Calibrated, Standing
from pipeline.extraction.trials import Trial
from pipeline.extraction.values import SideLanding, Source, Value
from pipeline.extraction.visit import Measurement
from pipeline.metrics.outcome import Measured
from pipeline.quality.flags import is_valid, join_flags
from pipeline.reasons import Reason
from shared.metric_dictionary import Metric, metrics
from shared.schemas import schema_of
from shared.tables import arrow_schema

Row = tuple[Any, ...]


@dataclass(frozen=True, slots=True)
class Athlete:
    """What extraction needs to know about a person."""

    athlete_id: str
    injured_side: str
    dominant_side: str
    mass_kg: float


def landing_id(trial: Trial, side: str, number: int) -> str:
    """Return the readable, unique name of a landing; the side is that of the landing."""
    return f"{trial.name}.{side}.{number}"


def table(rows: list[Row], name: str) -> pa.Table:
    """Return rows as a table with the declared columns and types, sorted by its key."""
    schema = schema_of(name)
    key = itemgetter(*map(schema.names.index, schema.key))
    columns = zip(*sorted(rows, key=key), strict=True) if rows else ((),) * len(schema.columns)
    types = arrow_schema(schema).types
    arrays = [
        pa.array(column, type_, from_pandas=True)  # not a number means empty
        for column, type_ in zip(columns, types, strict=True)
    ]
    return pa.table(arrays, names=schema.names)


def recording_row(index: Mapping[str, Any], reading: Reading) -> Row:
    """Return the row of a raw file in the table `recordings`."""
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
        reading.signals is not None,
        join_flags(reading.flags),
        reading.reason,
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
        found.location,
        sha256,
        index["path"],
        source.first_sample,
        source.last_sample,
        *offsets,
        found.spread,
        found.body_weight_n,
        not found.reason,
        found.reason,
    )


def _raw(landing: SideLanding, position: float | None) -> int | None:
    if position is None or landing.signals is None:
        return None
    return landing.signals.raw_sample(math.ceil(position))


def landing_row(
    trial: Trial,
    landing: SideLanding,
    athlete: Athlete,
    standing: Standing,
    excluding: frozenset[str],
) -> Row:
    """Return the row of a landing in the table `landings`."""
    return (
        landing_id(trial, landing.side, landing.number),
        trial.athlete_id,
        trial.site,
        trial.visit,
        trial.task,
        limb_of(landing.side, athlete.injured_side),
        landing.side,
        trial.number,
        landing.number,
        is_dominant(landing.side, athlete.dominant_side),
        trial.box_height_m,
        landing.event_source,
        landing.signals.recording_id if landing.signals is not None else "",
        landing.seconds(landing.contact),
        landing.seconds(landing.takeoff),
        landing.seconds(landing.lowest),
        _raw(landing, landing.contact),
        _raw(landing, landing.takeoff),
        standing.body_weight_n,
        standing.body_weight_source,
        join_flags(landing.flags),
        is_valid(landing.flags, excluding),
    )


def _censoring(metric: Metric, flags: frozenset[str]) -> str:
    """A saturated sensor bounds a value from below where the dictionary says so."""
    bounded = metric.when_clipped == "right_censored" and str(Reason.CLIPPED) in flags
    return "right" if bounded else "none"


def metric_row(
    trial: Trial,
    value: Value,
    landing: SideLanding,
    athlete: Athlete,
    excluding: frozenset[str],
) -> Row:
    """Return the row of a value in the table `metrics`; it carries the flags of its landing too."""
    metric = metrics()[value.metric]
    outcome = value.outcome
    flags = value.flags | value.events.flags | landing.flags
    measured = isinstance(outcome, Measured)
    return (
        landing_id(trial, value.side, value.number),
        trial.athlete_id,
        trial.site,
        trial.visit,
        trial.task,
        limb_of(value.side, athlete.injured_side),
        value.side,
        trial.number,
        value.number,
        value.metric,
        value.sensor,
        outcome.value if isinstance(outcome, Measured) else None,
        _censoring(metric, flags),
        metric.unit,
        value.signals.recording_id,
        value.signals.raw_sample(outcome.first_sample) if isinstance(outcome, Measured) else None,
        value.signals.raw_sample(outcome.last_sample) if isinstance(outcome, Measured) else None,
        value.signals.rate_hz,
        metric.version,
        join_flags(flags),
        measured and is_valid(flags, excluding),
    )


def _event_source(events: SideLanding) -> Source | None:
    places = [p for p in (events.contact, events.takeoff) if p is not None]
    if not places or events.signals is None:
        return None
    return Source(
        events.signals.recording_id,
        events.signals.raw_sample(math.floor(min(places))),
        events.signals.raw_sample(math.ceil(max(places))),
    )


def source_rows(trial: Trial, value: Value) -> Iterator[Row]:
    """Yield the recordings that a value used, for the table `metric_sources`."""
    key = (landing_id(trial, value.side, value.number), value.metric, value.sensor)
    outcome = value.outcome
    if isinstance(outcome, Measured):
        first = value.signals.raw_sample(outcome.first_sample)
        last = value.signals.raw_sample(outcome.last_sample)
        yield (*key, value.signals.recording_id, "value", first, last)
    else:
        yield (*key, value.signals.recording_id, "value", None, None)
    events = _event_source(value.events)
    if events is not None:
        yield (*key, events.recording_id, "events", events.first_sample, events.last_sample)
    for source in value.calibrations:
        yield (*key, source.recording_id, "calibration", source.first_sample, source.last_sample)


class ShardRows:
    """The rows of a shard, table by table."""

    def __init__(self, excluding: Iterable[str]) -> None:
        self.excluding = frozenset(excluding)
        names = (
            "recordings",
            "calibrations",
            "landings",
            "metrics",
            "metric_sources",
            "exclusions",
        )
        self.rows: dict[str, list[Row]] = {name: [] for name in names}

    def add_measurement(
        self, measurement: Measurement, athlete: Athlete, standing: Standing
    ) -> None:
        """Add landings, values and sources of a trial."""
        seen = measurement.observed
        for landing in seen.chosen.values():
            self.rows["landings"].append(
                landing_row(seen.trial, landing, athlete, standing, self.excluding)
            )
        for value in measurement.values:
            landing = seen.chosen[value.number, value.side]
            self.rows["metrics"].append(
                metric_row(seen.trial, value, landing, athlete, self.excluding)
            )
            self.rows["metric_sources"].extend(source_rows(seen.trial, value))

    def exclude(
        self, level: str, name: str, site: str, step: str, reason: str, detail: str
    ) -> None:
        """Add an exclusion with its reason."""
        self.rows["exclusions"].append((level, name, site, step, reason, detail))

    def tables(self) -> dict[str, pa.Table]:
        """Return all tables, each sorted by its key."""
        return {name: table(rows, name) for name, rows in self.rows.items()}
