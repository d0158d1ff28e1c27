"""Simulate some athletes: their raw files, the truth of their landings, what went wrong."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.simulate.columns import INSTRUMENTS, Columns
from pipeline.simulate.contact import DENSE_RATE_HZ
from pipeline.simulate.files import write_bytes, write_recording
from pipeline.simulate.fitting import Fitting, fit
from pipeline.simulate.instruments import clipped_samples, record
from pipeline.simulate.movement import move
from pipeline.simulate.people import VISITS, Person
from pipeline.simulate.protocol import (
    Trial,
    calibration_kinds,
    calibration_path,
    devices_of,
    has_wrong_rate,
    is_duplicate,
    plan_trials,
)
from pipeline.simulate.session import flexing, standing
from pipeline.simulate.settings import Predictor, SimulationSettings
from pipeline.simulate.signals import Signals, make_signals, sway_acceleration
from pipeline.simulate.streams import generator
from pipeline.simulate.style import (
    COUNTERMOVEMENT,
    Performance,
    draw_style,
    slots,
    style_values,
)
from pipeline.simulate.truth import TrueValue, true_values
from pipeline.simulate.units import Unit, draw_unit, unit_number

Array = NDArray[np.float64]

_ROW_DEVICES = ("wearables_fast", "wearables_basic")
_PLATE_DEVICES = {"plates_pair": ("FzL [N]", "FzR [N]"), "lab_c3d": ("Fz",)}


class Nuisance(NamedTuple):
    """Something that went wrong on purpose; `id` is a recording, trial or athlete."""

    kind: str
    id: str
    detail: str


@dataclass(frozen=True)
class Attendance:
    """An athlete and the number of visits that took place."""

    person: Person
    visits: int


def true_predictors(settings: SimulationSettings, people: Sequence[Person]) -> dict[str, Array]:
    """Return each athlete's true predictors at clearance: metric -> (athletes,).

    Computed like any true metric, from the signals of a performance without trial variation;
    with both knees operated, the mean of the two.
    """
    draws = {person.number: draw_style(settings, person.number) for person in people}
    table = {}
    for predictor in settings.outcomes.predictors:
        rows = [
            (index, Performance(person, 0, predictor.task, side, 1, None))
            for index, person in enumerate(people)
            for side in _sides(predictor, person)
        ]
        performances = [performance for _, performance in rows]
        style = style_values(settings, draws, performances)
        start = 1.0 if predictor.task == COUNTERMOVEMENT else 0.6
        motions = move(settings, style, performances, [start] * len(rows), [4.0] * len(rows))
        values = np.array(
            [
                _pick(predictor, true_values(make_signals(performance, motion, style, index)))
                for index, (performance, motion) in enumerate(
                    zip(performances, motions, strict=True)
                )
            ]
        )
        athlete = np.array([index for index, _ in rows])
        table[predictor.metric] = np.bincount(athlete, values) / np.bincount(athlete)
    return table


def _sides(predictor: Predictor, person: Person) -> tuple[str, ...]:
    if predictor.limb == "both":
        return ("both",)
    return tuple(side for side in ("left", "right") if person.involved(side))


def _pick(predictor: Predictor, rows: list[TrueValue]) -> float:
    wanted = (predictor.metric, predictor.sensor, predictor.landing, predictor.limb)
    (value,) = (
        row.value for row in rows if (row.metric, row.sensor, row.landing, row.limb) == wanted
    )
    return value


def _quiet_windows(signal_end: float, moving: tuple[float, float]) -> list[tuple[float, float]]:
    return [(0.0, moving[0]), (moving[1], signal_end)]


def _spoil(
    settings: SimulationSettings,
    trial: Trial,
    device: str,
    columns: Columns,
    signals: Signals,
    rng: np.random.Generator,
) -> tuple[Columns, list[Nuisance]]:
    """Return the columns as they reach the disk, and what was done to them."""
    recording = trial.recording_id(device)
    motion = signals.motion
    assert motion is not None
    rate = INSTRUMENTS[device].rate_hz
    contact = round(motion.contact_s[0] * rate)
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
        columns = {name: values[::2] for name, values in columns.items()}
        found.append(Nuisance("rate_mismatch", recording, f"{rate // 2} Hz, declared {rate} Hz"))
    clipped = clipped_samples(device, columns, settings.instruments)
    if clipped:
        found.append(Nuisance("clipped", recording, f"{clipped} samples of the waist unit"))
    return columns, found


class _Recorder:
    """Records one athlete, visit by visit, trial by trial.

    What was added to the study later (further trials, calibrations beside quiet standing, the
    reference unit) draws from streams of its own, so that everything else keeps its noise.
    """

    def __init__(self, settings: SimulationSettings, person: Person, study_folder: Path):
        self.settings, self.person, self.folder = settings, person, study_folder
        self.rng = generator(settings.seed, person.number, "measurement")
        self.session = generator(settings.seed, person.number, "session")
        self.further = generator(settings.seed, person.number, "further_measurement")
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
            columns = self._record(device, signals, share, own)
            path = self.folder / calibration_path(person, visit, device, kind)
            write_recording(path, device, columns, INSTRUMENTS[device].rate_hz)

    def _record(
        self, device: str, signals: Signals, share: float, rng: np.random.Generator
    ) -> Columns:
        assert self.fitting is not None, "a visit must have started"
        worn, unit = self.fitting.at(share), self.units[device]
        return record(device, signals, worn, unit, self.settings.instruments, rng)

    def rng_of(self, trial: Trial) -> np.random.Generator:
        """Return the random numbers of a trial's signals."""
        usual = len(slots(self.settings.protocol.trials))
        return self.rng if trial.slot < usual else self.further

    def trial(self, trial: Trial, signals: Signals) -> list[Nuisance]:
        """Write the recordings of a trial; return what went wrong."""
        settings, found = self.settings, []
        if trial.fault == "second_hop":
            name = trial.recording_id("")[:-1]
            found.append(Nuisance("second_hop", name, "hop after the landing"))
        for device in devices_of(trial.person):
            rng = self.session if INSTRUMENTS[device].reference else self.rng_of(trial)
            columns = self._record(device, signals, trial.session_share, rng)
            columns, spoiled = _spoil(settings, trial, device, columns, signals, rng)
            target = self.folder / trial.path(device)
            if is_duplicate(settings, trial):
                original = replace(trial, trial=trial.trial - 1)
                write_bytes(target, (self.folder / original.path(device)).read_bytes())
                detail = "same bytes as the trial before"
                found.append(Nuisance("duplicate_recording", trial.recording_id(device), detail))
                continue
            write_recording(target, device, columns, INSTRUMENTS[device].rate_hz)
            found += spoiled
        return found


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


