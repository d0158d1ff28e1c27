"""The study tables: what a site would hand over beside its recordings."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.simulate.batch import Attendance
from pipeline.simulate.bench import write_bench
from pipeline.simulate.files import write_bytes
from pipeline.simulate.hazards import ENDS, FollowUp, exposures
from pipeline.simulate.people import SIDES, VISITS, Person
from pipeline.simulate.protocol import (
    calibration_kinds,
    calibration_path,
    devices_of,
    plan_trials,
)
from pipeline.simulate.settings import SimulationSettings
from pipeline.simulate.streams import generator
from pipeline.simulate.style import BOX_JUMP, DROP_JUMP, FROM_BOX
from pipeline.simulate.units import unit_code, unit_number

_INJURIES = ("graft_rupture", "contralateral_tear", "other_knee_injury")
_CONFIRMATION = ("magnetic resonance imaging", "arthroscopy", "surgeon")
_DAYS_BEFORE_CLEARANCE = 20
_DAYS_BETWEEN_BENCHES = 330
_EXPIRED_DAYS = 500


def _athletes(people: Sequence[Person]) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "athlete_id": [p.athlete_id for p in people],
            "site": [p.site for p in people],
            "sex": [p.sex for p in people],
            "age_at_surgery_years": [p.age_at_surgery_years for p in people],
            "injured_side": [p.injured_side for p in people],
            "dominant_side": [p.dominant_side for p in people],
            "graft": [p.graft for p in people],
            "mass_kg": [p.scale_mass_kg for p in people],
            "height_m": [p.height_m for p in people],
            "sport_level": [p.sport_level for p in people],
            "prior_acl_injury": [p.prior_acl_injury for p in people],
        }
    )


def _visits(attendance: Sequence[Attendance]) -> pd.DataFrame:
    rows = [
        (item.person.athlete_id, VISITS[visit], item.person.days_since_surgery[visit])
        for item in attendance
        for visit in range(item.visits)
    ]
    return pd.DataFrame(rows, columns=["athlete_id", "visit", "days_since_surgery"])


def _recordings(settings: SimulationSettings, attendance: Sequence[Attendance]) -> pd.DataFrame:
    rows = []
    for item in attendance:
        for trial in plan_trials(settings, item.person, item.visits):
            on_box = trial.task in (*FROM_BOX, BOX_JUMP)
            box = settings.protocol.box_height_m if on_box else None
            for device in devices_of(item.person):
                rows.append(
                    (
                        item.person.athlete_id,
                        VISITS[trial.visit],
                        trial.task,
                        trial.side,
                        trial.trial,
                        device,
                        trial.path(device),
                        box,
                        trial.order,
                    )
                )
    columns = ["athlete_id", "visit", "task", "limb", "trial", "device", "path", "box_height_m"]
    return pd.DataFrame(rows, columns=[*columns, "order_in_session"])


def _bench_age_days(settings: SimulationSettings, person: Person, visit: int) -> int:
    """Return the age of a unit's bench calibration: once a year it is done anew."""
    if person.number == settings.nuisances.expired_bench_athlete:
        return _EXPIRED_DAYS
    return (person.days_since_surgery[visit] + 37 * person.number) % _DAYS_BETWEEN_BENCHES


def _calibrations(settings: SimulationSettings, attendance: Sequence[Attendance]) -> pd.DataFrame:
    rows = [
        (
            item.person.athlete_id,
            VISITS[visit],
            device,
            unit_code(device, unit_number(item.person)),
            calibration_path(item.person, visit, device, kind),
            kind,
            _bench_age_days(settings, item.person, visit),
        )
        for item in attendance
        for visit in range(item.visits)
        for device in devices_of(item.person)
        for kind in calibration_kinds(settings, item.person, device)
    ]
    columns = ["athlete_id", "visit", "device", "unit_code", "path", "kind"]
    return pd.DataFrame(rows, columns=[*columns, "unit_calibration_age_days"])


def _side(person: Person, event: str, rng: np.random.Generator) -> str:
    any_side = SIDES[int(rng.integers(2))]
    if event not in _INJURIES:
        return ""
    if event == "other_knee_injury" or person.injured_side == "both":
        return any_side
    other = SIDES[1 - SIDES.index(person.injured_side)]
    return other if event == "contralateral_tear" else person.injured_side


def outcome_tables(
    settings: SimulationSettings, people: Sequence[Person], follow_up: FollowUp
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the outcomes (one row per athlete) and the exposure by month."""
    outcomes, months = [], []
    for person, days, code in zip(people, follow_up.days, follow_up.event, strict=True):
        rng = generator(settings.seed, person.number, "outcome")
        rng.standard_exponential(len(ENDS) - 1)  # the draws that decided the event
        event, followup_days, event_days = ENDS[code], int(days), int(days)
        if person.number == settings.nuisances.event_before_clearance_athlete:
            event, followup_days, event_days = ENDS[0], 0, -_DAYS_BEFORE_CLEARANCE
        contact = "yes" if rng.random() < settings.outcomes.contact_share else "no"
        confirmed = _CONFIRMATION[int(rng.integers(len(_CONFIRMATION)))]
        injured = event in _INJURIES
        outcomes.append(
            (
                person.athlete_id,
                followup_days,
                event,
                event_days,
                _side(person, event, rng),
                contact if injured else "",
                confirmed if injured else "",
            )
        )
        rows = exposures(settings.outcomes, followup_days, rng)
        months += [(person.athlete_id, month, count) for month, count in rows]
    columns = [
        "athlete_id",
        "followup_days",
        "event",
        "event_days",
        "side",
        "contact",
        "confirmed_by",
    ]
    return (
        pd.DataFrame(outcomes, columns=columns),
        pd.DataFrame(months, columns=["athlete_id", "month", "athlete_exposures"]),
    )


def _rejections(settings: SimulationSettings, attendance: Sequence[Attendance]) -> pd.DataFrame:
    rows = [
        (trial.recording_id(device), "operator: lost balance before the jump")
        for item in attendance
        if item.person.number == settings.nuisances.operator_reject_athlete
        for trial in plan_trials(settings, item.person, 1)
        if trial.task == DROP_JUMP and trial.trial == 1
        for device in devices_of(item.person)
    ]
    return pd.DataFrame(rows, columns=["recording_id", "reason"])


def _text(table: pd.DataFrame, separator: str) -> bytes:
    return table.to_csv(index=False, sep=separator, lineterminator="\n").encode()


def write_study_tables(
    settings: SimulationSettings,
    attendance: Sequence[Attendance],
    follow_up: FollowUp,
    study_folder: Path,
) -> pd.DataFrame:
    """Write the study tables, and the bench recordings of all units; return the rejections."""
    people = [item.person for item in attendance]
    outcomes, exposure = outcome_tables(settings, people, follow_up)
    rejections = _rejections(settings, attendance)
    comma = {
        "athletes": _athletes(people),
        "recordings": _recordings(settings, attendance),
        "calibrations": _calibrations(settings, attendance),
        "unit_calibrations": write_bench(settings, study_folder),
        "outcomes": outcomes,
        "rejections": rejections,
    }
    for name, table in comma.items():
        write_bytes(study_folder / f"{name}.csv", _text(table, ","))
    write_bytes(study_folder / "visits.tsv", _text(_visits(attendance), "\t"))
    write_bytes(study_folder / "exposure.parquet", exposure.to_parquet(index=False))
    return rejections
