"""Methods text: calibrations that only some studies or units have, each a paragraph of its own."""

from __future__ import annotations

from collections.abc import Callable, Collection
from typing import Any

import pandas as pd
from markupsafe import Markup

from analysis.estimates import subjects_of
from analysis.report.ledger import phrase, setting


def _percent(share: float) -> Markup:
    return setting(f"{100 * share:g}")


def _session_end(calibration: dict[str, Any]) -> Markup:
    return phrase(
        "Where quiet standing was also recorded at the end of a session, the bias of a gyroscope "
        "ran straight from its value at the start to that at the end; a change above {}°/s, or of "
        "the zero of an unloaded plate above {} N, was flagged.",
        setting(calibration["rate_bias_change_deg_s"]),
        setting(calibration["zero_drift_n"]),
    )


def _flexion_axis(calibration: dict[str, Any]) -> Markup:
    return phrase(
        "Where slow knee flexions were recorded, the flexion axis of a segment was the principal "
        "direction of its angular rates, if that held at least {} % of their mean square; "
        "elsewhere it was the axis of the unit.",
        _percent(calibration["smallest_explained_share"]),
    )


def _six_orientations(calibration: dict[str, Any]) -> Markup:
    return phrase(
        "Scale, cross-axis terms and bias of an accelerometer came from six known orientations at "
        "rest by linear least squares, with a residual of at most {} mg.",
        setting(calibration["unit_residual_mg"]),
    )


def _static_poses(calibration: dict[str, Any]) -> Markup:
    return phrase(
        "Scale, cross-axis terms and bias of an accelerometer came from at least {} poses by hand, "
        "by non-linear least squares on the length of gravity (nine parameters), with a residual "
        "of at most {} mg.",
        setting(calibration["unit_fewest_poses"]),
        setting(calibration["unit_residual_mg"]),
    )


def _known_rotation(_: dict[str, Any]) -> Markup:
    return Markup("The scale of a gyroscope came from turns by known angles between two rests.")


def _plate_load(calibration: dict[str, Any]) -> Markup:
    return phrase(
        "Force plates were checked under known masses, and those of a pair against each other with "
        "the same masses; a gain off by more than {} %, or a difference of two plates above {} %, "
        "was flagged and not corrected.",
        _percent(calibration["plate_gain_error"]),
        _percent(calibration["plate_gain_mismatch"]),
    )


CALIBRATIONS: dict[str, Callable[[dict[str, Any]], Markup]] = {
    "standing_end": _session_end,
    "functional_flexion": _flexion_axis,
    "six_orientations": _six_orientations,
    "static_poses": _static_poses,
    "known_rotation": _known_rotation,
    "plate_load": _plate_load,
}
"""Kind of calibration recording -> what says how it was used, in the order of the text."""

_APPLIED = ("six_orientations", "static_poses", "known_rotation")
"""Kinds whose result changes the samples of a unit."""


def _when_applied(calibration: dict[str, Any]) -> Markup:
    return phrase(
        " Such calibrations of a unit were applied when they were within their limits and at most "
        "{} days old.",
        setting(calibration["unit_longest_age_days"]),
    )


def calibrations(calibration: dict[str, Any], done: Collection[str]) -> list[Markup]:
    """Return a paragraph for each kind of calibration that was done, others not."""
    found = {kind: write(calibration) for kind, write in CALIBRATIONS.items() if kind in done}
    if applied := [kind for kind in _APPLIED if kind in found]:
        found[applied[-1]] += _when_applied(calibration)
    return list(found.values())


def calibrations_done(estimates: pd.DataFrame) -> frozenset[str]:
    """Return the kinds of calibration that the study has recordings of, quiet standing apart."""
    kinds = {
        subject[-1]
        for analysis in ("quality_calibrations", "quality_bench")
        for subject in subjects_of(estimates, analysis, "calibrations", "count")
    }
    return frozenset(CALIBRATIONS).intersection(kinds)