def _mirrored(settings: SimulationSettings, attendance: Attendance) -> list[Nuisance]:
    person = attendance.person
    if person.site != settings.nuisances.mirrored_left_sensors_site:
        return []
    detail = "left thigh and shank units turned half around the long axis, not declared"
    return [
        Nuisance("mirrored_sensor", f"{person.athlete_id}.{visit}.left", detail)
        for visit in VISITS[: attendance.visits]
    ]


def simulate_batch(
    settings: SimulationSettings, batch: Sequence[Attendance], study_folder: Path
) -> tuple[list[TrueValue], list[Nuisance]]:
    """Write all raw files of some athletes; return the truth and the nuisances.

    All landings of the batch are integrated together; everything random is drawn per athlete.
    """
    trials = [trial for item in batch for trial in plan_trials(settings, item.person, item.visits)]
    draws = {item.person.number: draw_style(settings, item.person.number) for item in batch}
    performances = [trial.performance for trial in trials]
    style = style_values(settings, draws, performances)
    motions = move(
        settings,
        style,
        performances,
        [trial.start_s for trial in trials],
        [trial.duration_s for trial in trials],
    )
    truth: list[TrueValue] = []
    nuisances = [row for item in batch for row in _mirrored(settings, item)]
    recorder: _Recorder | None = None
    visit = -1
    for index, (trial, motion) in enumerate(zip(trials, motions, strict=True)):
        if recorder is None or recorder.person != trial.person:
            recorder, visit = _Recorder(settings, trial.person, study_folder), -1
        if trial.visit != visit:
            visit = trial.visit
            recorder.start_visit(visit)
        sway = sway_acceleration(
            recorder.rng_of(trial),
            len(motion.support),
            _quiet_windows(trial.duration_s, motion.moving_s),
            settings.instruments.sway_m_s2,
        )
        signals = make_signals(trial.performance, motion, style, index, sway)
        nuisances += recorder.trial(trial, signals)
        if not is_duplicate(settings, trial):
            truth += true_values(signals)
    return truth, nuisances


def as_table(
    rows: Sequence[TrueValue] | Sequence[Nuisance], kind: type[TrueValue] | type[Nuisance]
) -> pd.DataFrame:
    """Return named tuples as a table that keeps its columns when empty."""
    return pd.DataFrame(rows, columns=list(kind._fields))
