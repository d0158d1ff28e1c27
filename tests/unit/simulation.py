"""Settings and shortcuts that the tests of the generator share."""

from pathlib import Path

from pipeline.simulate.movement import move
from pipeline.simulate.people import draw_person
from pipeline.simulate.settings import SimulationSettings, TaskName
from pipeline.simulate.signals import Signals, make_signals
from pipeline.simulate.style import (
    COUNTERMOVEMENT,
    DROP_JUMP,
    FROM_BOX,
    SINGLE_LEG,
    Performance,
    draw_style,
    further_slots,
    slots,
    style_values,
)
from shared.settings.strict import load

CONFIG = Path(__file__).parents[2] / "config"


def settings(**changes: object) -> SimulationSettings:
    """Return the demo's settings with top-level keys replaced."""
    loaded = load(SimulationSettings, CONFIG / "simulate.yaml")
    return SimulationSettings.model_validate({**loaded.model_dump(), **changes})


TASKS = (SINGLE_LEG, DROP_JUMP, COUNTERMOVEMENT)


def perform(
    chosen: SimulationSettings, athletes: int, tasks: tuple[TaskName, ...] = TASKS, trials: int = 3
) -> list[Signals]:
    """Return the noise-free signals of the first trials of the clearance visit."""
    people = [draw_person(chosen, number + 1) for number in range(athletes)]
    draws = {person.number: draw_style(chosen, person.number) for person in people}
    performances = [
        Performance(person, 0, task, side, trial, slot)
        for person in people
        for slot, (task, side, trial) in enumerate(
            [*slots(chosen.protocol.trials), *further_slots(chosen.protocol.further.trials)]
        )
        if task in tasks and trial <= trials
    ]
    style = style_values(chosen, draws, performances)
    starts = [3.0 if item.task in FROM_BOX else 1.6 for item in performances]
    durations = [chosen.protocol.trial_duration_s[item.task] for item in performances]
    motions = move(chosen, style, performances, starts, durations)
    return [
        make_signals(item, motion, style, index)
        for index, (item, motion) in enumerate(zip(performances, motions, strict=True))
    ]
