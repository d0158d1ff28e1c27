"""The closed-form trials of `closed_study`, recorded by two devices with clocks of their own."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import yaml
from numpy.typing import NDArray

from shared.settings.load import Settings, load_settings
from shared.sources import ROOT
from tests.known_answers.closed_movement import Movement
from tests.known_answers.closed_study import (
    CONDITIONS,
    TASKS,
    columns_of,
    profile,
    write_file,
    write_tables,
)
from tests.known_answers.signals import MASS, STOMP_PROTOCOL, half_sine

Array = NDArray[np.float64]

RATES_HZ = {"plates": 1000.0, "units": 500.0}
LEAD_S = 4.0
"""The task begins this much later than in the plain trial: time for the stomp."""
STOMP_S = 1.2
FELT = 0.8
"""What the waist feels of the shock on the plate, in g per body weight."""


def stomp(time: Array, start_s: float) -> Array:
    """Return the force of a stomp in body weights: a half-sine and its rebound."""
    return half_sine(time - start_s, 1.6, 0.060) + half_sine(time - start_s - 0.055, 0.5, 0.120)


@dataclass(frozen=True)
class Stomped:
    """A trial with stomps before and after it, as a clock shows it that is ahead and too fast.

    Without stomps and lead it is the plain trial.
    """

    movement: Movement
    stomps_s: tuple[float, ...] = (STOMP_S,)
    lead_s: float = LEAD_S
    tail_s: float = 0.0
    clock_s: float = 0.0
    drift: float = 0.0

    @property
    def duration_s(self) -> float:
        return self.movement.duration_s + self.lead_s + self.tail_s

    def _true(self, time: Array) -> Array:
        return (time - self.clock_s) / (1.0 + self.drift)

    def _own(self, time: Array) -> Array:
        return self._true(time) - self.lead_s

    def _stomps(self, time: Array) -> Array:
        true = self._true(time)
        return sum((stomp(true, start_s) for start_s in self.stomps_s), np.zeros_like(time))

    def share(self, side: str) -> float:
        return self.movement.share(side)

    def force(self, time: Array) -> Array:
        return self.movement.force(self._own(time)) + self._stomps(time)

    def specific_force(self, time: Array) -> Array:
        return self.movement.specific_force(self._own(time)) + FELT * self._stomps(time)

    def knee(self, side: str, time: Array) -> Array:
        return self.movement.knee(side, self._own(time))

    def knee_rate(self, side: str, time: Array) -> Array:
        return self.movement.knee_rate(side, self._own(time))


@dataclass(frozen=True)
class Clocks:
    """How a study was recorded.

    Parameters
    ----------
    synchronisation : trigger or stomp
    stomps_s, lead_s, tail_s : as in `Stomped`, for the plates
    stomps_of_units_s : of the units where they have recorded another stomp; None for the same
    units_s, drift : by how much the clock of the body-worn units is ahead of that of the plates
        when these begin, and how much faster it goes
    stamps_s : what the clock of the units shows at their first sample
    processing : changes to the section `synchronisation` of processing.yaml
    """

    synchronisation: str = "stomp"
    stomps_s: tuple[float, ...] = (STOMP_S,)
    stomps_of_units_s: tuple[float, ...] | None = None
    lead_s: float = LEAD_S
    tail_s: float = 0.0
    units_s: float = 0.0
    drift: float = 0.0
    stamps_s: float = 0.0
    processing: dict = field(default_factory=dict)

    def stomped(self, movement: Movement, device: str) -> Stomped:
        if device == "plates":
            return Stomped(movement, self.stomps_s, self.lead_s, self.tail_s)
        stomps = self.stomps_s if self.stomps_of_units_s is None else self.stomps_of_units_s
        return Stomped(movement, stomps, self.lead_s, self.tail_s, self.units_s, self.drift)


TRIGGER = Clocks("trigger", stomps_s=(), lead_s=0.0)
"""The plain trials: one clock, no stomp."""


def _of_device(columns: dict[str, Array], device: str) -> dict[str, Array]:
    on_plates = device == "plates"
    return {
        name: values
        for name, values in columns.items()
        if name == "time_s" or name.startswith("force") == on_plates
    }


def _profile(device: str) -> dict:
    content = profile(device, RATES_HZ[device], "parquet", 16.0)
    on_plates = device == "plates"
    content["channels"] = [
        channel
        for channel in content["channels"]
        if channel["channel"].startswith("vertical_force") == on_plates
    ]
    return content


def write_stomp_study(root: Path, clocks: Clocks, *, trials: int, condition: str) -> Settings:
    """Write a study of one athlete recorded by plates and body-worn units; return its settings."""
    folder, config = root / "study", root / "config"
    (config / "devices").mkdir(parents=True)
    rows, standing = [], []
    for device, rate_hz in RATES_HZ.items():
        rng = np.random.default_rng([len(device), 0])
        columns = columns_of(None, rate_hz, CONDITIONS[condition], rng)
        write_file(_of_device(columns, device), folder / f"standing.{device}.parquet")
        standing.append(("E01", "clearance", device, f"{device}-1", f"standing.{device}.parquet"))
        for task in TASKS:
            for number in range(1, trials + 1):
                movement = Movement(task, shift_s=(number * 0.6180339887 % 1.0) * 0.010)
                side = "left" if task.startswith("single_leg") else "both"
                path = f"raw/{task}.{number}.{device}.parquet"
                rng = np.random.default_rng([len(device), number])
                scene = clocks.stomped(movement, device)
                columns = columns_of(scene, rate_hz, CONDITIONS[condition], rng)
                if device == "units":
                    columns["time_s"] = columns["time_s"] + clocks.stamps_s
                write_file(_of_device(columns, device), folder / path)
                box = movement.box_height_m
                rows.append(
                    ("E01", "clearance", task, side, number, device, path,
                     "" if box is None else box)
                )  # fmt: skip
    write_tables(folder, ["E01"], MASS, rows, standing)
    _write_settings(config, clocks)
    return load_settings(config)


def _write_settings(config: Path, clocks: Clocks) -> None:
    chosen = {
        name: yaml.safe_load((ROOT / "config" / f"{name}.yaml").read_text(encoding="utf-8"))
        for name in ("processing", "plan", "study")
    }
    chosen["processing"]["synchronisation"] |= STOMP_PROTOCOL | clocks.processing
    chosen["processing"]["filtering"]["harmonised_rate_hz"] = {}  # each at its own rate
    chosen["study"] |= {
        "study_folder": "../study",
        "results_folder": "../results",
        "shards": 1,
        "synchronisation": clocks.synchronisation,
        "sites": {"bench": {"label": "Bench", "devices": sorted(RATES_HZ)}},
    }
    chosen["study"].pop("demo")
    for name, content in chosen.items():
        (config / f"{name}.yaml").write_text(yaml.safe_dump(content))
    for device in RATES_HZ:
        (config / "devices" / f"{device}.yaml").write_text(yaml.safe_dump(_profile(device)))
