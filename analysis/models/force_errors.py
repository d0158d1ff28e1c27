"""Errors of estimated forces between the limbs: what would bias a symmetry, what is left of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.agreement import Jackknife
from analysis.agreement.jackknife import Moments, jackknife
from analysis.force_model.inputs import Array
from analysis.mixed import ContrastT, fit_mixed, random_intercept, satterthwaite_t


@dataclass(frozen=True)
class LimbErrors:
    """Errors of the involved minus those of the uninvolved limb.

    Attributes
    ----------
    difference : of E - M, BW
    log_ratio : of log E - log M; what is added to the log ratio of the limbs
    symmetry_r_squared : squared correlation of the log ratio of the limbs, by estimate and by plate
    """

    difference: ContrastT
    log_ratio: ContrastT
    symmetry_r_squared: Jackknife
    athletes: int
    landings: int


def _contrast(errors: Array, rows: pd.DataFrame, level: float) -> ContrastT:
    involved = (rows["limb"] == "involved").to_numpy(dtype=float) - 0.5
    visits = sorted(set(rows["visit"]))[1:]
    visit = [(rows["visit"] == name).to_numpy(dtype=float) for name in visits]
    fixed = np.column_stack([np.ones(len(rows)), involved, *visit])
    fit = fit_mixed(errors, fixed, [random_intercept("athlete", rows["athlete_id"].to_numpy())])
    chosen = np.zeros((1, fixed.shape[1]))
    chosen[0, 1] = 1.0
    return satterthwaite_t(fit, chosen, level)[0]


_NEARLY_ONE = 1.0 - 1e-12


def _fisher(moments: Moments) -> Array:
    spread = np.sqrt(moments.variance_first * moments.variance_second)
    # A correlation of one, by estimates without error, has no finite z.
    return np.arctanh(np.clip(moments.covariance / spread, -_NEARLY_ONE, _NEARLY_ONE))


def _squared_correlation(first: Array, second: Array, athlete: Array, level: float) -> Jackknife:
    """Return r squared with the interval of r on Fisher's z scale, so that it stays in 0 to 1."""
    z = jackknife(_fisher, first, second, athlete, level)
    value, low, high = (float(np.tanh(at)) ** 2 for at in (z.value, z.low, z.high))
    crosses = z.low < 0.0 < z.high
    error = 2.0 * float(np.sqrt(value)) * (1.0 - value) * z.standard_error
    smallest = 0.0 if crosses else min(low, high)
    return Jackknife(value, error, z.df, smallest, max(low, high))


def limb_errors(rows: pd.DataFrame, estimated: Array, measured: Array, level: float) -> LimbErrors:
    """Return the differential error of single-leg landings.

    Parameters
    ----------
    rows : athlete_id, visit, limb, injured_side of each landing; athletes with two operated knees
        have no uninvolved limb and are left out
    estimated, measured : (n,) BW

    Raises
    ------
    ModelRefusedError, ValueError
        Too few athletes or landings.
    """
    one_knee = (rows["injured_side"] != "both").to_numpy(dtype=bool)
    chosen = rows.loc[one_knee].reset_index(drop=True)
    e, m = estimated[one_knee], measured[one_knee]
    chosen = chosen.assign(log_e=np.log(e), log_m=np.log(m))
    means = chosen.pivot_table(
        index=["athlete_id", "visit"], columns="limb", values=["log_e", "log_m"], aggfunc="mean"
    ).dropna()
    ratios = [
        (means[name, "involved"] - means[name, "uninvolved"]).to_numpy()
        for name in ("log_e", "log_m")
    ]
    athletes = means.index.get_level_values("athlete_id").to_numpy()
    return LimbErrors(
        difference=_contrast(e - m, chosen, level),
        log_ratio=_contrast(np.log(e / m), chosen, level),
        symmetry_r_squared=_squared_correlation(*ratios, athletes, level),
        athletes=int(chosen["athlete_id"].nunique()),
        landings=len(chosen),
    )
