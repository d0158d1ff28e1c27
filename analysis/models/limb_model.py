"""The mixed model of a limb difference: involved against uninvolved limb, trial by trial."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.mixed import (
    ContrastT,
    MixedFit,
    ModelRefusedError,
    fit_mixed,
    random_intercept,
    random_slopes,
)
from analysis.mixed.deviance import Method
from analysis.models.contrast_rows import contrast_by
from analysis.models.trial_design import ATHLETE, fixed_columns, visit_term

Array = NDArray[Any]

INVOLVED = "involved"


@dataclass(frozen=True)
class LimbModel:
    """Arrays of a limb model.

    Attributes
    ----------
    rows : trials of athletes with one operated knee
    response : (n,) value, or its natural logarithm
    fixed : columns by name; `involved` is 1 for the operated limb
    dropped : trials left out (both knees operated, missing covariate)
    """

    rows: pd.DataFrame
    response: Array
    fixed: dict[str, Array]
    on_log_scale: bool
    dropped: int

    @property
    def contrast(self) -> Array:
        """(p,) weights that pick the limb difference."""
        return np.array([float(name == INVOLVED) for name in self.fixed])


@dataclass(frozen=True)
class LimbFit:
    """A fit with the limb difference on the model's scale."""

    fit: MixedFit
    difference: ContrastT
    with_slope: bool


def limb_model(
    rows: pd.DataFrame,
    covariates: Sequence[Mapping[str, Any]],
    clearance_visit: str,
    on_log_scale: bool,
) -> LimbModel:
    """Return the model of one metric.

    Raises
    ------
    ModelRefusedError
        Fewer than two athletes were measured on both limbs, or a logarithm of a value <= 0.
    """
    names = [covariate["column"] for covariate in covariates]
    known = rows.loc[(rows["injured_side"] != "both") & rows[names].notna().all(axis=1)]
    known = known.reset_index(drop=True)
    limbs = known.groupby("athlete_id")["limb"].nunique()
    if int((limbs > 1).sum()) < 2:
        raise ModelRefusedError("fewer than two athletes were measured on both limbs")
    values = known["value"].to_numpy(dtype=float)
    if on_log_scale and values.min() <= 0:
        raise ModelRefusedError("the logarithm needs values above zero")
    fixed = fixed_columns(known, covariates, clearance_visit)
    fixed[INVOLVED] = (known["limb"] == INVOLVED).to_numpy(dtype=float)
    return LimbModel(
        rows=known,
        response=np.log(values) if on_log_scale else values,
        fixed=fixed,
        on_log_scale=on_log_scale,
        dropped=len(rows) - len(known),
    )


def fit_limb_model(model: LimbModel, df_method: str, level: float) -> LimbFit:
    """Fit by REML with random limb difference between athletes, without it where it is singular.

    Random terms: athlete (intercept and limb difference), visit in athlete.
    """
    fit = fit_variant(model, with_slope=True)
    with_slope = fit.converged and not fit.singular
    if not with_slope:
        fit = fit_variant(model, with_slope=False)
    return LimbFit(fit, contrast_by(df_method, fit, model.contrast, level), with_slope)


def fit_variant(
    model: LimbModel,
    with_slope: bool,
    method: Method = "REML",
    added: Mapping[str, Array] | None = None,
    residual_strata: Array | None = None,
) -> MixedFit:
    """Fit the model as it is, with `added` fixed columns, or residual variances per stratum."""
    rows = model.rows
    # Coded -1/2, +1/2: the intercept is then the mean of both limbs, and less correlated.
    half = model.fixed[INVOLVED] - 0.5
    athlete = (
        random_slopes(ATHLETE, rows["athlete_id"].to_numpy(), half, [INVOLVED])
        if with_slope
        else random_intercept(ATHLETE, rows["athlete_id"].to_numpy())
    )
    fixed = {**model.fixed, **(added or {})}
    return fit_mixed(
        model.response,
        np.column_stack(list(fixed.values())),
        [athlete, *visit_term(rows)],
        fixed_names=list(fixed),
        method=method,
        residual_strata=residual_strata,
    )
