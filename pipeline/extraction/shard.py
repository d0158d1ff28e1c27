"""Step: from the raw recordings of a shard of athletes to its tables."""

from __future__ import annotations

import gc
import math
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa

from pipeline.extraction.calibrated import FLEXION, STANDING, STANDING_END
from pipeline.extraction.clocks import shared_clocks_of
from pipeline.extraction.file_rows import calibration_row, recording_row
from pipeline.extraction.flagged import Flagged
from pipeline.extraction.harmonised import harmonised
from pipeline.extraction.lottery import lot
from pipeline.extraction.needed import without_idle_rates
from pipeline.extraction.reading import Reading, profiles_of, read_file, shortest_recording_s
from pipeline.extraction.rows import Athlete, ShardRows
from pipeline.extraction.saturated import saturated
from pipeline.extraction.signals import Signals
from pipeline.extraction.standing import Standing, calibrate
from pipeline.extraction.synchronise import Synchroniser, by_trigger, ways_of
from pipeline.extraction.tasks import require_known
from pipeline.extraction.trials import SharedClocks, Trial, sides_of
from pipeline.extraction.units import Unit, UnitTables, read_unit_tables, unit_at_visit
from pipeline.extraction.visit import measure_visit
from pipeline.extraction.waveforms import Examples
from pipeline.quality.windows import FullScale
from shared.layout import recording_id, shard_of
from shared.provenance import code_version, hash_of_settings, sha256_of_bytes
from shared.settings.device import DeviceProfile
from shared.settings.processing import ProcessingSettings
from shared.settings.strict import validate
from shared.sources import ROOT, sources_of
from shared.tables import read_rows_of, read_table, write_table

STEP = "pipeline.extraction.shard:extract_shard"
Index = dict[str, Any]
"""A row of an index table."""


@dataclass(frozen=True)
class _Setting:
    """What stays the same for all athletes of a shard."""

    folder: Path
    profiles: Mapping[str, DeviceProfile]
    scales: Mapping[str, Mapping[str, FullScale]]
    processing: ProcessingSettings
    units: UnitTables
    synchronise: Mapping[str, Synchroniser]
    shared_clocks: Mapping[str, SharedClocks]
    shortest_s: Mapping[str, float]

    def read(self, index: Index, name: str) -> Reading:
        if not index["usable"]:
            return Reading("", None, rule=index["reason"], reason=index["detail"])
        return read_file(
            self.folder / index["path"],
            self.profiles[index["device"]],
            index["path"],
            name,
            self.shortest_s[index["device"]],
        )


def _full_scales(profile: DeviceProfile) -> dict[str, FullScale]:
    return {
        channel.channel: FullScale(
            channel.full_scale if channel.clip else math.inf, channel.resolution
        )
        for channel in profile.channels
    }


def _grouped(rows: list[Index], *keys: str) -> dict[tuple[Any, ...], list[Index]]:
    groups: dict[tuple[Any, ...], list[Index]] = {}
    for row in rows:
        groups.setdefault(tuple(row[key] for key in keys), []).append(row)
    return dict(sorted(groups.items()))


def _age(index: Index) -> float | None:
    age = index["unit_calibration_age_days"]
    return None if pd.isna(age) else float(age)


def _standing(rows: list[Index], athlete: Athlete, setting: _Setting, shard: ShardRows) -> Standing:
    """Read the calibration recordings of a visit and calibrate; note what was not accepted."""
    read: dict[str, tuple[Index, Reading]] = {}
    recordings: dict[str, list[Signals]] = {STANDING: [], STANDING_END: [], FLEXION: []}
    units: dict[str, Unit] = {}
    for index in sorted(rows, key=lambda row: (str(row["device"]), str(row["kind"]))):
        name = recording_id(
            index["athlete_id"], index["visit"], index["kind"], "both", 1, index["device"]
        )
        reading = setting.read(index, name)
        read[name] = (index, reading)
        if index["kind"] == STANDING:
            rows_of_unit = setting.units.get((index["unit_code"], index["device"]))
            limits = setting.processing.calibration
            units[index["device"]] = unit_at_visit(rows_of_unit, _age(index), limits)
        if reading.signals is None:
            shard.exclude(
                "calibration", name, index["site"], "extract", reading.rule, reading.reason
            )
        else:
            recordings[index["kind"]].append(reading.signals)
    standing = calibrate(
        recordings[STANDING],
        athlete.mass_kg,
        setting.processing,
        ends=recordings[STANDING_END],
        flexions=recordings[FLEXION],
        units=units,
    )
    for found in standing.everything:
        index, reading = read[found.signals.recording_id]
        shard.rows["calibrations"].append(calibration_row(index, reading.sha256, found))
        if found.reason:
            name = f"{found.signals.recording_id}.{found.location}"
            shard.exclude("calibration", name, index["site"], "extract", found.rule, found.reason)
    return standing


def _shares(rows: list[Index]) -> dict[int, float]:
    """Return the place in the session by running number: 0 is its start, 1 its end."""
    numbers = [int(n) for row in rows if not pd.isna(n := row["order_in_session"])]
    end = max(numbers, default=0) + 1
    return {number: number / end for number in numbers}


