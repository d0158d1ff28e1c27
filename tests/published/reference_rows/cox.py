"""Rows of script 01_cox and 11_extra: Cox regression (R survival 3.5-3).

`coxph` stops at a relative change of the log-likelihood of 1e-9, so its coefficients are good to
about 1e-8. Its summary prints the Wald statistic with two decimals and takes the p-value of the
rounded figure; both are compared to that rounding.
"""

from collections.abc import Callable
from functools import partial

import numpy as np

from analysis.prediction.uno import uno_concordance
from analysis.survival.concordance import harrell_concordance
from analysis.survival.cox import CoxFit, fit_cox
from analysis.survival.cox_prediction import baseline_hazards, predict_survival
from analysis.survival.cox_residuals import (
    deviance_residuals,
    dfbeta_residuals,
    martingale_residuals,
    schoenfeld_residuals,
    score_residuals,
)
from analysis.survival.cox_sample import CoxSample, cox_sample
from analysis.survival.event_table import step_value
from analysis.survival.frailty import fit_gamma_frailty
from analysis.survival.linear import ChiSquareTest
from analysis.survival.log_rank import log_rank
from analysis.survival.proportional_hazards import proportional_hazards_test
from tests.published import survival_tables as tables
from tests.published.reference_rows.row import ReferenceRow

LUNG = ["age", "sex", "ph.ecog"]
ROSSI = ["fin", "age", "race", "wexp", "mar", "paro", "prio"]
HEART = ["age", "year", "surgery", "transplant"]


def compare_fit(row: ReferenceRow, part: str, fit: CoxFit) -> None:
    """Compare everything that the reference program prints of one fit."""
    assert fit.converged
    assert not fit.monotone
    row.same(f"{part}/coef", fit.coefficients, 1e-7)
    row.same(f"{part}/se", fit.standard_errors, 1e-7)
    row.same(f"{part}/loglik", [fit.log_likelihood_null, fit.log_likelihood], 1e-12)
    compare_test(row, f"{part}/LR", fit.likelihood_ratio)
    compare_test(row, f"{part}/score", fit.score)
    if row.at(f"{part}/robust_se"):
        row.same(f"{part}/robust_se", fit.robust_standard_errors, 1e-7)
        compare_test(row, f"{part}/robscore", fit.robust_score)
    row.same(f"{part}/wald/0", fit.wald.statistic, 0, 0.00501)
    row.same(f"{part}/wald/1", fit.wald.df, 0)
    row.same(f"{part}/wald/2", fit.wald.p, 0.005 * max(1.0, fit.wald.df / 2))
    row.same(f"{part}/n", fit.n, 0)
    row.same(f"{part}/nevent", fit.n_events, 0)


def compare_test(row: ReferenceRow, path: str, test: ChiSquareTest) -> None:
    """Compare statistic, degrees of freedom and p-value."""
    row.same(path, [test.statistic, test.df, test.p], 1e-7)


def gehan_sample() -> CoxSample:
    table = tables.gehan()
    return cox_sample(table[["control"]], table["time"], table["cens"])


def lung_sample() -> CoxSample:
    table = tables.complete_lung()
    return cox_sample(table[LUNG], table["time"], table["event"], names=LUNG)


def gehan(row: ReferenceRow, ties: str) -> None:
    compare_fit(row, "fit", fit_cox(gehan_sample(), ties=ties))


def gehan_exact(row: ReferenceRow) -> None:
    """The score test of the exact likelihood is the log-rank test, whatever the ties."""
    table = tables.gehan()
    rank = log_rank(table["time"], table["cens"], table["control"])
    compare_test(row, "fit/score", rank.test)
    row.same("fit/n", len(table), 0)
    row.same("fit/nevent", table["cens"].sum(), 0)
    for part in ("coef", "se", "loglik", "LR", "wald"):
        row.leave(f"fit/{part}", "ties are handled by Efron's and Breslow's methods only")


def lung(row: ReferenceRow, ties: str) -> None:
    compare_fit(row, "fit", fit_cox(lung_sample(), ties=ties))


def lung_robust(row: ReferenceRow) -> None:
    compare_fit(row, "fit", fit_cox(lung_sample(), robust=True))


def lung_by_institution(row: ReferenceRow) -> None:
    table = tables.complete_lung().dropna(subset=["inst"])
    sample = cox_sample(table[LUNG], table["time"], table["event"])
    compare_fit(row, "fit", fit_cox(sample, cluster=table["inst"]))


