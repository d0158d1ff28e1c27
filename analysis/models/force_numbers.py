"""Numbers of the force ladder as rows of the table of estimates."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import pandas as pd

from analysis.agreement import nested_limits, observed_share
from analysis.estimates import EstimateFields, Estimates
from analysis.force_model.inputs import Array
from analysis.force_model.scores import rise_of_rmse, scores_of
from analysis.mixed import ModelRefusedError
from analysis.models.agreement import random_terms
from analysis.models.agreement_rows import (
    LIMIT_INTERVAL,
    SHARE_INTERVAL,
    jackknifed,
    observed,
    random_part,
    tested,
)
from analysis.models.force_errors import limb_errors
from analysis.models.force_ladder import SITES, Ladder, Validation

ANALYSIS = "force_model"
UNITS = {
    "rmse": "BW",
    "bias": "BW",
    "mape": "%",
    "r_squared": "share",
    "calibration_slope": "ratio",
}
CLIPPED = "clipped"
GROUPINGS = ("limb", "visit", "site")


def _counts(rows: pd.DataFrame) -> EstimateFields:
    return {"n_athletes": int(rows["athlete_id"].nunique()), "n_trials": len(rows)}


def _add_scores(
    numbers: Estimates,
    subject: str,
    term: tuple[str, ...],
    rows: pd.DataFrame,
    pair: tuple[Array, Array],
    level: float,
    fields: EstimateFields,
) -> None:
    """Add all scores of some landings and their limits of agreement, or why there are none."""
    estimated, measured = pair
    shared: EstimateFields = {**_counts(rows), **fields}
    try:
        scores = scores_of(estimated, measured, rows["athlete_id"].to_numpy(), level)
        limits = nested_limits(estimated, measured, random_terms(rows), level)
    except (ModelRefusedError, ValueError) as error:
        numbers.not_run((subject, *term), str(error), **shared)
        return
    for quantity, unit in UNITS.items():
        found = getattr(scores, quantity)
        columns: EstimateFields = {**shared, **jackknifed(found, level), "unit": unit}
        numbers.add(subject, term, quantity, found.value, **columns)
    for quantity, value, (low, high) in (
        ("lower_limit", limits.low, limits.low_interval),
        ("upper_limit", limits.high, limits.high_interval),
    ):
        bounds: EstimateFields = {
            **shared,
            "unit": "BW",
            "ci_low": low,
            "ci_high": high,
            "ci_level": level,
            "ci_type": LIMIT_INTERVAL,
            "estimation": "REML",
            "note": random_part(limits),
        }
        numbers.add(subject, term, quantity, value, **bounds)


def _groups(ladder: Ladder) -> Iterator[tuple[str, str, Array]]:
    rows = ladder.rows
    for grouping in GROUPINGS:
        levels = sorted({str(level) for level in rows[grouping]})
        if len(levels) > 1:
            for level in levels:
                yield grouping, level, ladder.usable & (rows[grouping] == level).to_numpy()
    yield "", CLIPPED, rows["clipped"].to_numpy(dtype=bool)


def _add_validation(
    numbers: Estimates, ladder: Ladder, validation: Validation, level: float
) -> None:
    subject = ladder.scope.name
    for name, reason in validation.refused.items():
        numbers.not_run((subject, validation.name, name), reason, model=name)
    errors = validation.errors()
    if not errors:
        return
    best = min(errors, key=lambda name: errors[name][0])
    for name, estimated in validation.estimated.items():
        judged = ladder.usable & np.isfinite(estimated)
        pair = estimated[judged], ladder.force[judged]
        rows = ladder.rows.loc[judged]
        fields: EstimateFields = {"model": name, "rows_dropped": ladder.dropped}
        term = (validation.name, name)
        _add_scores(numbers, subject, term, rows, pair, level, fields)
        if name != best:
            rise = rise_of_rmse(
                pair[0],
                validation.estimated[best][judged],
                pair[1],
                rows["athlete_id"].to_numpy(),
                level,
            )
            columns: EstimateFields = {
                **_counts(rows),
                **jackknifed(rise, level),
                "model": name,
                "unit": "BW",
                "note": f"root mean square error minus that of {best}, the smallest",
            }
            numbers.add(subject, term, "rise_of_rmse", rise.value, **columns)


def _add_groups(numbers: Estimates, ladder: Ladder, validation: Validation, level: float) -> None:
    name = ladder.kept.name
    estimated = validation.estimated.get(name)
    if estimated is None:
        return
    for grouping, label, chosen in _groups(ladder):
        judged = chosen & np.isfinite(estimated)
        if not judged.any():
            continue
        fields: EstimateFields = {"model": name}
        if grouping in ("limb", "site"):
            fields[grouping] = label  # type: ignore[literal-required]
        if label == CLIPPED:
            fields["censoring"] = "waist unit saturated: the true peak is larger than was measured"
        _add_scores(
            numbers,
            ladder.scope.name,
            (validation.name, name, grouping, label),
            ladder.rows.loc[judged],
            (estimated[judged], ladder.force[judged]),
            level,
            fields,
        )


def _add_limb_errors(numbers: Estimates, ladder: Ladder, level: float) -> None:
    if ladder.scope.task_limbs != "single":
        return
    subject, term = ladder.scope.name, "involved_minus_uninvolved"
    validation, name = ladder.validations[0], ladder.kept.name
    judged = ladder.usable & np.isfinite(validation.estimated[name])
    try:
        found = limb_errors(
            ladder.rows.loc[judged].reset_index(drop=True),
            validation.estimated[name][judged],
            ladder.force[judged],
            level,
        )
    except (ModelRefusedError, ValueError) as error:
        numbers.not_run((subject, term), str(error), model=name)
        return
    shared: EstimateFields = {
        "model": name,
        "n_athletes": found.athletes,
        "n_trials": found.landings,
        "note": "mixed model of held-out errors, random athlete; athletes with two operated "
        "knees are left out",
    }
    difference: EstimateFields = {**shared, **tested(found.difference), "unit": "BW"}
    numbers.add(subject, term, "differential_error", found.difference.estimate, **difference)
    ratio: EstimateFields = {**shared, **tested(found.log_ratio), "unit": "ratio"}
    ratio["se_scale"] = "log"
    ratio["ci_low"], ratio["ci_high"] = (
        math.exp(limit) for limit in (found.log_ratio.low, found.log_ratio.high)
    )
    numbers.add(subject, term, "differential_ratio", math.exp(found.log_ratio.estimate), **ratio)
    symmetry: EstimateFields = {
        **shared,
        **jackknifed(found.symmetry_r_squared, level),
        "unit": "share",
        "note": "squared correlation of the log ratio of the limbs, by estimate and by plate, "
        "means per athlete and visit",
    }
    numbers.add(subject, term, "symmetry_r_squared", found.symmetry_r_squared.value, **symmetry)


def _add_coverage(numbers: Estimates, ladder: Ladder, forces: pd.DataFrame, level: float) -> None:
    """Add how often the measured force lies within 1.96 standard errors of the estimate."""
    rows = ladder.rows.loc[ladder.usable, ["landing_id", "athlete_id", "measured_bw"]]
    both = rows.merge(forces.drop(columns="athlete_id"), on="landing_id", validate="one_to_one")
    distance = (both["measured_bw"] - both["vgrf_estimated_bw"]) / both["vgrf_estimated_se_bw"]
    fields: EstimateFields = {
        **_counts(both),
        "unit": "share",
        "model": ladder.kept.name,
        "note": "measured forces within 1.96 standard errors of the held-out estimate",
    }
    term = "prediction_interval"
    try:
        within = observed_share(distance.abs() <= 1.96, both["athlete_id"], level)
    except ValueError as error:
        numbers.not_run((ladder.scope.name, term), str(error), **fields)
        return
    fields |= observed(within, level, SHARE_INTERVAL)
    numbers.add(ladder.scope.name, term, "coverage", within.value, **fields)


def force_numbers(ladder: Ladder, forces: pd.DataFrame, level: float) -> Estimates:
    """Return all numbers of one kind of landing."""
    numbers = Estimates(
        ANALYSIS, family="secondary", metric="peak_vgrf", sensor="waist", outcome="peak_vgrf"
    )
    subject = ladder.scope.name
    names = [model.name for model in ladder.models]
    numbers.add(
        subject,
        "kept",
        "place_on_ladder",
        float(names.index(ladder.kept.name) + 1),
        model=ladder.kept.name,
        unit="",
        note="the simplest model within one standard error of the best, with athletes and with "
        "sites left out; of two different answers the simpler",
    )
    for validation in ladder.validations:
        folds = float(np.unique(validation.folds).size)
        numbers.add(subject, validation.name, "folds", folds, unit="folds")
    numbers.add(subject, "landings", CLIPPED, float(ladder.rows["clipped"].sum()), unit="landings")
    numbers.add(
        subject,
        "landings",
        "estimated",
        float(len(forces)),
        unit="landings",
        n_athletes=int(forces["athlete_id"].nunique()),
    )
    without = forces.loc[~forces["site"].isin(set(ladder.rows["site"]))]
    numbers.add(
        subject,
        "landings",
        "estimated_without_plates",
        float(len(without)),
        unit="landings",
        n_athletes=int(without["athlete_id"].nunique()),
    )
    for validation in ladder.validations:
        _add_validation(numbers, ladder, validation, level)
        _add_groups(numbers, ladder, validation, level)
    if len(ladder.validations) == 1:
        reason = "landings with plate and waist unit come from one site only"
        numbers.not_run((subject, SITES), reason)
    _add_limb_errors(numbers, ladder, level)
    _add_coverage(numbers, ladder, forces, level)
    return numbers
