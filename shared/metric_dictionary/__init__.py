"""The metric dictionary: what each landing metric is, in words and formula, with its source.

One YAML file per family, one entry per metric:

- `tasks`: task -> landings of the trial for which the metric exists
- `limbs`: sensor -> for which limbs a value may exist: "single" = the tested limb of a single-leg
  task, "each" = each limb of a two-leg task, "both" = the whole body in a two-leg task. What a
  sensor cannot give is not listed and so cannot be stored.
- `sign`: which way is positive, and what a larger value means
- `signal`: the signal it is taken from, and how that is filtered
- `filter`: sensor -> the cut-off of section `filtering` of processing.yaml behind it, or "none"
- `range`: hard limits of quality control; a value outside is flagged out_of_range
- `limb_range` (optional): the same for a value of one limb, where that of both legs goes further
- `when_clipped`: what a saturated sample in the window does to the value: right_censored (the true
  one is at least as large), affected (either way), unaffected
- `windows.x`, `metric_limits.x` in a text: the setting of that name in processing.yaml; in
  `methods`, {x} stands for it in milliseconds
- `version`: raised when the definition changes
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from shared.own_yaml import read_own_yaml

FAMILIES = ("timing_and_height", "force", "centre_of_mass", "waist", "knee")
"""The files of the dictionary, in the order of the catalogue."""

UNFILTERED = "none"


@dataclass(frozen=True)
class Metric:
    """A landing metric; the fields are explained above."""

    id: str
    label: str
    symbol: str
    unit: str
    sign: str
    definition: str
    formula: str
    window: str
    signal: str
    filter: dict[str, str]
    sensors: tuple[str, ...]
    tasks: dict[str, tuple[int, ...]]
    limbs: dict[str, tuple[str, ...]]
    range: tuple[float, float]
    when_clipped: str
    version: str
    source: str
    methods: str
    limb_range: tuple[float, float] | None = None

    @property
    def has_natural_zero(self) -> bool:
        """Whether ratios of its values mean something.

        An angle has an arbitrary zero; a metric whose plausible range reaches zero has values too
        near to it. Values outside of the range are not valid, so those left are well above zero.
        """
        return self.unit != "deg" and self.range[0] > 0.0

    def limits_of(self, side: str) -> tuple[float, float]:
        """Return the hard limits of a value of a side: left, right, or both legs together."""
        return self.range if side == "both" or self.limb_range is None else self.limb_range

    def cutoff_hz(self, sensor: str, cutoffs: Mapping[str, Any]) -> float | None:
        """Return the cut-off of the low-pass behind a value; None where the signal is unfiltered.

        `cutoffs` is the section `filtering` of processing.yaml.
        """
        name = self.filter[sensor]
        return None if name == UNFILTERED else cutoffs[name]

    def valid_for(self, task: str, landing: int, sensor: str) -> bool:
        """Tell whether the metric exists for a task, a landing and a sensor."""
        return sensor in self.sensors and landing in self.tasks.get(task, ())

    def valid_for_limb(self, task: str, landing: int, sensor: str, kind: str) -> bool:
        """Tell the same for a limb of this kind, from `kind_of_limb`."""
        return self.valid_for(task, landing, sensor) and kind in self.limbs.get(sensor, ())


def kind_of_limb(trial_side: str, side: str) -> str:
    """Return the dictionary's word for a side (left, right, both) in a trial of a side."""
    if trial_side != "both":
        return "single"
    return "both" if side == "both" else "each"


def _metric(name: str, content: dict[str, Any]) -> Metric:
    return Metric(
        id=name,
        tasks={task: tuple(landings) for task, landings in content.pop("tasks").items()},
        limbs={sensor: tuple(limbs) for sensor, limbs in content.pop("limbs").items()},
        sensors=tuple(content.pop("sensors")),
        range=tuple(content.pop("range")),
        limb_range=tuple(content.pop("limb_range")) if "limb_range" in content else None,
        **content,
    )


@cache
def metrics() -> dict[str, Metric]:
    """Return all metrics by id, in the order of the catalogue.

    Raises
    ------
    ValueError
        Two families define the same metric.
    """
    found: dict[str, Metric] = {}
    for family in FAMILIES:
        content = read_own_yaml(Path(__file__).with_name(f"{family}.yaml"))
        if twice := sorted(set(content) & set(found)):
            raise ValueError(f"{family}.yaml defines {twice[0]} a second time")
        found |= {name: _metric(name, item) for name, item in content.items()}
    return found


def definitions(names: list[str]) -> dict[str, dict[str, Any]]:
    """Return the definitions of some metrics as plain data, for hashing in a frozen plan."""
    from dataclasses import asdict

    return {name: asdict(metrics()[name]) for name in sorted(names)}
