"""The metric dictionary: what each landing metric is, in words and formula, with its source."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from shared.own_yaml import read_own_yaml


@dataclass(frozen=True)
class Metric:
    """A landing metric; see `metric_dictionary.yaml` for the meaning of each field."""

    id: str
    label: str
    symbol: str
    unit: str
    definition: str
    formula: str
    window: str
    signal: str
    sensors: tuple[str, ...]
    tasks: dict[str, tuple[int, ...]]
    limbs: dict[str, tuple[str, ...]]
    range: tuple[float, float]
    version: str
    source: str
    methods: str

    def valid_for(self, task: str, landing: int, sensor: str) -> bool:
        """Tell whether the metric exists for a task, a landing and a sensor."""
        return sensor in self.sensors and landing in self.tasks.get(task, ())


def _metric(name: str, content: dict[str, Any]) -> Metric:
    return Metric(
        id=name,
        tasks={task: tuple(landings) for task, landings in content.pop("tasks").items()},
        limbs={sensor: tuple(limbs) for sensor, limbs in content.pop("limbs").items()},
        sensors=tuple(content.pop("sensors")),
        range=tuple(content.pop("range")),
        **content,
    )


@cache
def metrics() -> dict[str, Metric]:
    """Return all metrics by id, in the order of the dictionary."""
    content = read_own_yaml(Path(__file__).with_name("metric_dictionary.yaml"))
    return {name: _metric(name, item) for name, item in content.items()}


def definitions(names: list[str]) -> dict[str, dict[str, Any]]:
    """Return the definitions of some metrics as plain data, for hashing in a frozen plan."""
    from dataclasses import asdict

    return {name: asdict(metrics()[name]) for name in sorted(names)}
