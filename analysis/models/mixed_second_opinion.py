"""The limb model fitted a second time, by statsmodels: other likelihood code, other optimiser."""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.models.limb_model import INVOLVED, LimbModel
from analysis.models.trial_design import repeated_athletes


@dataclass(frozen=True)
class LibraryFit:
    """Limb difference on the model's scale, as the library finds it."""

    estimate: float
    standard_error: float
    log_likelihood: float
    converged: bool


def library_fit(model: LimbModel, with_slope: bool) -> LibraryFit | None:
    """Fit the same model by statsmodels MixedLM (REML); None when it ends without estimates."""
    import statsmodels.formula.api as formulas
    from statsmodels.tools.sm_exceptions import ConvergenceWarning

    columns = [name for name in model.fixed if name != "intercept"]
    table = pd.DataFrame({f"x{n}": model.fixed[name] for n, name in enumerate(columns)})
    table["response"] = model.response
    table["athlete"] = model.rows["athlete_id"].to_numpy()
    table["visit"] = model.rows["visit"].to_numpy()
    table["half"] = model.fixed[INVOLVED] - 0.5
    visits = {"visit": "0 + C(visit)"} if repeated_athletes(model.rows) else None
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)
        warnings.simplefilter("ignore", RuntimeWarning)
        warnings.simplefilter("ignore", UserWarning)
        try:
            fit = formulas.mixedlm(
                "response ~ " + " + ".join(f"x{n}" for n in range(len(columns))),
                table,
                groups="athlete",
                re_formula="1 + half" if with_slope else "1",
                vc_formula=visits,
            ).fit(reml=True, method=["lbfgs"])
        except (np.linalg.LinAlgError, ValueError):
            return None
    term = f"x{columns.index(INVOLVED)}"
    error = float(fit.bse[term])
    if not np.isfinite(error):
        return None
    return LibraryFit(float(fit.params[term]), error, float(fit.llf), bool(fit.converged))
