"""Record one athlete with all instruments: raw files, and what went wrong on the way to them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import numpy as np

from pipeline.simulate.clocks import ON_TRIGGER, Clock, draw_clock, draw_stomps, with_stomps
from pipeline.simulate.columns import INSTRUMENTS, Columns
from pipeline.simulate.contact import DENSE_RATE_HZ
from pipeline.simulate.files import write_bytes, write_recording
from pipeline.simulate.fitting import Fitting, fit
from pipeline.simulate.instruments import clipped_samples, record
from pipeline.simulate.people import Person
from pipeline.simulate.protocol import (
    Trial,
    calibration_kinds,
    calibration_path,
    devices_of,
    has_wrong_rate,
    is_duplicate,
)
from pipeline.simulate.radio import COUNT, lose_packets, sent
from pipeline.simulate.session import flexing, standing
from pipeline.simulate.settings import SimulationSettings
from pipeline.simulate.signals import Signals, sway_acceleration
from pipeline.simulate.streams import generator
from pipeline.simulate.style import COUNTERMOVEMENT, Performance, draw_style, slots, style_values
from pipeline.simulate.units import Unit, draw_unit, unit_number

_ROW_DEVICES = ("wearables_fast", "wearables_basic")
_PLATE_DEVICES = {"plates_pair": ("FzL [N]", "FzR [N]"), "lab_c3d": ("Fz",)}


class Nuisance(NamedTuple):
    """Something that went wrong on purpose; `id` is a recording, trial or athlete."""

    kind: str
    id: str
    detail: str


class TrueClock(NamedTuple):
    """The clock of a recording: what it shows beyond that of the plates when these begin."""

    recording_id: str
    ahead_s: float
    drift: float


def _spoil(
    settings: SimulationSettings,
    trial: Trial,
    device: str,
    columns: Columns,
    signals: Signals,
    clock: Clock,
    rng: np.random.Generator,
) -> tuple[Columns, list[Nuisance]]:
    """Return the columns as they reach the disk, and what was done to them."""
    recording = trial.recording_id(device)
    motion = signals.motion
    assert motion is not None
    rate = INSTRUMENTS[device].rate_hz
    contact = clock.sample_at(motion.contact_s[0], rate)
    found: list[Nuisance] = []
    if trial.fault == "incomplete_plate" and device in _PLATE_DEVICES:
        # The part of the load that the plate misses appears with the first contact.
        caught = rng.uniform(0.6, 0.85)
        after = np.arange(len(columns[_PLATE_DEVICES[device][0]])) >= contact
        for name in _PLATE_DEVICES[device]:
            columns[name] = np.round(np.where(after, caught, 1.0) * columns[name], 1)
        found.append(Nuisance("incomplete_plate", recording, f"plate caught {caught:.0%}"))
    if trial.fault == "short_recording":
        columns = {name: values[: contact + rate // 4] for name, values in columns.items()}
        found.append(Nuisance("short_recording", recording, "stops 0.25 s after contact"))
    if trial.fault in ("gap", "missing_samples") and device in _ROW_DEVICES:
        lost = int(rng.uniform(0.03, 0.08) * rate) if trial.fault == "gap" else 1 + rng.integers(2)
        first = contact + int(rng.uniform(-0.6, 0.8) * rate)
        keep = np.ones(len(columns[next(iter(columns))]), dtype=bool)
        keep[first : first + lost] = False
        columns = {name: values[keep] for name, values in columns.items()}
        found.append(Nuisance(trial.fault, recording, f"{lost} rows missing from row {first}"))
    if has_wrong_rate(settings, trial):
        counted = {name: values for name, values in columns.items() if name == COUNT}
        columns = {name: values[::2] for name, values in columns.items()}
        # The unit counts what it samples: no count is left out.
        columns |= {name: values[: -(-len(values) // 2)] for name, values in counted.items()}
        found.append(Nuisance("rate_mismatch", recording, f"{rate // 2} Hz, declared {rate} Hz"))
    clipped = clipped_samples(device, columns, settings.instruments)
    if clipped:
        found.append(Nuisance("clipped", recording, f"{clipped} samples of the waist unit"))
    return columns, found


class Recorder:
    """Records one athlete, visit by visit, trial by trial.

    What was added to the study later (further trials, calibrations beside quiet standing, the
    reference unit) draws from streams of its own, so that everything else keeps its noise.
    """

    def __init__(self, settings: SimulationSettings, person: Person, study_folder: Path):
        self.settings, self.person, self.folder = settings, person, study_folder
        self.rng = generator(settings.seed, person.number, "measurement")
        self.session = generator(settings.seed, person.number, "session")
        self.further = generator(settings.seed, person.number, "further_measurement")
        self.clocks = generator(settings.seed, person.number, "clocks")
        number = unit_number(person)
        self.units: dict[str, Unit] = {
            device: draw_unit(settings, device, number) for device in devices_of(person)
        }
        self.fitting: Fitting | None = None

    def start_visit(self, visit: int) -> None:
        """Put the units on and record the calibrations of the session."""
        self.fitting = fit(self.settings, self.person, self.rng, self.session)
        for kind, rng in (
            ("standing", self.rng),
            ("standing_end", self.session),
            ("functional_flexion", self.session),
        ):
            self._calibrate(visit, kind, rng)

    def _calibrate(self, visit: int, kind: str, rng: np.random.Generator) -> None:
        person = self.person
        devices = [
            d for d in devices_of(person) if kind in calibration_kinds(self.settings, person, d)
        ]
        if not devices:
            return
        signals = _session_signals(self.settings, person, visit, kind, rng)
        for device in devices:
            own = self.session if INSTRUMENTS[device].reference else rng
            share = 1.0 if kind == "standing_end" else 0.0
            columns = self._record(device, signals, share, own, ON_TRIGGER)
            path = self.folder / calibration_path(person, visit, device, kind)
            write_recording(path, device, columns, INSTRUMENTS[device].rate_hz)

    def _record(
        self,
        device: str,
        signals: Signals,
        share: float,
        rng: np.random.Generator,
        clock: Clock,
    ) -> Columns:
        assert self.fitting is not None, "a visit must have started"
        worn, unit = self.fitting.at(share), self.units[device]
        columns = record(device, signals, worn, unit, self.settings.instruments, rng, clock)
        radio = self.settings.clocks.radio
        return sent(columns, radio, self.clocks) if device == radio.device else columns

    def _clock(self, recording_id: str, device: str) -> tuple[Clock, list[TrueClock]]:
        """Return the clock of a trial's recording, and its truth where it is one of its own."""
        if not self.stomps:
            return ON_TRIGGER, []
        how = self.settings.clocks.stomps
        clock = draw_clock(how, device, self.clocks)
        ahead_s = -how.stretch_s - clock.begin_s
        return clock, [TrueClock(recording_id, ahead_s, clock.drift)]

    def stomped(self, signals: Signals, body: dict[str, float], duration_s: float) -> Signals:
        """Return the signals of a trial with the stomps of a site where there is no trigger."""
        if not self.stomps:
            return signals
        how = self.settings.clocks.stomps
        stomps = draw_stomps(how, duration_s, self.clocks)
        return with_stomps(signals, stomps, how, body)

    @property
    def stomps(self) -> bool:
        """Tell whether the athlete stomps."""
        return self.person.site == self.settings.clocks.stomps.site

    def rng_of(self, trial: Trial) -> np.random.Generator:
        """Return the random numbers of a trial's signals."""
        usual = len(slots(self.settings.protocol.trials))
        return self.rng if trial.slot < usual else self.further

    def trial(self, trial: Trial, signals: Signals) -> tuple[list[Nuisance], list[TrueClock]]:
        """Write the recordings of a trial; return what went wrong, and the clocks."""
        settings = self.settings
        found: list[Nuisance] = []
        clocks: list[TrueClock] = []
        if trial.fault == "second_hop":
            name = trial.recording_id("")[:-1]
            found.append(Nuisance("second_hop", name, "hop after the landing"))
        for device in devices_of(trial.person):
            rng = self.session if INSTRUMENTS[device].reference else self.rng_of(trial)
            clock, of_clock = self._clock(trial.recording_id(device), device)
            clocks += of_clock
            columns = self._record(device, signals, trial.session_share, rng, clock)
            columns, spoiled = _spoil(settings, trial, device, columns, signals, clock, rng)
            if device == settings.clocks.radio.device:
                columns, lost = lose_packets(columns, settings.clocks.radio, self.clocks)
                if lost:
                    detail = f"{lost} packets lost on the way"
                    spoiled.append(Nuisance("missing_samples", trial.recording_id(device), detail))
            target = self.folder / trial.path(device)
            if is_duplicate(settings, trial):
                original = replace(trial, trial=trial.trial - 1)
                write_bytes(target, (self.folder / original.path(device)).read_bytes())
                detail = "same bytes as the trial before"
                found.append(Nuisance("duplicate_recording", trial.recording_id(device), detail))
                continue
            write_recording(target, device, columns, INSTRUMENTS[device].rate_hz)
            found += spoiled
        return found, clocks


def _session_signals(
    settings: SimulationSettings, person: Person, visit: int, kind: str, rng: np.random.Generator
) -> Signals:
    """Return what perfect instruments would see in a calibration of a session."""
    how = settings.protocol.standing
    upright = Performance(person, visit, COUNTERMOVEMENT, "both", 0, None)
    style = style_values(settings, {person.number: draw_style(settings, person.number)}, [upright])
    if kind == "functional_flexion":
        return flexing(upright, style, 0, how)
    samples = round(how.duration_s * DENSE_RATE_HZ) + 1
    sway = sway_acceleration(rng, samples, [(0.0, how.duration_s)], settings.instruments.sway_m_s2)
    return standing(upright, style, 0, sway, how)
