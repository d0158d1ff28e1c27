"""Force plates of a trial: forces with the offset of the empty plates removed.

Events are found on the samples as recorded: an anti-aliasing filter rings on both sides of an
impact, as any zero-lag filter does, and would move a contact that begins with a jump of the force
by 5 ms. Everything else reads the forces at the common rate.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.calibration.body_weight import quiet_stance
from pipeline.calibration.stillness import Window
from pipeline.events.phases import FlightPhase
from pipeline.events.plate import EmptyPlate, contact_threshold, empty_plate, plate_flights
from pipeline.extraction.signals import Signals
from pipeline.extraction.trials import Trial
from shared.settings.processing import Events

Signal = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Plates:
    """Raw forces of a trial with the offset of the empty plates removed.

    Parameters
    ----------
    signals : the recording
    sides : left and right, or single
    forces : shape (plates, samples), N
    total : force on the whole body, shape (samples,), N
    recorded : forces at the rate of the file, shape (plates, samples of the file), N
    thresholds_n : force that tells contact, per plate
    empty : reading of each empty plate as recorded; None when a plate never was empty
    """

    signals: Signals
    sides: tuple[str, ...]
    forces: Signal
    total: Signal
    recorded: Signal
    thresholds_n: tuple[float, ...]
    empty: tuple[EmptyPlate | None, ...]

    @property
    def per_limb(self) -> bool:
        """Tell whether each limb has a plate of its own."""
        return len(self.sides) == 2

    def force_of(self, side: str) -> Signal:
        """Return the force on one limb (left, right), or on all that stands on the plates."""
        return self.forces[self.sides.index(side)] if side in self.sides else self.total

    def flights(self, settings: Events, side: str | None = None) -> tuple[FlightPhase, ...]:
        """Return the flight phases of the whole body, or of one limb."""
        rows = slice(None) if side is None else slice(i := self.sides.index(side), i + 1)
        recorded_hz = self.signals.as_recorded.rate_hz
        phases = plate_flights(
            self.recorded[rows],
            self.thresholds_n[rows],
            recorded_hz,
            contact_hold_s=settings.contact_hold_s,
            contact_dip_s=settings.contact_dip_s,
            unloaded_before_contact_s=settings.unloaded_before_contact_s,
            minimum_flight_s=settings.minimum_flight_s,
            landing_peak_window_s=settings.landing_peak_window_s,
        )
        if self.signals.recorded is None:
            return phases
        ratio = self.signals.rate_hz / recorded_hz
        return tuple(phase.at_ratio(ratio) for phase in phases)


def read_plates(trial: Trial, settings: Events) -> Plates | None:
    """Remove the offset of the empty plates from the raw forces; None without a plate."""
    found = trial.plate_channels()
    if found is None:
        return None
    signals, channels = found
    recorded = signals.as_recorded
    loads = recorded.stack(channels)
    limits = {
        "force_threshold_n": settings.force_threshold_n,
        "force_threshold_sd": settings.force_threshold_sd,
    }
    empty = tuple(
        empty_plate(
            force,
            recorded.rate_hz,
            **limits,
            empty_window_s=settings.empty_window_s,
            largest_offset_n=settings.largest_offset_n,
        )
        for force in loads
    )
    offsets = np.array([[reading.offset_n if reading else 0.0] for reading in empty])
    loads -= offsets
    forces = loads if recorded is signals else signals.stack(channels) - offsets
    return Plates(
        signals,
        tuple(channel.rpartition(".")[2] for channel in channels),
        forces,
        forces.sum(axis=0),
        loads,
        tuple(
            contact_threshold(reading.noise_n if reading else 0.0, **limits) for reading in empty
        ),
        empty,
    )


def final_stance(
    plates: Plates, contact: float, *, body_weight_n: float, window_s: float, settings: Events
) -> Window | None:
    """Return the stance after a landing, or None when the athlete does not come to rest."""
    window = quiet_stance(
        plates.total,
        plates.signals.rate_hz,
        window_s=window_s,
        first_sample=int(contact + settings.final_stance_after_s * plates.signals.rate_hz),
        smallest_load_n=settings.final_stance_load_share * body_weight_n,
    )
    if window is None:
        return None
    spread = plates.total[window.samples].std()
    return window if spread <= settings.final_stance_spread_share * body_weight_n else None
