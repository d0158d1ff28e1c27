"""Who is measured when, with what, and what goes wrong: the plan of all recordings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from pipeline.simulate.files import suffix_of
from pipeline.simulate.people import VISITS, Person
from pipeline.simulate.settings import SimulationSettings, TaskName
from pipeline.simulate.streams import generator
from pipeline.simulate.style import COUNTERMOVEMENT, SINGLE_LEG, Performance, slots

Fault = Literal["", "gap", "missing_samples", "incomplete_plate", "short_recording", "second_hop"]

DEVICES = {
    "harbour": ("plates_pair", "wearables_fast"),
    "meadow": ("lab_c3d",),
    "ridge": ("wearables_basic",),
}
_CAMERA = "camera_knee"
_ROWS_CAN_BE_LOST = ("harbour", "ridge")  # C3D has no time column that could show a gap
_HAS_PLATE = ("harbour", "meadow")


@dataclass(frozen=True)
class Trial:
    """One trial of a visit as planned; `start_s` as in `movement.move`."""

    person: Person
    visit: int
    task: TaskName
    side: str
    trial: int
    slot: int
    start_s: float
    duration_s: float
    fault: Fault

    @property
    def performance(self) -> Performance:
        """What the athlete does in it."""
        return Performance(
            self.person,
            self.visit,
            self.task,
            self.side,
            self.trial,
            self.slot,
            hop=self.fault == "second_hop",
        )

    def path(self, device: str) -> str:
        """File of a device, relative to the study folder."""
        name = f"{self.task}.{self.side}.{self.trial}.{device}{suffix_of(device)}"
        return f"recordings/{self.person.athlete_id}/{VISITS[self.visit]}/{name}"

    def recording_id(self, device: str) -> str:
        """Name of the recording by the study's convention."""
        return (
            f"{self.person.athlete_id}.{VISITS[self.visit]}.{self.task}."
            f"{self.side}.{self.trial}.{device}"
        )


def devices_of(person: Person) -> tuple[str, ...]:
    """Return the instruments used for an athlete."""
    devices = DEVICES[person.site]
    return (*devices, _CAMERA) if person.camera else devices


def calibration_path(person: Person, visit: int, device: str) -> str:
    """Return the file of quiet standing, relative to the study folder."""
    name = f"standing.{device}{suffix_of(device)}"
    return f"calibrations/{person.athlete_id}/{VISITS[visit]}/{name}"


def unit_code(person: Person, device: str) -> str:
    """Return the pseudonym of the unit: two sets of each instrument are in use."""
    return f"{device.split('_')[0]}-{1 + person.number // 3 % 2}"


def _fault(
    settings: SimulationSettings, site: str, task: TaskName, rng: np.random.Generator
) -> Fault:
    shares = settings.nuisances
    candidates: list[tuple[Fault, float]] = [
        ("gap", shares.gap_share * (site in _ROWS_CAN_BE_LOST)),
        ("missing_samples", shares.missing_samples_share * (site in _ROWS_CAN_BE_LOST)),
        ("incomplete_plate", shares.incomplete_plate_share * (site in _HAS_PLATE)),
        ("short_recording", shares.short_recording_share),
        ("second_hop", shares.second_hop_share * (task == SINGLE_LEG)),
    ]
    draw = rng.random()
    for fault, share in candidates:
        if draw < share:
            return fault
        draw -= share
    return ""


def plan_trials(settings: SimulationSettings, person: Person, visits: int) -> list[Trial]:
    """Return the trials of the first `visits` visits of an athlete, in order."""
    protocol = settings.protocol
    rng = generator(settings.seed, person.number, "protocol")
    special = settings.nuisances
    singular = person.number in (special.duplicate_athlete, special.wrong_rate_athlete)
    trials = []
    for visit in range(visits):
        for slot, (task, side, number) in enumerate(slots(protocol.trials)):
            countermovement = task == COUNTERMOVEMENT
            window = (
                protocol.countermovement_start_s if countermovement else protocol.first_contact_s
            )
            start = float(rng.uniform(*window))
            fault = _fault(settings, person.site, task, rng)
            trials.append(
                Trial(
                    person=person,
                    visit=visit,
                    task=task,
                    side=side,
                    trial=number,
                    slot=slot,
                    start_s=start,
                    duration_s=protocol.trial_duration_s[task],
                    fault="" if singular else fault,
                )
            )
    return trials


def is_duplicate(settings: SimulationSettings, trial: Trial) -> bool:
    """Whether the file of this trial is a copy of the trial before it."""
    return (
        trial.person.number == settings.nuisances.duplicate_athlete
        and (trial.visit, trial.task, trial.side) == (0, SINGLE_LEG, "left")
        and trial.trial == settings.protocol.trials > 1
    )


def has_wrong_rate(settings: SimulationSettings, trial: Trial) -> bool:
    """Whether this trial was recorded at half the declared rate."""
    return (
        trial.person.number == settings.nuisances.wrong_rate_athlete
        and (trial.visit, trial.task, trial.side) == (0, SINGLE_LEG, "left")
        and trial.trial == 1
    )


def files_of(settings: SimulationSettings, person: Person, visits: int) -> list[str]:
    """Return every raw file of an athlete, relative to the study folder."""
    paths = [
        trial.path(device)
        for trial in plan_trials(settings, person, visits)
        for device in devices_of(person)
    ]
    paths += [
        calibration_path(person, visit, device)
        for visit in range(visits)
        for device in devices_of(person)
    ]
    return paths
