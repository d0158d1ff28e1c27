"""Pairs of values: the same metric of the same landing by two sensors, the better one first."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

import pandas as pd

from shared.metric_dictionary import Metric, metrics

RANK = ("plate", "camera", "reference_accelerometer", "waist", "gyro")
"""Of two sensors the one that stands first is the reference: a laboratory's before what is worn,
and the waist before the gyroscopes, because both can tell times and an impact is sharper there.

No reference is the truth: a camera errs by its own landmarks, a plate by its own threshold.
"""

IDENTITY = ["landing_id", "athlete_id", "site", "visit", "task", "limb", "landing"]


@dataclass(frozen=True)
class SensorPair:
    """All landings that two sensors measured.

    Attributes
    ----------
    metric, reference, other : what was measured, by which sensors
    rows : one per landing; `IDENTITY`, `reference` and `other` (values), `valid` (of both) and
        `clipped` (at least one sensor was saturated: its value is a lower bound)
    """

    metric: Metric
    reference: str
    other: str
    rows: pd.DataFrame

    @property
    def subject(self) -> tuple[str, str, str]:
        """The pair as part of an address."""
        return self.metric.id, self.other, self.reference

    @property
    def on_ratio_scale(self) -> bool:
        """Whether ratios of its values mean something: see `Metric.has_natural_zero`."""
        return self.metric.has_natural_zero


def sensor_pairs(values: pd.DataFrame) -> Iterator[SensorPair]:
    """Yield every pair of sensors that gave values of one metric, in the order of the dictionary.

    Values that are flagged against the analysis stay in, as not valid: how many pairs are lost is
    a finding.
    """
    measured = values.loc[values["value"].notna()]
    for name, metric in metrics().items():
        of_metric = measured.loc[measured["metric"] == name]
        sensors = [sensor for sensor in RANK if sensor in set(of_metric["sensor"])]
        for reference, other in combinations(sensors, 2):
            rows = _joined(of_metric, reference, other)
            if len(rows):
                yield SensorPair(metric, reference, other, rows)


def _joined(values: pd.DataFrame, reference: str, other: str) -> pd.DataFrame:
    judged = ["value", "valid", "censoring"]
    better = values.loc[values["sensor"] == reference, [*IDENTITY, *judged]]
    worn = values.loc[values["sensor"] == other, ["landing_id", *judged]]
    both = better.rename(columns={"value": "reference"}).merge(
        worn.rename(columns={"value": "other"}),
        on="landing_id",
        suffixes=("", "_other"),
        validate="one_to_one",
    )
    both["valid"] = both["valid"] & both["valid_other"]
    both["clipped"] = (both["censoring"] == "right") | (both["censoring_other"] == "right")
    columns = [*IDENTITY, "reference", "other", "valid", "clipped"]
    return both[columns].sort_values("landing_id", kind="stable", ignore_index=True)
