"""A contrast of a mixed model: its test by the plan's method, and its columns in the estimates."""

from __future__ import annotations

import math
from typing import Any

from numpy.typing import NDArray

from analysis.estimates import EstimateFields
from analysis.mixed import ContrastT, MixedFit, kenward_roger_t, satterthwaite_t


def contrast_by(df_method: str, fit: MixedFit, weights: NDArray[Any], level: float) -> ContrastT:
    """Return one contrast of the fixed effects, tested by the plan's degrees of freedom."""
    test = kenward_roger_t if df_method == "kenward-roger" else satterthwaite_t
    return test(fit, weights, level)[0]


def difference_fields(found: ContrastT) -> EstimateFields:
    """Return the columns of a contrast on the scale of the model."""
    return {
        "se": found.standard_error,
        "se_scale": "identity",
        "df": found.df,
        "df_method": found.df_method,
        "ci_low": found.low,
        "ci_high": found.high,
        "ci_level": found.level,
        "ci_type": "t",
        "statistic": found.statistic,
        "statistic_kind": "t",
        "p": found.p_value,
    }


def ratio_fields(found: ContrastT) -> EstimateFields:
    """Return the columns of a contrast of logarithms: limits as ratios, standard error as it is."""
    return {
        **difference_fields(found),
        "se_scale": "log",
        "ci_low": math.exp(found.low),
        "ci_high": math.exp(found.high),
    }
