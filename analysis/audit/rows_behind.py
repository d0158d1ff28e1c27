"""Which rows of metrics lie behind an estimate, and how many of them were left out, and why."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Condition = tuple[str, str, Any]

COLUMNS = ("metric", "sensor", "task", "site", "limb", "visit", "landing", "valid", "flags")
"""The columns of `metrics` that counting needs."""

_BOTH_LIMBS = ("limb_difference", "known_groups")
"""Analyses whose `limb` names a side of a comparison: their rows have both."""

_OF_LIMBS = ("asymmetry",)
"""Analyses that take both limbs where their `limb` is empty, else that one."""

_AT_CLEARANCE = (
    "cox",
    "fine_gray",
    "flow",
    "imputation",
    "knee_level",
    "native_rate",
    "planted_predictors",
    "table_one",
)
"""Analyses of the predictors of the cohort, which are those of the clearance visit."""

_OF_ALL_VISITS = ("cox_calibrated", "cox_simex")
"""Corrections for error, which is estimated from the trials of all visits."""


def _of_the_force_model(row: Mapping[str, Any], two_legs: Collection[str]) -> list[Condition]:
    # The sensor of its estimates is the waist unit; what they are held against is the plate.
    words = str(row["number_id"]).split(".")
    found: list[Condition] = [("metric", "==", row["metric"]), ("sensor", "==", "plate")]
    if "single_leg" in words:
        found += [("task", "not in", tuple(sorted(two_legs))), ("limb", "!=", "both")]
    else:
        found += [("task", "in", tuple(sorted(two_legs))), ("limb", "==", "both")]
    found += [(name, "==", str(row[name])) for name in ("task", "site", "limb") if row[name]]
    if "visit" in words[:-1]:
        found.append(("visit", "==", words[words.index("visit") + 1]))
    return found


def conditions(
    row: Mapping[str, Any],
    predictors: Sequence[Mapping[str, Any]],
    clearance_visit: str,
    two_legs: Collection[str],
) -> list[Condition]:
    """Return the conditions that an estimate puts on rows of metrics; none without a metric.

    A model may leave out more of these rows; how many it used stands in its estimate.

    Parameters
    ----------
    row : row of `estimates`
    predictors : primary and exploratory predictors of the plan
    two_legs : tasks on both legs
    """
    if not row["metric"]:
        return []
    if row["analysis"] == "force_model":
        return _of_the_force_model(row, two_legs)
    analysis = str(row["analysis"])
    of_knees = analysis.startswith("knee_level") and row["limb"] != "both"
    compares = analysis.startswith(_OF_LIMBS) and not row["limb"]
    both = of_knees or compares or analysis.startswith(_BOTH_LIMBS)
    names = ["metric", "sensor", "task", "site", *([] if both else ["limb"])]
    found: list[Condition] = [(n, "==", str(row[n])) for n in names if row[n]]
    if both:
        found.append(("limb", "!=", "both"))
    words = str(row["number_id"]).split(".")
    predictor = next((p for p in predictors if p["name"] in words), None)
    if predictor is not None:
        if analysis.startswith(_AT_CLEARANCE) and not analysis.startswith(_OF_ALL_VISITS):
            found.append(("visit", "==", clearance_visit))
        found.append(("landing", "==", predictor["landing"]))
    elif row["task"]:
        found.append(("landing", "==", 2 if "landing_2" in words else 1))
    return found


@dataclass(frozen=True)
class Counts:
    """How many values meet some conditions, how many are valid, and the flags of the others."""

    values: int
    valid: int
    left_out: tuple[tuple[str, int], ...]


class Behind:
    """Counts rows of metrics; equal conditions are counted once, as many estimates share them."""

    def __init__(self, metrics: pd.DataFrame):
        self._codes: dict[str, NDArray[np.int64]] = {}
        self._known: dict[str, dict[Any, int]] = {}
        for name in ("metric", "sensor", "task", "site", "limb", "visit", "landing"):
            codes, values = pd.factorize(metrics[name])
            self._codes[name] = codes
            self._known[name] = {value: code for code, value in enumerate(values)}
        self._valid = metrics["valid"].to_numpy(dtype=bool)
        self._flags = metrics["flags"].to_numpy()
        self._counted: dict[tuple[Condition, ...], Counts] = {}

    def count(self, about: Sequence[Condition]) -> Counts | None:
        """Return the counts of the rows that meet all conditions; None without a condition."""
        if not about:
            return None
        key = tuple(about)
        if key not in self._counted:
            self._counted[key] = self._count(key)
        return self._counted[key]

    def _count(self, about: tuple[Condition, ...]) -> Counts:
        chosen = np.ones(len(self._valid), dtype=bool)
        for name, relation, value in about:
            values = value if isinstance(value, tuple) else (value,)
            same = np.isin(self._codes[name], [self._known[name].get(v, -1) for v in values])
            chosen &= same if relation in ("==", "in") else ~same
        valid = int((chosen & self._valid).sum())
        flags, counts = np.unique(
            self._flags[chosen & ~self._valid].astype(str), return_counts=True
        )
        left_out = tuple(zip(flags.tolist(), counts.tolist(), strict=True))
        return Counts(int(chosen.sum()), valid, left_out)
