"""Example waveforms for the figures: a few valid landings of each site and task.

They are chosen by the hash of the landing's name, never by a value: an example must not be the
prettiest one.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterator

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.extraction.knee import angle_around
from pipeline.extraction.rows import Row, landing_id
from pipeline.extraction.signals import Signals
from pipeline.extraction.standing import Standing
from pipeline.extraction.values import SideLanding
from pipeline.extraction.visit import Measurement
from pipeline.quality.flags import is_valid
from shared.settings.processing import ProcessingSettings, Waveforms

Signal = NDArray[np.float64]


def lot(name: str) -> str:
    """Return the hash by which examples are drawn: smallest first."""
    return hashlib.sha256(name.encode()).hexdigest()


def _grid(settings: Waveforms) -> Signal:
    first = -round(settings.before_contact_s / settings.step_s)
    last = round(settings.after_contact_s / settings.step_s)
    return np.arange(first, last + 1) * settings.step_s


def _on_grid(
    signal: Signal, signals: Signals, offset: int, contact_s: float, grid: Signal
) -> Signal | None:
    """Interpolate a signal whose sample 0 is slot `offset`; None where the grid goes beyond it."""
    places = (contact_s + grid - signals.start_s) * signals.rate_hz - offset
    if places[0] < 0.0 or places[-1] > len(signal) - 1:
        return None
    return np.interp(places, np.arange(len(signal)), signal)


def _curves(
    measurement: Measurement,
    landing: SideLanding,
    standing: Standing,
    settings: ProcessingSettings,
) -> Iterator[tuple[str, str, Signal, Signals, int]]:
    """Yield (channel, unit, signal, recording, slot of sample 0) of what a trial can show."""
    seen = measurement.observed
    if seen.plates is not None:
        weight = standing.body_weight_n
        yield "vertical_force", "BW", seen.plates.total / weight, seen.plates.signals, 0
        if seen.trial.side == "both" and seen.plates.per_limb:
            for side in seen.plates.sides:
                force = seen.plates.force_of(side) / weight
                yield f"vertical_force.{side}", "BW", force, seen.plates.signals, 0
    if seen.waist is not None:
        yield "waist_acceleration", "g", seen.waist.resultant_g, seen.waist.signals, 0
    for side, knee in measurement.knees.items():
        contact = landing.contact_in(knee.signals)
        if contact is None:
            continue
        reach = math.ceil(contact + settings.waveforms.after_contact_s * knee.signals.rate_hz) + 1
        flexion = angle_around(knee, contact, reach, settings)
        if flexion.stance is None:
            continue
        place = (knee.signals, flexion.offset)
        yield f"knee_flexion.{side}", "deg", np.degrees(flexion.angle), *place
        yield f"knee_flexion_rate.{side}", "deg/s", np.degrees(flexion.rate), *place
    for side in seen.trial.sides:
        camera = seen.trial.with_channels(f"knee_flexion.{side}")
        if camera is not None:
            angle = np.degrees(camera.channels[f"knee_flexion.{side}"])
            yield f"knee_flexion_camera.{side}", "deg", angle, camera, 0


class Examples:
    """Keeps the waveforms of the landings that were drawn so far; memory does not grow."""

    def __init__(self, settings: ProcessingSettings) -> None:
        self.settings = settings
        self.kept: dict[tuple[str, str], dict[str, list[Row]]] = {}

    def offer(self, measurement: Measurement, standing: Standing) -> None:
        """Keep the landing 1 of a trial if it is valid and among the first by its lot."""
        trial = measurement.observed.trial
        landing = measurement.observed.chosen[1, trial.side]
        excluding = frozenset(self.settings.quality.excluding_flags)
        if landing.contact is None or not is_valid(landing.flags, excluding):
            return
        name = landing_id(trial, landing.side, landing.number)
        group = self.kept.setdefault((trial.site, trial.task), {})
        most = self.settings.waveforms.landings_per_site_and_task
        if len(group) >= most and (not group or lot(name) > max(map(lot, group))):
            return
        rows = list(self._rows(name, measurement, landing, standing))
        if rows:
            group[name] = rows
            for surplus in sorted(group, key=lot)[most:]:
                del group[surplus]

    def _rows(
        self, name: str, measurement: Measurement, landing: SideLanding, standing: Standing
    ) -> Iterator[Row]:
        grid = _grid(self.settings.waveforms)
        contact_s = landing.seconds(landing.contact)
        if contact_s is None:
            return
        trial = measurement.observed.trial
        for channel, unit, signal, signals, offset in _curves(
            measurement, landing, standing, self.settings
        ):
            curve = _on_grid(signal, signals, offset, contact_s, grid)
            if curve is None:
                continue
            for time_s, value in zip(grid.tolist(), curve.tolist(), strict=True):
                yield (name, trial.site, trial.task, channel, round(time_s, 9), value, unit)

    def rows(self) -> list[Row]:
        """Return the rows of the table `waveforms`."""
        return [row for group in self.kept.values() for rows in group.values() for row in rows]


def draw(waveforms: pd.DataFrame, landings: pd.DataFrame, most: int) -> pd.DataFrame:
    """Return the waveforms of the first `most` landings of each site and task, by their lot.

    Landings that were found invalid in the meantime are left out.
    """
    valid = set(landings.loc[landings["valid"], "landing_id"])
    names = waveforms[["site", "task", "landing_id"]].drop_duplicates()
    names = names.loc[names["landing_id"].isin(valid)]
    names = names.assign(lot=names["landing_id"].map(lot)).sort_values("lot")
    drawn = names.groupby(["site", "task"], sort=True).head(most)["landing_id"]
    return waveforms.loc[waveforms["landing_id"].isin(drawn)].reset_index(drop=True)
