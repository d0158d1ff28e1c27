"""Rows of landings and values, and all rows of a shard: a table is made of them once per shard."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from operator import itemgetter
from typing import Any

import numpy as np
import pyarrow as pa

from pipeline.extraction.file_rows import Row, clock_row
from pipeline.extraction.limbs import is_dominant, limb_of
from pipeline.extraction.observe import Landings
from pipeline.extraction.standing import Standing
from pipeline.extraction.stomp_clocks import Clock
from pipeline.extraction.trials import Trial
from pipeline.extraction.values import SideLanding, Source, Value
from pipeline.extraction.visit import Measurement
from pipeline.metrics.outcome import Measured
from pipeline.quality.flags import is_valid, join_flags
from pipeline.reasons import Reason
from shared.metric_dictionary import metrics
from shared.schemas import schema_of
from shared.settings.processing import ProcessingSettings
from shared.tables import arrow_schema

_METRICS = schema_of("metrics")
_VALUE_KEY = itemgetter(*map(_METRICS.names.index, _METRICS.key))
_RECORDING_AND_ROLE = itemgetter(0, 1)
_SAMPLES = itemgetter(*map(_METRICS.names.index, ("first_sample", "last_sample")))


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


def sorted_by_key(rows: list[Row], name: str) -> list[Row]:
    """Return the rows of a table in the order of its key."""
    schema = schema_of(name)
    return sorted(rows, key=itemgetter(*map(schema.names.index, schema.key)))


def table(rows: list[Row], name: str) -> pa.Table:
    """Return rows as a table with the declared columns and types."""
    schema = schema_of(name)
    return pa.table(_columns(rows, list(arrow_schema(schema))), names=schema.names)


def _columns(rows: list[Row], fields: Sequence[pa.Field]) -> list[pa.Array]:
    columns = zip(*rows, strict=True) if rows else ((),) * len(fields)
    return [
        pa.array(column, field.type, from_pandas=True)  # not a number means empty
        for column, field in zip(columns, fields, strict=True)
    ]


def _beside_keys(values: pa.Table, sources: list[list[Row]]) -> pa.Table:
    """Return the table `metric_sources`: the key of each value as often as it has sources."""
    schema = schema_of("metric_sources")
    counts = np.array([len(used) for used in sources], dtype=np.int64)
    keys = values.select(list(_METRICS.key)).take(np.repeat(np.arange(len(counts)), counts))
    flat = [source for used in sources for source in used]
    fields = list(arrow_schema(schema))[len(_METRICS.key) :]
    return pa.table([*keys.columns, *_columns(flat, fields)], names=schema.names)


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
        _raw(landing, landing.lowest),
        standing.body_weight_n,
        standing.body_weight_source,
        join_flags(landing.flags),
        is_valid(landing.flags, excluding),
    )


class Judge:
    """Turns a set of flags into its text and into whether a value with it is valid; each set once.

    The same few sets of flags come back thousands of times. It also knows the cut-off behind each
    metric of each sensor, which is the same for all values.
    """

    def __init__(self, settings: ProcessingSettings) -> None:
        self.excluding = frozenset(settings.quality.excluding_flags)
        cutoffs = settings.filtering.model_dump()
        self.cutoff_hz = {
            (metric.id, sensor): metric.cutoff_hz(sensor, cutoffs)
            for metric in metrics().values()
            for sensor in metric.sensors
        }
        self._known: dict[frozenset[str], tuple[str, bool, bool]] = {}

    def __call__(self, flags: frozenset[str]) -> tuple[str, bool, bool]:
        """Return the text of the flags, whether they leave a value valid, whether it is clipped."""
        known = self._known.get(flags)
        if known is None:
            clipped = str(Reason.CLIPPED) in flags
            known = (join_flags(flags), is_valid(flags, self.excluding), clipped)
            self._known[flags] = known
        return known


def landing_words(trial: Trial, side: str, number: int, athlete: Athlete) -> Row:
    """Return the columns that all values of a landing share."""
    return (
        landing_id(trial, side, number),
        trial.athlete_id,
        trial.site,
        trial.visit,
        trial.task,
        limb_of(side, athlete.injured_side),
        side,
        trial.number,
        number,
    )


def metric_row(words: Row, value: Value, flags: frozenset[str], judge: Judge) -> Row:
    """Return the row of a value in the table `metrics`.

    Parameters
    ----------
    words
        From `landing_words`.
    flags
        Everything known against the value, its landing's flags included.
    """
    metric, outcome, signals = metrics()[value.metric], value.outcome, value.signals
    text, valid, clipped = judge(flags)
    # A saturated sensor bounds a value from below where the dictionary says so.
    bounded = clipped and metric.when_clipped == "right_censored"
    number, first, last = None, None, None
    if measured := isinstance(outcome, Measured):
        number, raw_sample = outcome.value, signals.raw_sample
        first, last = raw_sample(outcome.first_sample), raw_sample(outcome.last_sample)
    return (
        *words,
        value.metric,
        value.sensor,
        number,
        "right" if bounded else "none",
        metric.unit,
        signals.recording_id,
        first,
        last,
        signals.rate_hz,
        judge.cutoff_hz[value.metric, value.sensor],
        metric.version,
        text,
        measured and valid,
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


def sources_of(row: Row, value: Value, events: Source | None) -> list[Row]:
    """Return the recordings that a value used, for the table `metric_sources`, sorted.

    A row names the recording, its role and its samples; the columns before are the value's key.

    Parameters
    ----------
    row
        Of the value in the table `metrics`.
    events
        What gave the events that bound the value's window.
    """
    used = [(value.signals.recording_id, "value", *_SAMPLES(row))]
    if events is not None:
        used.append((events.recording_id, "events", events.first_sample, events.last_sample))
    for source in value.calibrations:
        used.append((source.recording_id, "calibration", source.first_sample, source.last_sample))
    used.sort(key=_RECORDING_AND_ROLE)
    return used


def _landings(measurement: Measurement) -> Landings:
    """Return each landing of a trial once: on the first clock that has seen it, the trial's first.

    A landing without a contact on any clock is shown as the trial's clock has it.
    """
    landings: Landings = {}
    for part in measurement.by_clock:
        for place, landing in part.observed.chosen.items():
            known = landings.get(place)
            if known is None or (known.contact is None and landing.contact is not None):
                landings[place] = landing
    return landings


class ShardRows:
    """The rows of a shard, table by table."""

    def __init__(self, settings: ProcessingSettings) -> None:
        self.judge = Judge(settings)
        names = (
            "recordings",
            "calibrations",
            "synchronisation",
            "landings",
            "saturation",
            "exclusions",
        )
        self.rows: dict[str, list[Row]] = {name: [] for name in names}
        self.values: list[tuple[Row, list[Row]]] = []

    def add_measurement(
        self, measurement: Measurement, athlete: Athlete, standing: Standing
    ) -> None:
        """Add landings, values and sources of a trial."""
        trial, words = measurement.observed.trial, {}
        for (number, side), landing in _landings(measurement).items():
            words[number, side] = landing_words(trial, side, number, athlete)
            self.rows["landings"].append(
                landing_row(trial, landing, athlete, standing, self.judge.excluding)
            )
        for part in measurement.by_clock:
            self._add_values(part, words)

    def _add_values(self, part: Measurement, words: Mapping[tuple[int, str], Row]) -> None:
        """Add the values on one clock of a trial, each with the flags of its landing there."""
        # What all values of a landing share is made once, by the landing that gave their events.
        shared: dict[int, tuple[Row, frozenset[str], Source | None]] = {}
        for value in part.values:
            events = value.events
            known = shared.get(id(events))
            if known is None:
                place = (events.number, events.side)
                flags = events.flags | part.observed.chosen[place].flags
                known = shared[id(events)] = (words[place], flags, _event_source(events))
            of_landing, flags, source = known
            row = metric_row(of_landing, value, value.flags | flags, self.judge)
            self.values.append((row, sources_of(row, value, source)))

    def add_clocks(self, index: Mapping[str, Any], clocks: Iterable[Clock]) -> None:
        """Add how the recordings of a trial came on one clock; flag-worthy is what did not."""
        for clock in clocks:
            self.rows["synchronisation"].append(clock_row(index, clock))
            if clock.lag_s is None:
                rule = str(Reason.SYNC_FAIL)
                name, site = clock.recording_id, index["site"]
                detail = f"measured on its own clock only: {clock.reason}"
                self.exclude("recording", name, site, "extract", rule, detail)

    def exclude(
        self, level: str, name: str, site: str, step: str, reason: str, detail: str
    ) -> None:
        """Add an exclusion with its reason."""
        self.rows["exclusions"].append((level, name, site, step, reason, detail))

    def tables(self) -> dict[str, pa.Table]:
        """Return all tables, each sorted by its key."""
        # Sources follow their values: one sort serves both tables, and the key is copied.
        values = sorted(self.values, key=lambda pair: _VALUE_KEY(pair[0]))
        found = {name: table(sorted_by_key(rows, name), name) for name, rows in self.rows.items()}
        found["metrics"] = table([row for row, _ in values], "metrics")
        found["metric_sources"] = _beside_keys(found["metrics"], [used for _, used in values])
        return found
