"""Rows of landings and values, and all rows of a shard: a table is made of them once per shard."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from operator import itemgetter
from typing import Any

import pyarrow as pa

from pipeline.extraction.file_rows import Row, clock_row
from pipeline.extraction.limbs import is_dominant, limb_of
from pipeline.extraction.observe import Landings
from pipeline.extraction.standing import Standing
from pipeline.extraction.stomp_clocks import Clock
from pipeline.extraction.trials import Trial
from pipeline.extraction.value_rows import ValueRows
from pipeline.extraction.values import SideLanding
from pipeline.extraction.visit import Measurement
from pipeline.quality.flags import is_valid, join_flags
from pipeline.reasons import Reason
from shared.schemas import schema_of
from shared.settings.processing import ProcessingSettings
from shared.tables import arrow_schema


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
    fields = list(arrow_schema(schema_of(name)))
    columns = zip(*rows, strict=True) if rows else ((),) * len(fields)
    arrays = [
        pa.array(column, field.type, from_pandas=True)  # not a number means empty
        for column, field in zip(columns, fields, strict=True)
    ]
    return pa.table(arrays, names=[field.name for field in fields])


def _raw(landing: SideLanding, position: float | None) -> int | None:
    """Return the first raw sample at or after one of the positions of a landing."""
    if position is None or landing.signals is None:
        return None
    # The way to the common rate and back must not move an event that lies on a sample.
    recorded = round(landing.signals.recorded_position(position), 6)
    return landing.signals.as_recorded.raw_sample(math.ceil(recorded))


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


def landing_row(
    words: Row,
    trial: Trial,
    landing: SideLanding,
    athlete: Athlete,
    standing: Standing,
    excluding: frozenset[str],
) -> Row:
    """Return the row of a landing in the table `landings`.

    Parameters
    ----------
    words
        From `landing_words`: the row begins as those of the landing's values do.
    """
    return (
        *words,
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
        self.excluding = frozenset(settings.quality.excluding_flags)
        names = ("recordings", "calibrations", "synchronisation", "landings", "exclusions")
        self.rows: dict[str, list[Row]] = {name: [] for name in names}
        self.values = ValueRows(self.excluding, settings.filtering)

    def add_measurement(
        self, measurement: Measurement, athlete: Athlete, standing: Standing
    ) -> None:
        """Add landings, values and sources of a trial."""
        trial, words = measurement.observed.trial, {}
        for (number, side), landing in _landings(measurement).items():
            shared = words[number, side] = landing_words(trial, side, number, athlete)
            self.rows["landings"].append(
                landing_row(shared, trial, landing, athlete, standing, self.excluding)
            )
        for part in measurement.by_clock:
            self.values.add(part, words)

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
        found = {name: table(sorted_by_key(rows, name), name) for name, rows in self.rows.items()}
        return found | self.values.tables()
