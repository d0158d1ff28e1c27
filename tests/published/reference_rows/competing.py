"""Rows of scripts 03_cr and 04_firth (R cmprsk 2.2-11, survival 3.5-3, coxphf 1.13.4)."""

from collections.abc import Callable
from functools import partial

import numpy as np
from scipy.stats import norm

from analysis.competing.cumulative_incidence import cumulative_incidence
from analysis.competing.fine_gray import FineGrayFit, fit_fine_gray
from analysis.competing.gray import gray_test
from analysis.survival.cox import fit_cox
from analysis.survival.cox_sample import CoxSample, cox_sample
from analysis.survival.firth import fit_firth
from tests.published import survival_tables as tables
from tests.published.reference_rows.cox import compare_fit, compare_test
from tests.published.reference_rows.row import ReferenceRow

COLUMNS = ["age", "male", "thick", "ulc"]
BREAST = ["T", "N", "G", "CD"]
DAYS = [1000, 2000, 3000]
DIVERGES = "the coefficient of G has no maximum: where a program stops is its own affair"


def melanoma_counts(row: ReferenceRow) -> None:
    row.same("tab", np.bincount(tables.melanoma()["cause"]), 0)


def melanoma_incidence(row: ReferenceRow, group: str) -> None:
    table = tables.melanoma()
    for place, cause in enumerate((1, 2)):
        test = gray_test(table["time"], table["cause"], table[group], of_cause=cause).test
        row.same(f"tests/{place}", [test.statistic, test.p, test.df], 1e-10)
    for place, (value, cause) in enumerate([(0, 1), (1, 1), (0, 2), (1, 2)]):
        rows = table[table[group] == value]
        found = cumulative_incidence(rows["time"], rows["cause"], variance="aalen").at(cause, DAYS)
        row.same(f"est/{place}", found[0], 1e-12)
        row.same(f"var/{place}", found[1] ** 2, 1e-10)


def melanoma_fine_gray() -> FineGrayFit:
    table = tables.melanoma()
    return fit_fine_gray(table[COLUMNS], table["time"], table["cause"], names=COLUMNS)


def melanoma_crr(row: ReferenceRow) -> None:
    fit = melanoma_fine_gray()
    # `crr` stops where its scaled gradient is below 1e-6, up to 3e-6 of a coefficient away from
    # the maximum. Its standard error at its own coefficients is ours to rounding: see
    # test_fine_gray_error_at_the_coefficients_of_the_reference_program.
    row.same("coef", fit.coefficients, 5e-6)
    row.same("se", fit.standard_errors, 2e-6)
    row.same("loglik", fit.log_likelihood, 1e-12)


def melanoma_expanded(row: ReferenceRow) -> None:
    row.same("coef", melanoma_fine_gray().coefficients, 1e-8)
    row.leave("robust", "the sandwich without the error of the censoring curve; crr's has it")


def melanoma_causes(row: ReferenceRow) -> None:
    table = tables.melanoma()
    for cause in (1, 2):
        sample = cox_sample(table[COLUMNS], table["time"], table["cause"] == cause)
        compare_fit(row, f"c{cause}", fit_cox(sample))


def breast_sample() -> CoxSample:
    table = tables.reference_table("breast_heinze")
    return cox_sample(table[BREAST], table["TIME"], table["CENS"], names=BREAST)


def breast_table(row: ReferenceRow) -> None:
    table = tables.reference_table("breast_heinze")
    row.same("n", len(table), 0)
    row.same("ev", table["CENS"].sum(), 0)
    row.same("tab", table[[*BREAST, "TIME", "CENS"]].sum(), 1e-12)


def breast_firth(row: ReferenceRow, profile: bool) -> None:
    fit = fit_firth(breast_sample())
    # coxphf stops at a gradient of 1e-4 or a step of 1e-5: its own values are good to 1e-7.
    row.same("fit/coef", fit.coefficients, 1e-7)
    row.same("fit/se", fit.standard_errors, 1e-7)
    if profile:
        row.same("fit/lower", np.exp(fit.lower))
        row.same("fit/upper", np.exp(fit.upper))
        row.same("fit/p", [test.p for test in fit.tests], 1e-8)
    else:
        half = norm.ppf(0.975) * fit.standard_errors
        row.same("fit/lower", np.exp(fit.coefficients - half))
        row.same("fit/upper", np.exp(fit.coefficients + half))
        row.same("fit/p", 2 * norm.sf(np.abs(fit.coefficients / fit.standard_errors)))
    # The program standardises the covariates, which moves the penalty by a constant.
    null, best = row.at("fit/loglik")
    gain = fit.log_likelihood - fit.log_likelihood_null
    np.testing.assert_allclose(gain, best - null, rtol=1e-10)
    row.leave("fit/loglik", "compared as a difference, just above")
    row.leave("fit/iter", "the number of iterations is the program's own affair")


def breast_without_penalty(row: ReferenceRow) -> None:
    fit = fit_cox(breast_sample(), ties="breslow")
    assert fit.monotone
    assert fit.diverging == ("G",)
    errors = fit.standard_errors
    for place in (0, 1, 3):
        name, value, error = BREAST[place], fit.coefficients[place], errors[place]
        half = norm.ppf(0.975) * error
        row.same(f"fit/coef/{name}", value, 1e-7)
        row.same(f"fit/se/{name}", error, 1e-6)
        row.same(f"fit/lower/{name}", np.exp(value - half))
        row.same(f"fit/upper/{name}", np.exp(value + half))
        row.same(f"fit/p/{name}", 2 * norm.sf(abs(value / error)))
    row.same("fit/loglik/1", fit.log_likelihood, 1e-9)
    row.same("fit/loglik/0", fit.log_likelihood_null, 1e-12)
    for part in ("coef", "se", "lower", "upper", "p"):
        row.leave(f"fit/{part}/G", DIVERGES)
    row.leave("fit/iter", "the number of iterations is the program's own affair")


def breast_plain(row: ReferenceRow) -> None:
    fit = fit_cox(breast_sample(), ties="breslow")
    assert fit.monotone
    for place in (0, 1, 3):
        row.same(f"fit/coef/{BREAST[place]}", fit.coefficients[place], 1e-6)
        row.same(f"fit/se/{BREAST[place]}", fit.standard_errors[place], 1e-6)
    row.same("fit/loglik", [fit.log_likelihood_null, fit.log_likelihood], 1e-8)
    row.same("fit/LR", [fit.likelihood_ratio.statistic, 4, fit.likelihood_ratio.p], 1e-6)
    compare_test(row, "fit/score", fit.score)
    row.same("fit/n", fit.n, 0)
    row.same("fit/nevent", fit.n_events, 0)
    for part in ("coef/G", "se/G", "wald"):
        row.leave(f"fit/{part}", DIVERGES)


ROWS: dict[str, Callable[[ReferenceRow], None]] = {
    "03_cr/mel_event": melanoma_counts,
    "03_cr/mel_gray": partial(melanoma_incidence, group="male"),
    "03_cr/mel_gray_ulc": partial(melanoma_incidence, group="ulc"),
    "03_cr/mel_crr": melanoma_crr,
    "03_cr/mel_fg_breslow": melanoma_expanded,
    "03_cr/mel_fg_efron": melanoma_expanded,
    "03_cr/mel_csh": melanoma_causes,
    "04_firth/breast_head": breast_table,
    "04_firth/breast_coxphf": partial(breast_firth, profile=True),
    "04_firth/breast_coxphf_wald": partial(breast_firth, profile=False),
    "04_firth/breast_nofirth": breast_without_penalty,
    "04_firth/breast_coxph_breslow": breast_plain,
}