def compare_proportional_hazards(
    row: ReferenceRow, path: str, sample: CoxSample, transform: str = "km"
) -> None:
    result = proportional_hazards_test(sample, fit_cox(sample), transform)
    tests = [*result.per_covariate, result.overall]
    row.column(path, "chisq", [test.statistic for test in tests])
    row.column(path, "df", [test.df for test in tests], 0)
    row.column(path, "p", [test.p for test in tests])


def lung_proportional_hazards(row: ReferenceRow, transform: str) -> None:
    compare_proportional_hazards(row, "table", lung_sample(), transform)


def superseded_test(row: ReferenceRow) -> None:
    row.leave("chisq", "the approximation of cox.zph before 2019; the score test replaced it")


def lung_residuals(row: ReferenceRow) -> None:
    sample = lung_sample()
    fit = fit_cox(sample)
    schoenfeld = schoenfeld_residuals(sample, fit)
    found = {
        "martingale": martingale_residuals(sample, fit),
        "deviance": deviance_residuals(sample, fit),
        "dfbeta": dfbeta_residuals(sample, fit),
        "score": score_residuals(sample, fit),
        "schoenfeld": schoenfeld.residuals,
        "scaledsch": schoenfeld.scaled,
    }
    for kind, values in found.items():
        row.same(f"id_first6/{kind}", values[:6], DIAGNOSTIC, 1e-8)
    row.same("sums/abs_martingale", np.abs(found["martingale"]).sum(), DIAGNOSTIC)
    row.same("sums/ss_deviance", np.sum(found["deviance"] ** 2), DIAGNOSTIC)
    for name, kind in [("dfbeta", "dfbeta"), ("score", "score"), ("sch", "schoenfeld")]:
        row.same(f"sums/abs_{name}", np.abs(found[kind]).sum(axis=0), DIAGNOSTIC)


DIAGNOSTIC = 1e-7


def lung_residuals_breslow(row: ReferenceRow) -> None:
    sample = lung_sample()
    fit = fit_cox(sample, ties="breslow")
    row.same("abs_martingale", np.abs(martingale_residuals(sample, fit)).sum(), DIAGNOSTIC)
    row.same("abs_score", np.abs(score_residuals(sample, fit)).sum(axis=0), DIAGNOSTIC)
    row.same("abs_dfbeta", np.abs(dfbeta_residuals(sample, fit)).sum(axis=0), DIAGNOSTIC)


def lung_baseline(row: ReferenceRow) -> None:
    sample = lung_sample()
    fit = fit_cox(sample)
    row.same("means", tables.complete_lung()[LUNG].mean(), 1e-12)
    moments = np.array(row.at("time"), dtype=float)
    for part, reference in [("zero", [0, 0, 0]), ("centered", None)]:
        at = baseline_hazards(sample, fit, reference)[0]
        row.same(part, step_value(at.times, at.cumulative_hazard, moments, 0.0), 1e-7)
    row.leave("time", "the moments asked for")


def lung_prediction(row: ReferenceRow) -> None:
    sample = lung_sample()
    fit = fit_cox(sample)
    found = predict_survival(
        baseline_hazards(sample, fit)[0], fit, [[60, 1, 1]], row.at("time"), interval="log"
    )
    row.leave("time", "the moments asked for")
    row.same("surv", found.survival, 1e-7)
    row.same("se", found.standard_error, 1e-7)
    row.same("lower", found.lower, 1e-7)
    row.same("upper", found.upper, 1e-7)


def lung_concordance(row: ReferenceRow) -> None:
    table = tables.complete_lung()
    stop, event = table["time"].to_numpy(dtype=float), table["event"].to_numpy() == 1
    risk = table[LUNG].to_numpy() @ fit_cox(lung_sample()).coefficients
    found = harrell_concordance(risk, stop, event)
    row.same("harrell", found.estimate, 1e-12)
    row.same("se", found.standard_error, 1e-8)
    row.same("counts/concordant", found.concordant, 0)
    row.same("counts/discordant", found.discordant, 0)
    row.same("counts/tied.x", found.tied_risk, 0)
    row.same("counts/tied.y", found.tied_time, 0)
    row.leave("counts/tied.xy", "pairs tied in both are not counted: they inform nothing")
    uno = uno_concordance(risk, stop, event, truncation=stop.max())
    row.same("uno", uno.estimate, 1e-12)
    row.same("uno_se", uno.standard_error, 1e-8)
    row.same("uno730", uno_concordance(risk, stop, event, truncation=730.0).estimate, 1e-12)
    cut = harrell_concordance(risk, np.minimum(stop, 730.0), event & (stop < 730.0))
    row.same("h730", cut.estimate, 1e-12)


def female_rats(row: ReferenceRow) -> None:
    table = tables.rats()
    sample = cox_sample(table[["trt"]], table["time"], table["tumor"])
    compare_fit(row, "fit", fit_cox(sample, cluster=table["litter"]))
    compare_fit(row, "breslow", fit_cox(sample, ties="breslow", cluster=table["litter"]))


