"""Step: a seeded share of landings derived again from the raw files, beside the table `metrics`."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from analysis.audit.comparison import ANALYSIS, compare
from analysis.audit.own_calibration import Session, session_of
from analysis.audit.own_clocks import on_one_clock
from analysis.audit.own_plates import Values
from analysis.audit.own_trials import METRICS, read_trial, trial_values
from analysis.audit.raw_files import NotReadableError
from analysis.audit.sample import draw
from analysis.estimates import Estimates, write_estimates
from shared.provenance import sha256_of_raw_file
from shared.settings.device import DeviceProfile
from shared.settings.processing import ProcessingSettings
from shared.settings.strict import validate
from shared.settings.study import synchronisation_of_sites
from shared.tables import read_table

STEP = "analysis.audit.rederive:rederive"
_TRIAL = ["athlete_id", "visit", "task", "side", "trial"]
_VISIT = ["athlete_id", "visit"]


@dataclass(frozen=True)
class RawStudy:
    """What the second path reads beside the raw files themselves."""

    folder: Path
    recordings: pd.DataFrame
    calibrations: pd.DataFrame
    units: pd.DataFrame
    mass_kg: Mapping[str, float]
    profiles: Mapping[str, DeviceProfile]
    settings: ProcessingSettings
    by_stomp: frozenset[str] = frozenset()
    """Sites whose recordings have clocks of their own, put on one by a stomp."""


@dataclass
class Rederived:
    """Values by (trial, landing, side, metric, sensor), why trials failed, files that changed."""

    values: dict[tuple[Any, ...], float] = field(default_factory=dict)
    failures: Counter[str] = field(default_factory=Counter)
    changed: int = 0
    files: int = 0


def comparable(metrics: pd.DataFrame) -> pd.DataFrame:
    """Return the valid values of the metrics and sensors that have a second path."""
    sensors = metrics["metric"].map(METRICS)
    known = [
        isinstance(allowed, tuple) and sensor in allowed
        for allowed, sensor in zip(sensors, metrics["sensor"], strict=True)
    ]
    usable = metrics["valid"] & metrics["value"].notna() & pd.Series(known, index=metrics.index)
    return metrics.loc[usable]


def _session(study: RawStudy, visit: tuple[str, str]) -> Session:
    rows = study.calibrations
    own = rows.loc[(rows["athlete_id"] == visit[0]) & (rows["visit"] == visit[1])]
    return session_of(
        own, study.units, study.mass_kg[visit[0]], study.folder, study.profiles, study.settings
    )


def _trial(study: RawStudy, files: pd.DataFrame, session: Session, found: Rederived) -> Values:
    paths = [study.folder / path for path in files["path"]]
    for path, digest in zip(paths, files["sha256"], strict=True):
        found.files += 1
        found.changed += not path.is_file() or sha256_of_raw_file(path) != digest
    recordings = read_trial(zip(files["device"], paths, strict=True), study.profiles)
    first = files.iloc[0]
    if first["site"] in study.by_stomp:
        recordings = on_one_clock(recordings, session.weight_n, study.settings)
    return trial_values(recordings, session, first["task"], first["side"], study.settings)


def derive(study: RawStudy, trials: pd.DataFrame) -> Rederived:
    """Derive all values of some trials from their raw files.

    Parameters
    ----------
    trials
        Columns athlete_id, visit, task, side (limb tested) and trial, each trial once.
    """
    found = Rederived()
    usable = study.recordings.loc[study.recordings["usable"]]
    wanted = usable.merge(trials, on=_TRIAL)
    for visit, of_visit in wanted.groupby(_VISIT, sort=True):
        session = _session(study, (str(visit[0]), str(visit[1])))
        for key, files in of_visit.groupby(_TRIAL, sort=True):
            try:
                values = _trial(study, files.sort_values("recording_id"), session, found)
            except NotReadableError as error:
                found.failures[str(error)] += 1
                continue
            found.values |= {(*key, *name): value for name, value in values.items()}
    return found


def _trial_of(rows: pd.DataFrame, recordings: pd.DataFrame) -> pd.Series:
    """Return the limb tested in the trial of each row; a two-leg trial has rows of each limb."""
    tested = recordings.set_index("recording_id")["side"]
    return rows["recording_id"].map(tested)


def pairs_of(rows: pd.DataFrame, found: Rederived) -> pd.DataFrame:
    """Return the rows of `metrics` with the value derived again, empty where there is none."""
    keys = rows[
        ["athlete_id", "visit", "task", "tested", "trial", "landing", "side", "metric", "sensor"]
    ]
    second = [found.values.get(tuple(key)) for key in keys.itertuples(index=False)]
    return rows.assign(second=pd.Series(second, index=rows.index, dtype="float64"))


def rederived_numbers(
    study: RawStudy, metrics: pd.DataFrame, plan: Mapping[str, Any]
) -> tuple[Estimates, pd.DataFrame]:
    """Return how the drawn landings compare, and their pairs (for the tests, never published).

    Parameters
    ----------
    plan
        The part `audit.rederivation` of the plan.
    """
    numbers = Estimates(ANALYSIS)
    rows = comparable(metrics)
    rows = rows.assign(tested=_trial_of(rows, study.recordings))
    landings = rows[["landing_id", "site"]].drop_duplicates()
    drawn = draw(landings, plan["share"], plan["fewest_landings"], plan["seed"])
    chosen = rows.loc[rows["landing_id"].isin(drawn)]
    if chosen.empty:
        numbers.not_run("all", "no landing has a value that the second path can derive")
        return numbers, chosen.assign(second=pd.Series(dtype="float64"))
    trials = chosen[["athlete_id", "visit", "task", "tested", "trial"]].drop_duplicates()
    found = derive(study, trials.rename(columns={"tested": "side"}))
    pairs = pairs_of(chosen, found)
    numbers.add("all", "all", "landings", len(drawn), unit="landings", n_trials=len(trials))
    numbers.add("all", "all", "share_of_landings", len(drawn) / len(landings), unit="share")
    reasons = "; ".join(f"{why} ({n})" for why, n in sorted(found.failures.items()))
    failed = found.failures.total()
    numbers.add("all", "all", "trials_not_read", failed, unit="trials", note=reasons)
    numbers.add("all", "all", "raw_files", found.files, unit="files")
    numbers.add(
        "all",
        "all",
        "raw_files_changed",
        found.changed,
        unit="files",
        note="files whose SHA-256 is not that of the table recordings any more",
    )
    for metric, sensors in METRICS.items():
        for sensor in sensors:
            of_metric = pairs.loc[(pairs["metric"] == metric) & (pairs["sensor"] == sensor)]
            compare(numbers, metric, sensor, of_metric, plan)
    return numbers, pairs


def rederive(
    *,
    metrics: Path,
    recordings: Path,
    calibrations: Path,
    unit_calibrations: Path,
    athletes: Path,
    estimates: Path,
    study: dict[str, Any],
    processing: dict[str, Any],
    devices: dict[str, Any],
    plan: dict[str, Any],
    study_folder: str,
) -> None:
    """Derive a seeded share of landings again from the raw files, and tell the differences.

    The differences are numbers of groups: how many values were compared, the median and the
    largest difference, how many lie beyond their limit.
    """
    inputs = {
        "metrics": metrics,
        "recordings": recordings,
        "calibrations": calibrations,
        "unit_calibrations": unit_calibrations,
    }
    people = read_table(athletes, ["athlete_id", "mass_kg"])
    raw = RawStudy(
        Path(study_folder),
        read_table(recordings),
        read_table(calibrations),
        read_table(unit_calibrations),
        dict(zip(people["athlete_id"], people["mass_kg"].astype(float), strict=True)),
        {name: validate(DeviceProfile, content, name) for name, content in devices.items()},
        validate(ProcessingSettings, processing, "processing.yaml"),
        frozenset(x for x, way in synchronisation_of_sites(study).items() if way == "stomp"),
    )
    numbers, _ = rederived_numbers(raw, read_table(metrics), plan["audit"]["rederivation"])
    write_estimates(estimates, numbers, step=STEP, inputs=inputs)
