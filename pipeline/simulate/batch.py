"""Simulate some athletes: their raw files, the truth of their landings, what went wrong."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.simulate.movement import move
from pipeline.simulate.people import VISITS, Person
from pipeline.simulate.protocol import is_duplicate, plan_trials
from pipeline.simulate.recorder import Nuisance, Recorder, TrueClock
from pipeline.simulate.settings import Predictor, SimulationSettings
from pipeline.simulate.signals import make_signals, sway_acceleration
from pipeline.simulate.style import (
    COUNTERMOVEMENT,
    Performance,
    draw_style,
    of_body,
    style_values,
)
from pipeline.simulate.truth import TrueValue, true_values

Array = NDArray[np.float64]

_TISSUE = ("tissue_gain", "tissue_frequency_hz", "tissue_delay_s")


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


def _mirrored(settings: SimulationSettings, attendance: Attendance) -> list[Nuisance]:
    person = attendance.person
    if person.site != settings.nuisances.mirrored_left_sensors_site:
        return []
    detail = "left thigh and shank units turned half around the long axis, not declared"
    return [
        Nuisance("mirrored_sensor", f"{person.athlete_id}.{visit}.left", detail)
        for visit in VISITS[: attendance.visits]
    ]


@dataclass(frozen=True)
class Truth:
    """What is true of the recordings of some athletes."""

    landings: list[TrueValue]
    nuisances: list[Nuisance]
    clocks: list[TrueClock]


def simulate_batch(
    settings: SimulationSettings, batch: Sequence[Attendance], study_folder: Path
) -> Truth:
    """Write all raw files of some athletes; return their truth.

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
    truth = Truth([], [row for item in batch for row in _mirrored(settings, item)], [])
    recorder: Recorder | None = None
    visit = -1
    for index, (trial, motion) in enumerate(zip(trials, motions, strict=True)):
        if recorder is None or recorder.person != trial.person:
            recorder, visit = Recorder(settings, trial.person, study_folder), -1
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
        body = {
            name: float(of_body(style[name][index : index + 1], [trial.performance])[0])
            for name in _TISSUE
        }
        recorded = recorder.stomped(signals, body, trial.duration_s)
        nuisances, clocks = recorder.trial(trial, recorded)
        truth.nuisances.extend(nuisances)
        truth.clocks.extend(clocks)
        if not is_duplicate(settings, trial):
            truth.landings.extend(true_values(signals))
    return truth


Told = TrueValue | Nuisance | TrueClock


def as_table(rows: Sequence[Told], kind: type[Told]) -> pd.DataFrame:
    """Return named tuples as a table that keeps its columns when empty."""
    return pd.DataFrame(rows, columns=list(kind._fields))
