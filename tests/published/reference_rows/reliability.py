"""Rows of script 06_rel: reliability and agreement (R psych 2.2.9, irr 0.84.1, epiR 2.0.57)."""

from collections.abc import Callable
from functools import partial

import numpy as np
import pandas as pd
from scipy.stats import norm, t

from analysis.agreement import concordance_correlation, limits_of_agreement, repeatability
from analysis.mixed import fit_mixed, random_intercept
from analysis.reliability import (
    average_agreement_interval,
    intraclass_correlations,
    minimal_detectable_change,
    standard_error_of_agreement,
    standard_error_of_consistency,
    two_way_mean_squares,
)
from tests.published.reference_rows.row import ReferenceRow
from tests.published.survival_tables import reference_table
from tests.published.test_reliability import SHROUT_FLEISS

SCORES = np.array(SHROUT_FLEISS, dtype=float)
SUBJECT, JUDGE = np.indices(SCORES.shape)
FORMS = ["ICC(1,1)", "ICC(2,1)", "ICC(3,1)", "ICC(1,k)", "ICC(2,k)", "ICC(3,k)"]
SATTERTHWAITE = "the test of psych, on 5 and 15 df, is reported; irr's on Satterthwaite's is not"


def coefficients(row: ReferenceRow) -> None:
    found = intraclass_correlations(SHROUT_FLEISS)
    for place, form in enumerate(FORMS):
        one, path = found[form], f"res/{place}"
        row.same(f"{path}/ICC", one.value, 1e-10)
        row.same(f"{path}/F", one.statistic, 1e-10)
        row.same(f"{path}/df1", one.df[0], 0)
        row.same(f"{path}/df2", one.df[1], 0)
        row.same(f"{path}/p", one.p_value, 1e-8)
        row.same(f"{path}/lower bound", one.low, 1e-8)
        row.same(f"{path}/upper bound", one.high, 1e-8)
    squares = two_way_mean_squares(SHROUT_FLEISS)
    row.same("ms", [squares.between, squares.raters, squares.error, squares.within], 1e-10)
    # From variance components by REML, whose optimiser is 2e-6 short in the reference.
    row.same("lmer", [found[form].value for form in FORMS], 5e-6)


def single_form(row: ReferenceRow, form: str) -> None:
    found = intraclass_correlations(SHROUT_FLEISS)[form]
    row.same("value", found.value, 1e-10)
    limits = (found.low, found.high)
    if form == "ICC(2,k)":
        limits = average_agreement_interval(SHROUT_FLEISS)
    row.same("lo", limits[0], 1e-8)
    row.same("hi", limits[1], 1e-8)
    row.same("F", found.statistic, 1e-10)
    if form.startswith("ICC(2"):
        row.leave("df", SATTERTHWAITE)
        row.leave("p", SATTERTHWAITE)
    else:
        row.same("df", found.df, 1e-12)
        row.same("p", found.p_value, 1e-8)


def errors_of_measurement(row: ReferenceRow) -> None:
    squares = two_way_mean_squares(SHROUT_FLEISS)
    consistency = standard_error_of_consistency(squares)
    row.same("sem_consistency", consistency, 1e-10)
    row.same("mdc95_consistency", minimal_detectable_change(consistency), 1e-10)
    row.same("mdc95_exactz", norm.ppf(0.975) * np.sqrt(2) * consistency, 1e-10)
    row.same("sem_agreement", standard_error_of_agreement(squares), 1e-10)
    row.same("sd_total", SCORES.std(ddof=1), 1e-12)
    found = intraclass_correlations(SHROUT_FLEISS)
    for key, form in [("sem_sd_icc21", "ICC(2,1)"), ("sem_sd_icc31", "ICC(3,1)")]:
        row.same(key, SCORES.std(ddof=1) * np.sqrt(1 - found[form].value), 1e-9)


def components(row: ReferenceRow) -> None:
    terms = [
        random_intercept("subject", SUBJECT.ravel()),
        random_intercept("judge", JUDGE.ravel()),
    ]
    fit = fit_mixed(SCORES.ravel(), np.ones(SCORES.size), terms)
    found = [component.covariance[0, 0] for component in fit.components]
    # Exact from the mean squares; the reference's optimiser stops 3e-6 short of them.
    squares = two_way_mean_squares(SHROUT_FLEISS)
    exact = [(squares.between - squares.error) / 4, (squares.raters - squares.error) / 6]
    np.testing.assert_allclose(found, exact, rtol=1e-7)
    row.column("vc", "vcov", [*found, fit.sigma**2], 2e-5)


def components_with_fixed_judges(row: ReferenceRow) -> None:
    judges = (JUDGE.ravel()[:, None] == np.arange(4)).astype(float)
    fit = fit_mixed(SCORES.ravel(), judges, [random_intercept("subject", SUBJECT.ravel())])
    row.column("vc", "vcov", [fit.components[0].covariance[0, 0], fit.sigma**2], 2e-5)


