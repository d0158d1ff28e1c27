"""Example waveforms for the figures: a few valid landings of each site and task.

They are drawn by lot (see `lottery`), never by a value.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.extraction.knee import Knee, KneeAngle, angle_around
from pipeline.extraction.knee_zero import knee_zero
from pipeline.extraction.lottery import Lottery, in_order_of_lots
from pipeline.extraction.observe import Observed
from pipeline.extraction.rows import landing_id
from pipeline.extraction.signals import Signals
from pipeline.extraction.standing import Standing
from pipeline.extraction.stretch import unfit_for
from pipeline.extraction.values import SideLanding
from pipeline.extraction.visit import Measurement
from pipeline.quality.flags import is_valid
from shared.schemas import schema_of
from shared.settings.processing import ProcessingSettings, Waveforms

Signal = NDArray[np.float64]


class Label(NamedTuple):
    """What a kept curve shows; its signal is let go."""

    channel: str
    unit: str


@dataclass(frozen=True, slots=True)
class Curve:
    """A signal whose sample 0 is a slot of its recording."""

    channel: str
    unit: str
    signal: Signal
    signals: Signals
    first_slot: int = 0

    def around(self, contact_s: float, grid_s: Signal) -> Signal | None:
        """Interpolate at times from contact; None where the signal does not reach that far."""
        places = (contact_s + grid_s - self.signals.start_s) * self.signals.rate_hz
        places -= self.first_slot
        if places[0] < 0.0 or places[-1] > len(self.signal) - 1:
            return None
        return np.interp(places, np.arange(len(self.signal)), self.signal)


def _grid(settings: Waveforms) -> Signal:
    first = -round(settings.before_contact_s / settings.step_s)
    last = round(settings.after_contact_s / settings.step_s)
    # Rounded, so that 0.002 reads 0.002 in the table.
    return np.round(np.arange(first, last + 1) * settings.step_s, 9)


def knee_angles(
    measurement: Measurement,
    landing: SideLanding,
    standing: Standing,
    after_contact_s: float,
    settings: ProcessingSettings,
) -> Iterator[tuple[Knee, KneeAngle]]:
    """Yield the knees of a trial with their angle, from the quiet stance to a time after contact.

    It counts from the same zero as the values do: a value lies on its curve.
    A knee is left out where the recording does not hold the contact, is too slow for the filter, or
    shows no quiet stance that the angle could count from.
    """
    for knee in measurement.knees.values():
        contact, rate_hz = landing.contact_in(knee.signals), knee.signals.rate_hz
        if contact is None or not 0.0 <= contact < len(knee.rate):
            continue
        if unfit_for(settings.filtering.angular_rate_hz, knee.signals) is not None:
            continue
        reach = math.ceil(contact + after_contact_s * rate_hz) + 1
        flexion = angle_around(knee, contact, reach, settings)
        if flexion.stance is not None:
            zero_deg = knee_zero(standing, knee.side, settings).angle_deg
            yield knee, replace(flexion, angle=flexion.angle + math.radians(zero_deg))


def _knee_curves(
    measurement: Measurement,
    landing: SideLanding,
    standing: Standing,
    settings: ProcessingSettings,
) -> Iterator[Curve]:
    after_s = settings.waveforms.after_contact_s
    for knee, flexion in knee_angles(measurement, landing, standing, after_s, settings):
        place = (knee.signals, flexion.offset)
        yield Curve(f"knee_flexion.{knee.side}", "deg", np.degrees(flexion.angle), *place)
        yield Curve(f"knee_flexion_rate.{knee.side}", "deg/s", np.degrees(flexion.rate), *place)


def sensor_curves(seen: Observed, standing: Standing) -> Iterator[Curve]:
    """Yield force and waist as events were found on them, and the angles of a camera."""
    if seen.plates is not None:
        weight, recording = standing.body_weight_n, seen.plates.signals
        yield Curve("vertical_force", "BW", seen.plates.total / weight, recording)
        if seen.trial.side == "both" and seen.plates.per_limb:
            for side in seen.plates.sides:
                force = seen.plates.force_of(side) / weight
                yield Curve(f"vertical_force.{side}", "BW", force, recording)
    if seen.waist is not None:
        yield Curve("waist_acceleration", "g", seen.waist.resultant_g, seen.waist.signals)
    for side in seen.trial.sides:
        camera = seen.trial.with_channels(f"knee_flexion.{side}")
        if camera is not None:
            angle = np.degrees(camera.channels[f"knee_flexion.{side}"])
            yield Curve(f"knee_flexion_camera.{side}", "deg", angle, camera)


def _curves(
    measurement: Measurement,
    landing: SideLanding,
    standing: Standing,
    settings: ProcessingSettings,
) -> Iterator[Curve]:
    """Yield what a trial can show around a landing."""
    yield from sensor_curves(measurement.observed, standing)
    yield from _knee_curves(measurement, landing, standing, settings)


class Examples:
    """Keeps the waveforms of the landings drawn so far; memory does not grow with the shard."""

    def __init__(self, settings: ProcessingSettings) -> None:
        self.settings = settings
        self.grid_s = _grid(settings.waveforms)
        self.lotteries: dict[tuple[str, str], Lottery] = {}
        self.kept: dict[tuple[str, str], dict[str, list[tuple[Label, Signal]]]] = {}

    def offer(self, measurement: Measurement, standing: Standing) -> None:
        """Keep landing 1 of a trial if it is valid and drawn."""
        trial = measurement.observed.trial
        landing = measurement.observed.chosen[1, trial.side]
        contact_s = landing.seconds(landing.contact)
        if contact_s is None or not is_valid(landing.flags, self.settings.quality.excluding_flags):
            return
        name, group = landing_id(trial, landing.side, landing.number), (trial.site, trial.task)
        most = self.settings.waveforms.landings_per_site_and_task
        lottery = self.lotteries.setdefault(group, Lottery(most))
        if not lottery.admits(trial.athlete_id, name):
            return
        curves = [
            (Label(curve.channel, curve.unit), values)
            for curve in _curves(measurement, landing, standing, self.settings)
            if (values := curve.around(contact_s, self.grid_s)) is not None
        ]
        if curves:
            lottery.draw(trial.athlete_id, name)
            kept = self.kept.get(group, {}) | {name: curves}
            self.kept[group] = {one: kept[one] for one in lottery.names}

    def table(self) -> pa.Table:
        """Return the table `waveforms`, sorted by its key."""
        drawn = {
            (name, *group, *label): values
            for group, landings in self.kept.items()
            for name, curves in landings.items()
            for label, values in curves
        }
        labels = sorted(drawn)
        texts = pa.table(
            [pa.array([label[place] for label in labels], pa.string()) for place in range(5)],
            names=["landing_id", "site", "task", "channel", "unit"],
        )
        numbers = {
            "time_s": np.tile(self.grid_s, len(labels)),
            "value": np.concatenate([np.empty(0), *(drawn[label] for label in labels)]),
        }
        table = texts.take(np.repeat(np.arange(len(labels)), len(self.grid_s)))
        for name, values in numbers.items():
            table = table.append_column(name, pa.array(values))
        return table.select(schema_of("waveforms").names)


def draw(waveforms: pd.DataFrame, landings: pd.DataFrame, most: int) -> pd.DataFrame:
    """Return the waveforms of the first `most` landings of each site and task, by their lot.

    Landings that were found invalid in the meantime are left out.
    """
    valid = landings.loc[landings["valid"], ["landing_id", "athlete_id"]]
    names = waveforms[["site", "task", "landing_id"]].drop_duplicates()
    names = in_order_of_lots(names.merge(valid, on="landing_id"), ["site", "task"], "landing_id")
    drawn = names.loc[names["place"] < most, "landing_id"]
    return waveforms.loc[waveforms["landing_id"].isin(drawn)].reset_index(drop=True)
