"""The methods text, generated from the settings: what was done, in sentences, nothing more."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from markupsafe import Markup

from analysis.report import methods_of_measurement as measurement
from analysis.report import methods_of_models as models
from analysis.report.methods_fixed import FIXED
from analysis.report.methods_of_calibration import calibrations
from analysis.report.methods_parts import Methods


def _fixed(part: str) -> Callable[[dict[str, Any]], Markup]:
    return lambda _: Markup(FIXED[part])


_ANALYSES = {
    "limb_difference": models.limbs,
    "limb_checks": models.limb_checks,
    "asymmetry": _fixed("asymmetry"),
    "reliability": models.reliability,
    "known_groups": _fixed("known_groups"),
    "agreement": models.agreement,
    "force_model": _fixed("force_model"),
    "incidence": models.incidence,
    "hazards": models.hazard_models,
    "calibrated": models.calibrated,
    "imputed": models.imputed,
    "complete_cases": models.complete_cases,
    "penalised": models.penalised,
    "diagnosed": _fixed("diagnosed"),
    "alternatives": models.alternatives,
    "sensitivity": models.sensitivity,
    "knees": _fixed("knees"),
    "subdistribution": _fixed("subdistribution"),
    "prediction_size": _fixed("prediction_size"),
    "prediction": models.prediction,
    "second_opinion": _fixed("second_opinion"),
    "second_opinion_by_r": _fixed("second_opinion_by_r"),
    "rederived": _fixed("rederived"),
}
"""Part of the analysis -> what says how it was done, in the order of the text."""


HELD_BY_GRAVITY = "tilt_corrected"
"""The part of the measurement that only some devices allow, named as the flag of its values."""


def methods(
    study: dict[str, Any],
    processing: dict[str, Any],
    plan: dict[str, Any],
    ran: frozenset[str],
) -> list[Methods]:
    """Return the methods text; of `ran`, known parts are described, others not."""
    analysis = tuple(write(plan) for part, write in _ANALYSES.items() if part in ran)
    signals = measurement.signals(study, processing)
    further = calibrations(processing["calibration"], ran)
    if HELD_BY_GRAVITY in ran:
        further.append(measurement.held_by_gravity(processing))
    signals = replace(signals, paragraphs=(*signals.paragraphs, *further))
    sections = [
        signals,
        measurement.landing_metrics(plan, processing),
        measurement.cohort(plan, study, processing["minimum_valid_trials"]),
    ]
    return [*sections, Methods("Statistical analysis", analysis)] if analysis else sections