def peak_flow() -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Return the two readings of both meters, in the order of the persons."""
    table = reference_table("pefr_ba1986")
    wide = table.pivot_table(index="item", columns=["meth", "repl"], values="y")
    return {m: (wide[m, 1].to_numpy(), wide[m, 2].to_numpy()) for m in ("Wright", "Mini")}


def blood_pressure() -> tuple[np.ndarray, np.ndarray]:
    table: pd.DataFrame = reference_table("sbp_ba1999").query("repl == 1")
    wide = table.pivot_table(index="item", columns="meth", values="y")
    return wide["J"].to_numpy(), wide["S"].to_numpy()


def peak_flow_columns(row: ReferenceRow) -> None:
    row.same("n", 2 * len(peak_flow()["Mini"][0]), 0)


def compare_limits(row: ReferenceRow, first: np.ndarray, second: np.ndarray) -> None:
    found = limits_of_agreement(first, second)
    doubled = limits_of_agreement(first, second, multiplier=2.0)
    pairs = {
        "n": found.n,
        "mean": found.bias,
        "sd": found.deviation,
        "lo": found.low,
        "hi": found.high,
        "lo2": doubled.low,
        "hi2": doubled.high,
        "se_mean": found.deviation / np.sqrt(found.n),
        "ci_mean": found.bias_interval,
        "se_loa_exact": found.limit_error,
        "ci_lo": found.low_interval,
        "ci_hi": found.high_interval,
    }
    for key, value in pairs.items():
        row.same(f"r/{key}", value, 1e-10)
    # Bland & Altman 1986 round 1 + 1.96^2 / 2 to 3; the exact factor is reported.
    rounded = found.deviation * np.sqrt(3.0 / found.n)
    reach = t.ppf(0.975, found.n - 1) * rounded
    row.same("r/se_loa_sqrt3", rounded, 1e-10)
    row.same("r/ci_lo_sqrt3", [found.low - reach, found.low + reach], 1e-10)
    row.same("r/ci_hi_sqrt3", [found.high - reach, found.high + reach], 1e-10)


def peak_flow_repeatability(row: ReferenceRow) -> None:
    for meter, (first, second) in peak_flow().items():
        name, found = f"y.{meter}", repeatability(first, second)
        difference = first - second
        row.same(f"r/0/{name}", difference.std(ddof=1), 1e-10)
        row.same(f"r/1/{name}", difference.mean(), 1e-10)
        row.same(f"r/2/{name}", found.coefficient, 1e-10)
        row.same(f"r/3/{name}", found.within_deviation, 1e-10)


def compare_concordance(row: ReferenceRow, first: np.ndarray, second: np.ndarray) -> None:
    found = concordance_correlation(first, second)
    row.same("r/rho", [found.value, found.low, found.high], 1e-10)
    row.same("r/asym/0/est", found.value, 1e-10)
    for limit in ("lower", "upper"):
        row.leave(f"r/asym/0/{limit}", "the interval without Fisher's z may leave [-1, 1]")
    # The scale shift of the reference is that of the second method over the first.
    row.same("r/s", 1 / found.scale_shift, 1e-10)
    row.same("r/l", abs(found.location_shift), 1e-10)
    row.same("r/C.b", found.accuracy, 1e-10)


def first_peak_flows() -> tuple[np.ndarray, np.ndarray]:
    readings = peak_flow()
    return readings["Wright"][0], readings["Mini"][0]


ROWS: dict[str, Callable[[ReferenceRow], None]] = {
    "06_rel/sf_icc": coefficients,
    **{
        f"06_rel/sf_irr_{way}_{kind}_{unit}": partial(single_form, form=f"ICC({number},{k})")
        for way, kind, number in [
            ("oneway", "consistency", 1),
            ("oneway", "agreement", 1),
            ("twoway", "consistency", 3),
            ("twoway", "agreement", 2),
        ]
        for unit, k in [("single", "1"), ("average", "k")]
    },
    "06_rel/sf_sem": errors_of_measurement,
    "06_rel/sf_lmer": components,
    "06_rel/sf_lmer_fixedj": components_with_fixed_judges,
    "06_rel/pefr_cols": peak_flow_columns,
    "06_rel/pefr_ba": lambda row: compare_limits(row, *first_peak_flows()),
    "06_rel/pefr_repeat": peak_flow_repeatability,
    "06_rel/sbp_ba_first": lambda row: compare_limits(row, *blood_pressure()),
    "06_rel/ccc_sbp": lambda row: compare_concordance(row, *blood_pressure()),
    "06_rel/ccc_pefr": lambda row: compare_concordance(row, *first_peak_flows()),
}
