"""Diagnostics of a limb model as statements about the group: residuals, influence, predictions.

No athlete is named and no athlete's number is written: only extremes and means over athletes.
"""

from __future__ import annotations

import math

import numpy as np

from analysis.estimates import EstimateFields, Estimates
from analysis.mixed import ModelRefusedError
from analysis.mixed.influence import influence_at_fixed_variances
from analysis.mixed.random_effects import predict_random_effects
from analysis.mixed.residuals import residuals
from analysis.models.limb_model import INVOLVED, LimbFit, LimbModel
from analysis.models.trial_design import ATHLETE

FAR = 3.0
"""A residual so many standard deviations out is far: 0.27 % of a normal distribution."""


def add_diagnostics(
    numbers: Estimates, subject: tuple[str, ...], model: LimbModel, found: LimbFit
) -> None:
    """Add what residuals, influence and predicted effects say of a model (REML fit)."""
    _add_residuals(numbers, subject, model, found)
    _add_influence(numbers, subject, model, found)
    _add_predictions(numbers, subject, found)


def _add_residuals(
    numbers: Estimates, subject: tuple[str, ...], model: LimbModel, found: LimbFit
) -> None:
    from scipy.stats import kurtosis, skew, spearmanr

    left = residuals(found.fit)
    note = "residuals made independent by the model's covariance; normal: "
    for quantity, value, expected in (
        ("share_beyond_three_sd", float(np.mean(np.abs(left.independent) > FAR)), "0.0027"),
        ("skewness", float(skew(left.independent)), "0"),
        ("excess_kurtosis", float(kurtosis(left.independent)), "0"),
    ):
        unit = "share" if quantity.startswith("share") else ""
        numbers.add(subject, "residuals", quantity, value, unit=unit, note=note + expected)
    # Trials of one limb at one visit share their fitted value; rounding must not rank them.
    fitted = model.response - left.conditional
    fitted = np.round(fitted / fitted.std(), 9) if fitted.std() > 0 else fitted
    numbers.add(
        subject,
        "residuals",
        "spread_against_fitted",
        float(spearmanr(np.abs(left.pearson), fitted).statistic),
        unit="",
        note="rank correlation of the size of the residuals of trials with the fitted value; zero "
        "where the spread does not grow with the value",
    )


def _add_influence(
    numbers: Estimates, subject: tuple[str, ...], model: LimbModel, found: LimbFit
) -> None:
    try:
        influence = influence_at_fixed_variances(found.fit, ATHLETE)
    except ModelRefusedError:
        # The refusal itself names the athlete.
        reason = "without one of the athletes a fixed effect of the model cannot be estimated"
        numbers.not_run((*subject, "influence"), reason)
        return
    place = found.fit.fixed_names.index(INVOLVED)
    numbers.add(
        subject,
        "influence",
        "largest_change",
        float(np.max(np.abs(influence.changes[:, place]))),
        unit="standard errors",
        note="largest change of the limb difference when any one athlete is left out, variances "
        "held; no athlete is named",
    )
    without = influence.coefficients[:, place]
    for quantity, value in (("smallest", without.min()), ("largest", without.max())):
        shown = math.exp(value) if model.on_log_scale else float(value)
        fields: EstimateFields = {"unit": "ratio" if model.on_log_scale else _unit(model)}
        fields["note"] = "limb difference without any one athlete, variances held"
        numbers.add(subject, "influence", f"{quantity}_without_one", shown, **fields)


def _unit(model: LimbModel) -> str:
    return str(model.rows["unit"].iloc[0])


def _add_predictions(numbers: Estimates, subject: tuple[str, ...], found: LimbFit) -> None:
    effects = next(e for e in predict_random_effects(found.fit) if e.term == ATHLETE)
    for place, column in enumerate(effects.columns):
        term = ("predicted", "intercept" if column == "(Intercept)" else column)
        numbers.add(
            subject,
            term,
            "mean_reliability",
            float(effects.reliabilities[:, place].mean()),
            unit="share",
            note="mean over athletes of the squared correlation between predicted (best linear "
            "unbiased) and true effect, variances taken as known",
        )
