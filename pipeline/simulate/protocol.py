"""Who is measured when, with what, and what goes wrong: the plan of all recordings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from pipeline.simulate.columns import INSTRUMENTS
from pipeline.simulate.files import suffix_of
from pipeline.simulate.people import VISITS, Person
from pipeline.simulate.settings import SimulationSettings, TaskName
from pipeline.simulate.streams import generator
from pipeline.simulate.style import (
    CUT,
    FROM_BOX,
    SINGLE_LEG,
    Performance,
    further_slots,
    slots,
)

Fault = Literal["", "gap", "missing_samples", "incomplete_plate", "short_recording", "second_hop"]

DEVICES = {
    "harbour": ("plates_pair", "wearables_fast"),
    "meadow": ("lab_c3d",),
    "ridge": ("wearables_basic",),
}
_FURTHER_DEVICES = ("camera_knee", "reference_unit")
"""Worn or used by some athletes of harbour, to show how well the others measure."""
_ROWS_CAN_BE_LOST = ("harbour", "ridge")  # C3D has no time column that could show a gap
_HAS_PLATE = tuple(
    site for site, devices in DEVICES.items() if any(INSTRUMENTS[name].plates for name in devices)
)


@dataclass(frozen=True)
class Trial:
    """One trial of a visit as planned; `start_s` as in `movement.move`, `order` from 1."""

    person: Person
    visit: int
    task: TaskName
    side: str
    trial: int
    slot: int
    start_s: float
    duration_s: float
    fault: Fault
    order: int
    session_share: float

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
    return (*devices, *_FURTHER_DEVICES) if person.camera else devices


def calibration_kinds(settings: SimulationSettings, person: Person, device: str) -> tuple[str, ...]:
    """Return which calibrations of a session are recorded with a device."""
    bends = INSTRUMENTS[device].segments
    flexes = bends and person.site in settings.protocol.standing.flexion_sites
    return ("standing", "standing_end", *(("functional_flexion",) if flexes else ()))


def calibration_path(person: Person, visit: int, device: str, kind: str) -> str:
    """Return the file of a calibration of a session, relative to the study folder."""
    name = f"{kind}.{device}{suffix_of(device)}"
    return f"calibrations/{person.athlete_id}/{VISITS[visit]}/{name}"


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


def does_further(settings: SimulationSettings, person: Person) -> bool:
    """Whether an athlete also does soft and stiff landings, box jumps and cuts."""
    place = (person.number - 1) // len(DEVICES)
    return place % settings.protocol.further.each == 0


def plan_trials(settings: SimulationSettings, person: Person, visits: int) -> list[Trial]:
    """Return the trials of the first `visits` visits of an athlete, in order."""
    protocol = settings.protocol
    rng = generator(settings.seed, person.number, "protocol")
    special = settings.nuisances
    further_rng = generator(settings.seed, person.number, "further_protocol")
    singular = person.number in (special.duplicate_athlete, special.wrong_rate_athlete)
    usual, further = slots(protocol.trials), further_slots(protocol.further.trials)
    trials = []
    for visit in range(visits):
        adds = visit == 0 and does_further(settings, person)
        planned = list(enumerate([*usual, *further] if adds else usual))
        if person.site not in _HAS_PLATE:  # nothing else tells which step was the cut
            planned = [item for item in planned if item[1][0] != CUT]
        for order, (slot, (task, side, number)) in enumerate(planned, start=1):
            own = rng if slot < len(usual) else further_rng
            falls = task in FROM_BOX
            window = protocol.first_contact_s if falls else protocol.countermovement_start_s
            start = float(own.uniform(*window))
            fault: Fault = "" if slot >= len(usual) else _fault(settings, person.site, task, rng)
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
                    order=order,
                    session_share=order / (len(planned) + 1),
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
        calibration_path(person, visit, device, kind)
        for visit in range(visits)
        for device in devices_of(person)
        for kind in calibration_kinds(settings, person, device)
    ]
    return paths
