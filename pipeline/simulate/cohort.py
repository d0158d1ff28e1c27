"""Generate the demo study: raw files and tables in one folder, the truth in another."""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # sums in another order give other bytes

import json
import multiprocessing
import shutil
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path

import numpy as np

from pipeline.simulate.batch import Attendance, as_table, simulate_batch, true_predictors
from pipeline.simulate.files import write_bytes
from pipeline.simulate.hazards import ENDS, FollowUp, draw_follow_up, log_hazard_ratios
from pipeline.simulate.people import Person, draw_person
from pipeline.simulate.planted import Standardised, athletes_truth, effects_truth, standardise
from pipeline.simulate.protocol import files_of
from pipeline.simulate.recorder import Nuisance, TrueClock
from pipeline.simulate.settings import SimulationSettings
from pipeline.simulate.streams import generator
from pipeline.simulate.study_tables import write_study_tables
from pipeline.simulate.truth import TrueValue
from shared.errors import stop
from shared.layout import find_table
from shared.provenance import code_version, hash_of_settings
from shared.withdrawals import TABLE as WITHDRAWALS

Report = Callable[[str], None]

_STAMP = ".simulation.json"
_STUDY_PARTS = ("recordings", "calibrations")
_STUDY_TABLES = (
    "athletes.csv",
    "recordings.csv",
    "calibrations.csv",
    "unit_calibrations.csv",
    "outcomes.csv",
    "rejections.csv",
    "visits.tsv",
    "exposure.parquet",
)
_TRUTH_TABLES = (
    "effects.parquet",
    "athletes.parquet",
    "landings.parquet",
    "nuisances.parquet",
    "clocks.parquet",
)
_PARTS = "parts"


def _say_nothing(text: str) -> None:
    del text


def _digest(settings: SimulationSettings) -> str:
    here = Path(__file__).parent
    code = code_version(here.glob("*.py"), here)
    return hash_of_settings({"code": code, "settings": settings.model_dump(mode="json")})


def _count_files(folder: Path) -> int:
    """Count the files that the generator wrote; withdrawals are the one table that others add."""
    count = sum(len(files) for _, _, files in os.walk(folder))
    return count - (find_table(folder, WITHDRAWALS) is not None)


def _read_stamp(study_folder: Path) -> dict[str, object]:
    path = study_folder / _STAMP
    return json.loads(path.read_text(encoding="utf-8")) if path.is_file() else {}


def _write_stamp(study_folder: Path, content: dict[str, object]) -> None:
    write_bytes(study_folder / _STAMP, json.dumps(content, sort_keys=True).encode() + b"\n")


def _is_finished(stamp: dict[str, object], digest: str, study: Path, truth: Path) -> bool:
    return (
        stamp.get("digest") == digest
        and stamp.get("files") == _count_files(study)
        and all((truth / name).is_file() for name in _TRUTH_TABLES)
    )


def _make_room(stamp: dict[str, object], digest: str, study: Path, truth: Path) -> None:
    """Remove what an earlier run with other settings left; refuse a folder of someone else."""
    if not stamp and study.is_dir() and any(study.iterdir()):
        raise stop(
            "study_folder_not_ours",
            study.name,
            found="files that the generator did not write",
            expected="an empty folder for the demo study",
            mend="choose another study_folder in study.yaml, or take out the section 'demo'",
        )
    if stamp.get("digest") != digest:
        for folder in (*(study / part for part in _STUDY_PARTS), truth / _PARTS):
            shutil.rmtree(folder, ignore_errors=True)
        for file in (
            *(study / name for name in _STUDY_TABLES),
            *(truth / name for name in _TRUTH_TABLES),
        ):
            file.unlink(missing_ok=True)
    _write_stamp(study, {"digest": digest})


def _batches(count: int, size: int) -> list[range]:
    """Return the athletes' numbers by batch: fixed by the settings, never by the cores."""
    return [range(first, min(first + size, count + 1)) for first in range(1, count + 1, size)]


def _predictors_job(settings: SimulationSettings, numbers: range) -> dict[str, np.ndarray]:
    return true_predictors(settings, [draw_person(settings, number) for number in numbers])


def _recordings_job(
    settings: SimulationSettings, batch: list[Attendance], study: Path, part: Path
) -> None:
    truth = simulate_batch(settings, batch, study)
    # The landings go last: their part stands for a finished batch.
    for name, table in (
        ("clocks", as_table(truth.clocks, TrueClock)),
        ("nuisances", as_table(truth.nuisances, Nuisance)),
        ("landings", as_table(truth.landings, TrueValue)),
    ):
        write_bytes(part.with_name(f"{name}-{part.name}"), table.to_parquet(index=False))


def _end_with_parent() -> None:
    """Make a worker end when the main process is killed, so that no orphan writes on."""
    parent = multiprocessing.parent_process()
    if parent is None:
        return

    def watch() -> None:
        parent.join()
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


def _run(
    jobs: Sequence[tuple[object, ...]], function: Callable[..., object], cores: int
) -> Iterator[tuple[int, object]]:
    """Yield (index, result) of each job as it ends, in this process or in a pool."""
    if cores <= 1 or len(jobs) <= 1:
        for index, job in enumerate(jobs):
            yield index, function(*job)
        return
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(min(cores, len(jobs)), context, _end_with_parent) as pool:
        waiting = {pool.submit(function, *job): index for index, job in enumerate(jobs)}
        for done in as_completed(waiting):
            yield waiting[done], done.result()


