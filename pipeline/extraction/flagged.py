"""Waveforms of flagged trials, for quality control: is the rule wrong, or the trial?

A few of each site and reason, drawn by lot (see `lottery`), never by a value. Kept is the
whole recording, coarsely, and the landings, finely; of each interval the lowest and the highest
sample, so that no peak is lost and the table stays small. A trial that was flagged only when the
shards were joined (a duplicate, a rejection by hand) is not among them: its signals are gone by
then, and a shard that read the rejections would have to run again with each of them.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.extraction.lottery import Lottery, in_order_of_lots
from pipeline.extraction.standing import Standing
from pipeline.extraction.visit import Measurement
from pipeline.extraction.waveforms import Curve, knee_angles, sensor_curves
from pipeline.quality.flags import one_row_per_flag
from shared.schemas import schema_of
from shared.settings.processing import ProcessingSettings

Signal = NDArray[np.float64]

# A sample that falls on the edge of an interval must not slip before it by rounding.
_EDGE = 1e-6


@dataclass(frozen=True, slots=True)
class Interval:
    """The intervals of one curve, each with its lowest and highest sample; arrays of one length."""

    time_s: Signal
    lowest: Signal
    highest: Signal
    bridged: NDArray[np.bool_]


def in_intervals(curve: Curve, step_s: float, from_s: float, until_s: float) -> Interval | None:
    """Return a curve by intervals of `step_s` on the trial's clock; None without a sample there."""
    signals = curve.signals
    places = np.arange(len(curve.signal)) + curve.first_slot
    times = signals.start_s + places / signals.rate_hz
    first, end = np.searchsorted(times, from_s), np.searchsorted(times, until_s, side="right")
    if first >= end:
        return None
    inside = slice(first, end)
    values = curve.signal[inside]
    numbers = np.floor(times[inside] / step_s + _EDGE).astype(np.int64)
    starts = np.concatenate(([0], np.flatnonzero(numbers[1:] != numbers[:-1]) + 1))
    bridged = np.zeros(len(curve.signal), dtype=np.bool_)
    recorded = signals.as_recorded
    for gap in recorded.gaps:
        gap_from, gap_until = recorded.seconds(gap.first), recorded.seconds(gap.end)
        # At a lower rate than the file's, the sample before a gap rests on the gap, too.
        before = (1.0 - _EDGE) / signals.rate_hz
        bridged |= (times > gap_from - before) & (times < gap_until - 0.5 / recorded.rate_hz)
    return Interval(
        # Rounded, so that 0.004 reads 0.004 in the table.
        np.round(numbers[starts] * step_s, 9),
        np.minimum.reduceat(values, starts),
        np.maximum.reduceat(values, starts),
        np.logical_or.reduceat(bridged[inside], starts),
    )


def _contacts(measurement: Measurement) -> list[float]:
    landings = measurement.observed.chosen.values()
    found = (landing.seconds(landing.contact) for landing in landings)
    return sorted(contact_s for contact_s in found if contact_s is not None)


def _angle_curves(
    measurement: Measurement, standing: Standing, settings: ProcessingSettings
) -> Iterator[Curve]:
    """Yield the knee angles, counted from the stance before the first landing with a contact."""
    seen, contacts = measurement.observed, _contacts(measurement)
    first = seen.chosen[1, seen.trial.side]
    if first.contact is None:
        return
    after_s = contacts[-1] - contacts[0] + settings.waveforms.after_contact_s
    for knee, flexion in knee_angles(measurement, first, standing, after_s, settings):
        angle, place = np.degrees(flexion.angle), (knee.signals, flexion.offset)
        yield Curve(f"knee_flexion.{knee.side}", "deg", angle, *place)


def _curves(
    measurement: Measurement, standing: Standing, settings: ProcessingSettings
) -> Iterator[Curve]:
    """Yield what the sensors recorded of a trial; the rate of the knee before its filter."""
    yield from sensor_curves(measurement.observed, standing)
    for side, knee in measurement.knees.items():
        yield Curve(f"knee_flexion_rate.{side}", "deg/s", np.degrees(knee.rate), knee.signals)
    yield from _angle_curves(measurement, standing, settings)


@dataclass(frozen=True, slots=True)
class _Part:
    """One curve in one view of a kept trial, ready for the table."""

    view: str
    channel: str
    unit: str
    not_synchronous: bool
    intervals: Interval