def all_rats(row: ReferenceRow) -> None:
    table = tables.reference_table("rats")
    columns = np.column_stack([table["rx"], table["sex"] == "m"])
    sample = cox_sample(columns, table["time"], table["status"], names=["rx", "male"])
    compare_fit(row, "fit", fit_cox(sample, cluster=table["litter"]))


def rats_with_frailty(row: ReferenceRow) -> None:
    table = tables.rats()
    sample = cox_sample(table[["trt"]], table["time"], table["tumor"])
    fit = fit_gamma_frailty(sample, table["litter"])
    # R's outer search over the variance stops at a relative change of 1e-5, and it takes the
    # frailty block of the information as diagonal for the standard error.
    row.same("gamma/coef", fit.coefficients, 1e-5)
    row.same("gamma/se", fit.standard_errors, 1e-4)
    row.same("gamma/theta", fit.theta, 1e-5)
    row.same("gamma/iloglik/0", fit.log_likelihood_null, 1e-12)
    row.leave("gamma/iloglik/1", "a penalised likelihood at R's last step, not the integrated one")
    matched = cox_sample(table[["trt"]], table["time"], table["tumor"], strata=table["litter"])
    compare_fit(row, "strata", fit_cox(matched))


def heart(row: ReferenceRow, ties: str) -> None:
    table = tables.heart()
    sample = cox_sample(table[HEART], table["stop"], table["event"], start=table["start"])
    compare_fit(row, "fit", fit_cox(sample, ties=ties))
    compare_fit(row, "rob", fit_cox(sample, ties=ties, cluster=table["id"]))


def veteran_strata(row: ReferenceRow) -> None:
    table = tables.veteran()
    sample = cox_sample(
        table[["trt", "karno"]], table["time"], table["status"], strata=table["celltype"]
    )
    compare_fit(row, "fit", fit_cox(sample))
    compare_fit(row, "breslow", fit_cox(sample, ties="breslow"))


def veteran_base(row: ReferenceRow) -> None:
    table = tables.veteran()
    columns = table[["trt", "prior", "karno"]]
    compare_fit(row, "fit", fit_cox(cox_sample(columns, table["time"], table["status"])))


def rossi(row: ReferenceRow) -> None:
    table = tables.rossi()
    sample = cox_sample(table[ROSSI], table["week"], table["arrest"], names=ROSSI)
    fit = fit_cox(sample)
    compare_fit(row, "efron", fit)
    compare_fit(row, "breslow", fit_cox(sample, ties="breslow"))
    compare_proportional_hazards(row, "zph", sample)
    risk = table[ROSSI].to_numpy() @ fit.coefficients
    row.same("C", harrell_concordance(risk, table["week"], table["arrest"]).estimate, 1e-12)


ROWS: dict[str, Callable[[ReferenceRow], None]] = {
    "01_cox/gehan_efron": partial(gehan, ties="efron"),
    "01_cox/gehan_breslow": partial(gehan, ties="breslow"),
    "01_cox/gehan_exact": gehan_exact,
    "01_cox/lung_efron": partial(lung, ties="efron"),
    "01_cox/lung_breslow": partial(lung, ties="breslow"),
    "01_cox/lung_robust": lung_robust,
    "01_cox/lung_cluster_inst": lung_by_institution,
    "01_cox/lung_zph_km": partial(lung_proportional_hazards, transform="km"),
    "01_cox/lung_zph_rank": partial(lung_proportional_hazards, transform="rank"),
    "01_cox/lung_zph_identity": partial(lung_proportional_hazards, transform="identity"),
    "01_cox/lung_zph_log": partial(lung_proportional_hazards, transform="log"),
    "01_cox/lung_oldzph_identity": superseded_test,
    "01_cox/lung_oldzph_log": superseded_test,
    "01_cox/lung_resid": lung_residuals,
    "01_cox/lung_resid_breslow": lung_residuals_breslow,
    "01_cox/lung_basehaz": lung_baseline,
    "01_cox/lung_pred": lung_prediction,
    "01_cox/lung_C": lung_concordance,
    "01_cox/rats_f_cluster": female_rats,
    "01_cox/rats_cluster_all": all_rats,
    "01_cox/rats_f_frailty": rats_with_frailty,
    "01_cox/heart_tv_efron": partial(heart, ties="efron"),
    "01_cox/heart_tv_breslow": partial(heart, ties="breslow"),
    "01_cox/veteran_strat": veteran_strata,
    "01_cox/veteran_base": veteran_base,
    "11_extra/rossi": rossi,
}