def _all_predictors(
    settings: SimulationSettings, cores: int, report: Report
) -> dict[str, np.ndarray]:
    batches = _batches(settings.athletes, 50 * settings.athletes_per_batch)
    results: dict[int, dict[str, np.ndarray]] = {}
    jobs = [(settings, numbers) for numbers in batches]
    for index, result in _run(jobs, _predictors_job, cores):
        results[index] = result  # type: ignore[assignment]
        report(f"true predictors: {len(results)} of {len(jobs)} batches")
    ordered = [results[index] for index in range(len(jobs))]
    return {name: np.concatenate([part[name] for part in ordered]) for name in ordered[0]}


def _follow_up(
    settings: SimulationSettings, people: Sequence[Person], standardised: Standardised
) -> FollowUp:
    age = np.array([person.age_at_surgery_years for person in people])
    women = np.array([float(person.is_woman) for person in people])
    ratios = log_hazard_ratios(settings.outcomes, standardised.values, age, women)
    draws = np.array(
        [
            generator(settings.seed, person.number, "outcome").standard_exponential(len(ENDS) - 1)
            for person in people
        ]
    )
    bilateral = np.array([person.injured_side == "both" for person in people])
    return draw_follow_up(settings.outcomes, ratios, draws, bilateral)


def _attendance(
    settings: SimulationSettings, people: Sequence[Person], follow_up: FollowUp
) -> list[Attendance]:
    """The follow-up visit takes place only if nothing ended the follow-up before it."""
    rows = []
    for person, days in zip(people, follow_up.days, strict=True):
        gap = person.days_since_surgery[1] - person.days_since_surgery[0]
        injured_before = person.number == settings.nuisances.event_before_clearance_athlete
        returns = person.follow_up_planned and days > gap and not injured_before
        rows.append(Attendance(person, 2 if returns else 1))
    return rows


def _record(
    settings: SimulationSettings,
    attendance: Sequence[Attendance],
    study: Path,
    truth: Path,
    cores: int,
    report: Report,
) -> None:
    jobs = []
    for index, numbers in enumerate(_batches(settings.athletes, settings.athletes_per_batch)):
        batch = [attendance[number - 1] for number in numbers]
        part = truth / _PARTS / f"{index:05d}.parquet"
        wanted = [
            study / path for item in batch for path in files_of(settings, item.person, item.visits)
        ]
        wanted.append(part.with_name(f"landings-{part.name}"))
        if not all(path.is_file() for path in wanted):
            jobs.append((settings, batch, study, part))
    done = 0
    for index, _ in _run(jobs, _recordings_job, cores):
        done += len(jobs[index][1])
        report(f"recordings: {done} athletes")


def _write_truth(
    settings: SimulationSettings,
    people: Sequence[Person],
    standardised: Standardised,
    rejected: Sequence[str],
    truth: Path,
) -> None:
    import pandas as pd

    parts = {
        name: pd.concat(
            [pd.read_parquet(path) for path in sorted((truth / _PARTS).glob(f"{name}-*.parquet"))],
            ignore_index=True,
        )
        for name in ("landings", "nuisances", "clocks")
    }
    special = _athlete_nuisances(settings, people, rejected)
    tables = {
        "effects": effects_truth(settings, standardised),
        "athletes": athletes_truth(settings, people, standardised),
        "landings": parts["landings"],
        "clocks": parts["clocks"],
        "nuisances": pd.concat([as_table(special, Nuisance), parts["nuisances"]]),
    }
    for name, table in tables.items():
        write_bytes(truth / f"{name}.parquet", table.to_parquet(index=False))


def _athlete_nuisances(
    settings: SimulationSettings, people: Sequence[Person], rejected: Sequence[str]
) -> list[Nuisance]:
    special = settings.nuisances
    rows = []
    for person in people:
        if person.number == special.bilateral_athlete:
            rows.append(Nuisance("bilateral_case", person.athlete_id, "both knees operated"))
        if person.number == special.event_before_clearance_athlete:
            detail = "graft rupture before clearance"
            rows.append(Nuisance("event_before_clearance", person.athlete_id, detail))
        if person.number == special.expired_bench_athlete:
            detail = "bench calibration older than allowed"
            rows.append(Nuisance("expired_bench", person.athlete_id, detail))
    return rows + [Nuisance("operator_reject", name, "listed in rejections") for name in rejected]


def simulate_study(
    settings: SimulationSettings,
    study_folder: Path,
    truth_folder: Path,
    cores: int,
    report: Report = _say_nothing,
) -> None:
    """Generate the study in `study_folder` and its truth in `truth_folder`.

    The bytes depend on settings and code only. A finished study with the same settings and code
    is left alone; after a kill, batches of athletes that are complete are kept.

    Parameters
    ----------
    cores : number of processes
    report : called with one line of progress now and then

    Raises
    ------
    StudyError
        The study folder holds files that this program did not write.
    """
    digest = _digest(settings)
    stamp = _read_stamp(study_folder)
    if _is_finished(stamp, digest, study_folder, truth_folder):
        return
    _make_room(stamp, digest, study_folder, truth_folder)
    people = [draw_person(settings, number + 1) for number in range(settings.athletes)]
    standardised = standardise(settings, _all_predictors(settings, cores, report))
    follow_up = _follow_up(settings, people, standardised)
    attendance = _attendance(settings, people, follow_up)
    _record(settings, attendance, study_folder, truth_folder, cores, report)
    rejections = write_study_tables(settings, attendance, follow_up, study_folder)
    _write_truth(settings, people, standardised, list(rejections["recording_id"]), truth_folder)
    _write_stamp(study_folder, {"digest": digest, "files": _count_files(study_folder)})