class Flagged:
    """Keeps a few trials of each site and reason; memory does not grow with the shard."""

    def __init__(self, settings: ProcessingSettings) -> None:
        self.settings = settings
        self.excluding = frozenset(settings.quality.excluding_flags)
        self.lotteries: dict[tuple[str, str], Lottery] = {}
        self.kept: dict[str, tuple[str, str, list[_Part]]] = {}

    def offer(self, measurement: Measurement, standing: Standing) -> None:
        """Keep a trial if it is flagged and drawn for one of its reasons."""
        trial = measurement.observed.trial
        most = self.settings.waveforms.flagged_per_site_and_reason
        lotteries = [
            self.lotteries.setdefault((trial.site, reason), Lottery(most))
            for reason in self._reasons(measurement)
        ]
        admitting = [one for one in lotteries if one.admits(trial.athlete_id, trial.name)]
        if not admitting:
            return
        for lottery in admitting:
            lottery.draw(trial.athlete_id, trial.name)
        parts = [x for one in measurement.by_clock for x in self._parts(one, standing)]
        kept = self.kept | {trial.name: (trial.site, trial.task, parts)}
        still = frozenset[str]().union(*(one.names for one in self.lotteries.values()))
        self.kept = {name: one for name, one in kept.items() if name in still}

    def _reasons(self, measurement: Measurement) -> frozenset[str]:
        found = frozenset[str]()
        for part in measurement.by_clock:
            found = found.union(
                *{value.flags for value in part.values},
                *{value.events.flags for value in part.values},
                *(landing.flags for landing in part.observed.chosen.values()),
            )
        return found & self.excluding

    def _parts(self, measurement: Measurement, standing: Standing) -> Iterator[_Part]:
        settings, contacts = self.settings.waveforms, _contacts(measurement)
        views = [("whole", settings.flagged_whole_step_s, -np.inf, np.inf)]
        if contacts:
            first = contacts[0] - settings.before_contact_s
            last = contacts[-1] + settings.after_contact_s
            views.append(("landings", settings.flagged_landings_step_s, first, last))
        for curve in _curves(measurement, standing, self.settings):
            not_synchronous = curve.signals.clock != ""
            for view, step_s, from_s, until_s in views:
                intervals = in_intervals(curve, step_s, from_s, until_s)
                if intervals is not None:
                    yield _Part(view, curve.channel, curve.unit, not_synchronous, intervals)

    def table(self) -> pa.Table:
        """Return the table `flagged_waveforms`, sorted by its key."""
        parts = sorted(
            (
                (name, part.view, part.channel, site, task, part)
                for name, (site, task, of_trial) in self.kept.items()
                for part in of_trial
            ),
            key=lambda row: row[:3],
        )
        counts = [len(part.intervals.time_s) for *_, part in parts]
        columns: dict[str, pa.Array] = {
            "trial_id": pa.array([row[0] for row in parts], pa.string()),
            "view": pa.array([row[1] for row in parts], pa.string()),
            "channel": pa.array([row[2] for row in parts], pa.string()),
            "site": pa.array([row[3] for row in parts], pa.string()),
            "task": pa.array([row[4] for row in parts], pa.string()),
            "unit": pa.array([part.unit for *_, part in parts], pa.string()),
            "not_synchronous": pa.array([part.not_synchronous for *_, part in parts], pa.bool_()),
        }
        table = pa.table(columns).take(np.repeat(np.arange(len(parts)), counts))
        for name in ("time_s", "lowest", "highest", "bridged"):
            nothing = np.empty(0, dtype=np.bool_ if name == "bridged" else np.float64)
            values = [nothing, *(getattr(part.intervals, name) for *_, part in parts)]
            table = table.append_column(name, pa.array(np.concatenate(values)))
        return table.select(schema_of("flagged_waveforms").names)


def reasons_of_trials(
    landings: pd.DataFrame, metrics: pd.DataFrame, excluding: Collection[str]
) -> pd.DataFrame:
    """Return each trial with each excluding flag of its landings and values.

    Columns: trial_id, athlete_id, site, reason; every row once, sorted.
    """
    columns = ["landing_id", "athlete_id", "site", "flags"]
    flagged = pd.concat(
        [one_row_per_flag(table[columns], excluding) for table in (landings, metrics)]
    )
    trials = flagged["landing_id"].str.rsplit(".", n=2).str[0]
    rows = flagged[["athlete_id", "site"]].assign(trial_id=trials, reason=flagged["flag"])
    rows = rows[["trial_id", "athlete_id", "site", "reason"]].drop_duplicates()
    return rows.sort_values(["site", "reason", "trial_id"], ignore_index=True).astype("object")


def draw_flagged(
    waveforms: pd.DataFrame,
    reasons: pd.DataFrame,
    most_per_group: int,
    most: int,
    undefined: Collection[str],
) -> pd.DataFrame:
    """Return the waveforms of the first trials of each site and reason, by their lots.

    With more than `most` trials, the first of every site and reason come before the second of any;
    then those for which something went wrong before those with `undefined` flags only.

    Parameters
    ----------
    reasons
        From `reasons_of_trials`.
    undefined
        Flags that say that a metric does not exist for such a landing.
    """
    tickets = in_order_of_lots(reasons, ["site", "reason"], "trial_id")
    tickets = tickets.assign(undefined=tickets["reason"].isin(list(undefined)))
    tickets = tickets.loc[tickets["place"] < most_per_group]
    order = tickets.sort_values(["place", "undefined", "athlete_lot", "lot"])
    order = order["trial_id"].drop_duplicates()
    drawn = set(order.head(most))
    return waveforms.loc[waveforms["trial_id"].isin(drawn)].reset_index(drop=True)