def _trials(
    rows: list[Index], standing: Standing, setting: _Setting, shard: ShardRows
) -> Iterator[Trial]:
    """Read the recordings of a visit, trial by trial; note what cannot be used."""
    shares, accelerometers = _shares(rows), standing.accelerometers
    rates = setting.processing.filtering.harmonised_rate_hz.by_sensor
    for group in _grouped(rows, "task", "side", "trial").values():
        usable: list[Signals] = []
        for index in sorted(group, key=lambda row: str(row["recording_id"])):
            reading = setting.read(index, index["recording_id"])
            found = reading.signals and saturated(
                reading.signals, setting.scales, setting.processing
            )
            shard.rows["recordings"].append(recording_row(index, reading, found))
            if reading.signals is not None:
                usable.append(reading.signals)
            elif index["usable"]:
                shard.exclude(
                    "recording",
                    index["recording_id"],
                    index["site"],
                    "extract",
                    reading.rule,
                    reading.reason,
                )
        if usable:
            first = group[0]
            box = first["box_height_m"]
            shared = setting.shared_clocks.get(first["site"], ())
            synchronise = setting.synchronise.get(first["site"], by_trigger)
            together = synchronise(usable, standing.body_weight_n, setting.processing, shared)
            shard.add_clocks(first, together.clocks)
            sides = sides_of(first["side"])
            needed = (without_idle_rates(x, sides, standing) for x in together.recordings)
            yield Trial(
                first["athlete_id"],
                first["site"],
                first["visit"],
                first["task"],
                first["side"],
                int(first["trial"]),
                None if pd.isna(box) else float(box),
                tuple(x for one in needed for x in harmonised(one, rates)),
                None if pd.isna(order := first["order_in_session"]) else shares[int(order)],
                accelerometers,
                shared,
            )


@contextmanager
def _without_collector() -> Iterator[None]:
    """Keep the search for cycles from walking the many small rows again and again (6 % of time)."""
    enabled = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if enabled:
            gc.enable()


@_without_collector()
def extract_shard(
    *,
    recordings_index: Path,
    calibration_index: Path,
    athletes: Path,
    recordings: Path,
    calibrations: Path,
    synchronisation: Path,
    landings: Path,
    metrics: Path,
    metric_sources: Path,
    exclusions: Path,
    waveforms: Path,
    flagged_waveforms: Path,
    shard: int,
    shards: int,
    study: dict[str, Any],
    processing: dict[str, Any],
    devices: dict[str, Any],
    study_folder: str,
    unit_calibrations: Path | None = None,
    raw: list[Path] | None = None,  # noqa: ARG001 -- declared for the workflow: what is read
) -> None:
    """Read, calibrate, find landings and measure, for the athletes of one shard.

    Each raw file is read once. A file that cannot be used is excluded with its reason and never
    stops the others. Memory holds one athlete's visit at a time.

    Parameters
    ----------
    unit_calibrations
        Bench calibrations of the units; None where none were computed.

    Raises
    ------
    StudyError
        A task has no event rules, or a setting is wrong.
    """
    people = {
        row["athlete_id"]: Athlete(
            row["athlete_id"], row["injured_side"], row["dominant_side"], float(row["mass_kg"])
        )
        for row in read_table(athletes).to_dict("records")
        if shard_of(row["athlete_id"], shards) == shard
    }
    settings = validate(ProcessingSettings, processing, "processing.yaml")
    profiles = profiles_of(devices)
    setting = _Setting(
        Path(study_folder),
        profiles,
        {name: _full_scales(profile) for name, profile in profiles.items()},
        settings,
        read_unit_tables(unit_calibrations),
        ways_of(study),
        shared_clocks_of(study),
        {name: shortest_recording_s(profile, settings) for name, profile in profiles.items()},
    )
    index = read_rows_of(recordings_index, "athlete_id", people)
    index = [row for row in index if row["task"] != "standing"]
    standings = read_rows_of(calibration_index, "athlete_id", people)
    standings_by_visit = _grouped(standings, "athlete_id", "visit")
    require_known(sorted({row["task"] for row in index}))
    rows = ShardRows(settings)
    examples, flagged = Examples(settings), Flagged(settings)
    visits = _grouped(index, "athlete_id", "visit")
    # In the order of their lots: who is drawn as an example mostly stays drawn.
    for athlete_id, visit in sorted(visits, key=lambda place: (lot(place[0]), place[1])):
        group, athlete = visits[athlete_id, visit], people[athlete_id]
        standing = _standing(
            standings_by_visit.get((athlete_id, visit), []), athlete, setting, rows
        )
        trials = _trials(group, standing, setting, rows)
        for measurement in measure_visit(trials, standing, setting.scales, settings):
            rows.add_measurement(measurement, athlete, standing)
            examples.offer(measurement, standing)
            flagged.offer(measurement, standing)
    paths = {
        "recordings": recordings,
        "calibrations": calibrations,
        "synchronisation": synchronisation,
        "landings": landings,
        "metrics": metrics,
        "metric_sources": metric_sources,
        "exclusions": exclusions,
        "waveforms": waveforms,
        "flagged_waveforms": flagged_waveforms,
    }
    tables = rows.tables() | {"waveforms": examples.table(), "flagged_waveforms": flagged.table()}
    provenance = _provenance(tables["recordings"], processing, devices)
    for name, path in paths.items():
        write_table(tables[name], path, name, **provenance)


def _provenance(
    recordings: pa.Table, processing: dict[str, Any], devices: dict[str, Any]
) -> dict[str, Any]:
    files = recordings.select(["recording_id", "sha256"]).to_pylist()
    hashes = "\n".join(f"{file['recording_id']} {file['sha256']}" for file in files)
    return {
        "inputs": {
            "raw_recordings": sha256_of_bytes(hashes.encode()),
            "processing": hash_of_settings(processing),
            "devices": hash_of_settings(devices),
        },
        "code_version": _code_version(),
    }


@cache
def _code_version() -> str:
    return code_version(sources_of(STEP), ROOT)  # a process runs the code that it has loaded
