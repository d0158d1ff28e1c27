"""The values of a shard and the recordings behind them: two tables, made column by column.

What many values share (their landing, recording, flags, calibrations) is kept once and has a
number; a value is a row of such numbers, and the words come in when the tables are made, a whole
column at a time. Rows of words would take twice as long.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.extraction.file_rows import Row
from pipeline.extraction.signals import RawSamples, Signals
from pipeline.extraction.values import SideLanding, Source
from pipeline.extraction.visit import Measurement
from pipeline.metrics.outcome import Measured
from pipeline.quality.flags import is_valid, join_flags
from pipeline.reasons import Reason
from shared.metric_dictionary import metrics
from shared.schemas import schema_of
from shared.tables import arrow_schema

Numbers = NDArray[np.int64]
Column = NDArray[Any]

WORDS = ("landing_id", "athlete_id", "site", "visit", "task", "limb", "side", "trial", "landing")
"""The columns that all values of a landing share, in the order of `words` below."""

_NO_EVENTS = -1
_UNMEASURED = (False, math.nan, 0, 0)
_CALIBRATION, _EVENTS, _VALUE = range(3)
_ROLES = ("calibration", "events", "value")
_TYPES = {
    "landing": np.int64,
    "metric": np.int64,
    "sensor": np.int64,
    "recording": np.int64,
    "flags": np.int64,
    "events": np.int64,
    "calibrations": np.int64,
    "measured": np.bool_,
    "value": np.float64,
    "first_sample": np.int64,
    "last_sample": np.int64,
}
"""What is known of a value: numbers of what it shares with others, and what is its own."""


class _Samples(NamedTuple):
    """Stretches of recordings, each of shape (stretches,); samples count where they are known."""

    recording: Numbers
    first_sample: Numbers
    last_sample: Numbers
    known: NDArray[np.bool_]

    def of(self, places: Numbers) -> _Samples:
        return _Samples(
            self.recording[places],
            self.first_sample[places],
            self.last_sample[places],
            self.known[places],
        )


def _numbered() -> defaultdict[Any, int]:
    """Return a mapping that gives each new key the next number, from 0."""
    numbers: defaultdict[Any, int] = defaultdict()
    numbers.default_factory = numbers.__len__
    return numbers


def _event_source(events: SideLanding) -> Source | None:
    places = [p for p in (events.contact, events.takeoff) if p is not None]
    if not places or events.signals is None:
        return None
    return Source(
        events.signals.recording_id,
        events.signals.raw_sample(math.floor(min(places))),
        events.signals.raw_sample(math.ceil(max(places))),
    )


def _ranks(words: Iterable[str]) -> Numbers:
    """Return the place that each word has among all of them when they are sorted."""
    words = list(words)
    ranks = np.empty(len(words), dtype=np.int64)
    ranks[sorted(range(len(words)), key=words.__getitem__)] = np.arange(len(words))
    return ranks


class ValueRows:
    """Collects the values of a shard."""

    def __init__(self, excluding: frozenset[str]) -> None:
        self._excluding = excluding
        self._metrics = {name: number for number, name in enumerate(sorted(metrics()))}
        self._landings = _numbered()
        self._sensors = _numbered()
        self._recordings = _numbered()
        self._raw_samples: list[RawSamples] = []
        self._flags = _numbered()
        self._events = _numbered()
        self._calibrations = _numbered()
        self._found: list[tuple[Any, ...]] = []

    def add(self, part: Measurement, words: Mapping[tuple[int, str], Row]) -> None:
        """Add the values on one clock of a trial, each with the flags of its landing there.

        Parameters
        ----------
        words
            The columns `WORDS` of each landing of the trial, by its number and side.
        """
        shared: dict[int, tuple[int, frozenset[str], int]] = {}
        recordings: dict[int, int] = {}
        for value in part.values:
            _, _, metric, sensor, outcome, signals, events, calibrations, flags = value
            known = shared.get(id(events))
            if known is None:
                place = (events.number, events.side)
                source = _event_source(events)
                known = shared[id(events)] = (
                    self._landings[words[place]],
                    events.flags | part.observed.chosen[place].flags,
                    _NO_EVENTS if source is None else self._events[source],
                )
            landing, of_landing, events_number = known
            recording = recordings.get(id(signals))
            if recording is None:
                recording = recordings[id(signals)] = self._number_of(signals)
            own = (True, *outcome) if isinstance(outcome, Measured) else _UNMEASURED
            self._found.append(
                (
                    landing,
                    self._metrics[metric],
                    self._sensors[sensor],
                    recording,
                    self._flags[flags | of_landing if flags else of_landing],
                    events_number,
                    self._calibrations[calibrations],
                    *own,
                )
            )

    def _number_of(self, signals: Signals) -> int:
        number = self._recordings[signals.recording_id, signals.rate_hz]
        if number == len(self._raw_samples):
            self._raw_samples.append(signals.raw_samples)
        return number

    def _in_file(self, recordings: Numbers, slots: Numbers) -> Numbers:
        """Return the raw samples of slots of recordings, each of shape (values,)."""
        rates = np.array([x[:2] for x in self._raw_samples]).reshape(-1, 2)[recordings]
        raw = RawSamples(rates[:, 0], rates[:, 1], None).of(slots)
        for number, places in enumerate(self._raw_samples):
            if places.slots is not None:  # rows are missing
                here = recordings == number
                raw[here] = places.of(slots[here])
        return raw

    def tables(self) -> dict[str, pa.Table]:
        """Return the tables `metrics` and `metric_sources`, sorted by their keys."""
        columns = zip(*self._found, strict=True) if self._found else ((),) * len(_TYPES)
        found: dict[str, Column] = {
            name: np.array(column, dtype)
            for (name, dtype), column in zip(_TYPES.items(), columns, strict=True)
        }
        landings = _ranks(words[0] for words in self._landings)[found["landing"]]
        sensors = _ranks(self._sensors)[found["sensor"]]
        order = np.lexsort((sensors, found["metric"], landings))
        found = {name: column[order] for name, column in found.items()}
        for name in ("first_sample", "last_sample"):
            found[name] = self._in_file(found["recording"], found[name])
        values = self._values(found)
        return {"metrics": values, "metric_sources": self._sources(found, values)}

    def _values(self, found: Mapping[str, Column]) -> pa.Table:
        """Return the table `metrics` of values that are sorted by its key."""
        dictionary = [metrics()[name] for name in self._metrics]
        flags = list(self._flags)
        unmeasured = ~found["measured"]
        # A saturated sensor bounds a value from below where the dictionary says so.
        clipped = np.array([str(Reason.CLIPPED) in some for some in flags], np.bool_)
        bounds = np.array([metric.when_clipped == "right_censored" for metric in dictionary])
        bounded = clipped[found["flags"]] & bounds[found["metric"]]
        valid = np.array([is_valid(some, self._excluding) for some in flags], np.bool_)
        shared = {
            **{
                name: ([words[place] for words in self._landings], found["landing"])
                for place, name in enumerate(WORDS)
            },
            "metric": (list(self._metrics), found["metric"]),
            "sensor": (list(self._sensors), found["sensor"]),
            "censoring": (["none", "right"], bounded.astype(np.int64)),
            "unit": ([metric.unit for metric in dictionary], found["metric"]),
            "recording_id": ([name for name, _ in self._recordings], found["recording"]),
            "rate_hz": ([rate_hz for _, rate_hz in self._recordings], found["recording"]),
            "definition_version": ([metric.version for metric in dictionary], found["metric"]),
            "flags": ([join_flags(some) for some in flags], found["flags"]),
        }
        own = {
            # Not a number means empty.
            "value": pa.array(found["value"], from_pandas=True),
            "first_sample": pa.array(found["first_sample"], mask=unmeasured),
            "last_sample": pa.array(found["last_sample"], mask=unmeasured),
            "valid": pa.array(found["measured"] & valid[found["flags"]]),
        }
        schema = arrow_schema(schema_of("metrics"))
        looked_up = {
            name: pa.array(words, schema.field(name).type).take(pa.array(numbers))
            for name, (words, numbers) in shared.items()
        }
        columns = looked_up | own
        return pa.table([columns[name] for name in schema.names], names=schema.names)

    def _sources(self, found: Mapping[str, Column], values: pa.Table) -> pa.Table:
        """Return the table `metric_sources`: the key of each value as often as it has sources."""
        named = _numbered()
        recordings = np.array([named[name] for name, _ in self._recordings], np.int64)
        calibrations = list(self._calibrations)
        of_events = _stretches(list(self._events), named)
        of_calibrations = _stretches([x for some in calibrations for x in some], named)
        rows = np.arange(values.num_rows)
        with_events = np.flatnonzero(found["events"] != _NO_EVENTS)
        counts = np.array([len(some) for some in calibrations], np.int64)
        starts = (np.cumsum(counts) - counts)[found["calibrations"]]
        counts = counts[found["calibrations"]]
        before = np.cumsum(counts) - counts
        places = np.arange(counts.sum()) + np.repeat(starts - before, counts)
        by_role = {
            _VALUE: (
                rows,
                _Samples(
                    recordings[found["recording"]],
                    found["first_sample"],
                    found["last_sample"],
                    found["measured"],
                ),
            ),
            _EVENTS: (with_events, of_events.of(found["events"][with_events])),
            _CALIBRATION: (np.repeat(rows, counts), of_calibrations.of(places)),
        }
        owners = np.concatenate([owner for owner, _ in by_role.values()])
        roles = np.repeat(list(by_role), [len(owner) for owner, _ in by_role.values()])
        used = _Samples(*map(np.concatenate, zip(*(x for _, x in by_role.values()), strict=True)))
        order = np.lexsort((roles, _ranks(named)[used.recording], owners))
        owners, roles, used = owners[order], roles[order], used.of(order)
        schema = schema_of("metric_sources")
        keys = values.select(list(schema_of("metrics").key)).take(pa.array(owners))
        return pa.table(
            [
                *keys.columns,
                pa.array(list(named), pa.string()).take(pa.array(used.recording)),
                pa.array(_ROLES).take(pa.array(roles)),
                pa.array(used.first_sample, mask=~used.known),
                pa.array(used.last_sample, mask=~used.known),
            ],
            names=schema.names,
        )


def _stretches(sources: Sequence[Source], named: Mapping[str, int]) -> _Samples:
    """Return sources as columns; `named` numbers their recordings, new ones too."""
    known = [x.first_sample is not None and x.last_sample is not None for x in sources]
    return _Samples(
        np.array([named[x.recording_id] for x in sources], np.int64),
        np.array([x.first_sample or 0 for x in sources], np.int64),
        np.array([x.last_sample or 0 for x in sources], np.int64),
        np.array(known, np.bool_),
    )
