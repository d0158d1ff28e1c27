"""How each athlete moves: parameters that vary between athletes, limbs, visits and trials.

Metrics are never drawn. These are the inputs of the physical model, from which signals follow.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.simulate.people import SIDES, VISITS, Person
from pipeline.simulate.settings import STYLES, SimulationSettings, TaskName
from pipeline.simulate.streams import generator

Array = NDArray[np.float64]
SINGLE_LEG: TaskName = "single_leg_drop_landing"
DROP_JUMP: TaskName = "drop_vertical_jump"
COUNTERMOVEMENT: TaskName = "countermovement_jump"
SOFT: TaskName = "single_leg_drop_landing_soft"
STIFF: TaskName = "single_leg_drop_landing_stiff"
BOX_JUMP: TaskName = "box_jump"
CUT: TaskName = "cut"

DROP_LANDINGS = (SINGLE_LEG, SOFT, STIFF)
"""Falls from a box onto one leg."""
FROM_BOX = (*DROP_LANDINGS, DROP_JUMP)
"""Tasks that begin on a box; the others begin with a countermovement."""

_ATHLETE = slice(0, 1)
_LIMBS = slice(1, 1 + len(SIDES))
_VISITS = slice(1 + len(SIDES), 1 + len(SIDES) + len(VISITS))


@dataclass(frozen=True)
class Performance:
    """One execution of a task; `slot` counts the trials of a visit, None = without trial variation.

    Further trials count on after those of a visit. `side` is the tested side, or both; `hop` marks
    a second hop after the landing.
    """

    person: Person
    visit: int
    task: TaskName
    side: str
    trial: int
    slot: int | None
    hop: bool = False


def slots(trials: int) -> list[tuple[TaskName, str, int]]:
    """Return the trials of a visit in their order: (task, side, trial number from 1)."""
    sides: list[tuple[TaskName, str]] = [
        *((SINGLE_LEG, side) for side in SIDES),
        (DROP_JUMP, "both"),
        (COUNTERMOVEMENT, "both"),
    ]
    return [(task, side, number + 1) for task, side in sides for number in range(trials)]


def further_slots(trials: int) -> list[tuple[TaskName, str, int]]:
    """Return the further trials of some athletes at clearance, in their order."""
    sides: list[tuple[TaskName, str]] = [
        *((task, side) for task in (SOFT, STIFF) for side in SIDES),
        (BOX_JUMP, "both"),
        *((CUT, side) for side in SIDES),
    ]
    return [(task, side, number + 1) for task, side in sides for number in range(trials)]


def draw_style(settings: SimulationSettings, number: int) -> Array:
    """Return the standard normal draws of one athlete, shape (styles, 1 + limbs + visits + trials).

    Trials have one draw each for every visit, whether it takes place or not. The further trials
    come last and from a stream of their own, so that they leave the others as they are.
    """
    per_visit = len(slots(settings.protocol.trials))
    columns = 1 + len(SIDES) + len(VISITS) * (1 + per_visit)
    draws = generator(settings.seed, number, "style").standard_normal((len(STYLES), columns))
    further = len(further_slots(settings.protocol.further.trials))
    rng = generator(settings.seed, number, "further_style")
    return np.concatenate([draws, rng.standard_normal((len(STYLES), further))], axis=1)


def style_values(
    settings: SimulationSettings, draws: dict[int, Array], performances: Sequence[Performance]
) -> dict[str, Array]:
    """Return every parameter for every performance: name -> (performances, 2) for left, right."""
    per_visit = len(slots(settings.protocol.trials))
    people = [item.person for item in performances]
    stacked = np.stack([draws[person.number] for person in people])
    rows = np.arange(len(performances))
    visits = np.array([item.visit for item in performances])
    varies = np.array([[float(item.slot is not None)] for item in performances])
    slot = np.array([item.slot or 0 for item in performances])
    before = np.where(slot < per_visit, visits, len(VISITS) - 1) * per_visit
    column = _VISITS.stop + before + slot
    involved = np.array([[float(person.involved(side)) for side in SIDES] for person in people])
    women = np.array([[float(person.is_woman)] for person in people])
    table: dict[str, Array] = {}
    for index, name in enumerate(STYLES):
        how, normal = settings.style[name], stacked[:, index]
        value = np.full((len(performances), len(SIDES)), how.typical)
        if how.scale == "log":
            value = np.log(value)
        value += np.array([[how.task_shift.get(item.task, 0.0)] for item in performances])
        value += how.involved_shift * involved + how.women_shift * women
        value += how.between_athletes * normal[:, _ATHLETE]
        value += how.between_limbs * normal[:, _LIMBS]
        value += how.between_visits * normal[:, _VISITS][rows, visits][:, None]
        trial = normal[rows, column][:, None]
        value += how.between_trials * varies * trial
        if how.scale == "log":
            value = np.exp(value)
        table[name] = np.clip(value, how.low, how.high)
    return table


def of_body(values: Array, performances: Sequence[Performance]) -> Array:
    """Return one value per performance: that of the tested limb, or the mean of both limbs."""
    return np.array(
        [
            row.mean() if item.side == "both" else row[SIDES.index(item.side)]
            for row, item in zip(values, performances, strict=True)
        ]
    )
