"""Firth-penalised Cox regression against the published analysis and against its definition."""

import itertools

import numpy as np
import pytest
from scipy import optimize

from analysis.survival.cox import fit_cox
from analysis.survival.cox_sample import cox_sample
from analysis.survival.firth import fit_firth
from tests.published import survival_tables as tables

# Heinze & Schemper 2001, breast cancer data, 26 events, all with G = 1; R 4.2.2, coxphf 1.13.4.
COLUMNS = ["T", "N", "G", "CD"]
COEFFICIENTS = [1.22443880032984, 0.918888185116072, 2.4244141346555, 0.39711808618353]
ERRORS = [0.491604428887644, 0.422573354593642, 1.4735463367086, 0.441855398530093]
LOWER = [1.36274613036822, 1.12045522668472, 1.46566749684961, 0.626867167096139]
UPPER = [9.47218428194912, 5.83286270508884, 1451.9459383225, 3.51178364301269]
P_VALUES = [0.0082252035047844, 0.0252828304996477, 0.0135898757069961, 0.364502439659502]
LOG_LIKELIHOOD_GAIN = -89.3025134808688 + 107.278223659963
# The same model without penalty: R coxphf(firth = FALSE), finite coefficients and likelihood.
WITHOUT_PENALTY = [1.27908375499741, 0.946279493590918, 0.400100785475529]
WITHOUT_PENALTY_LOG_LIKELIHOOD = -93.9743294227638


def breast():
    table = tables.reference_table("breast_heinze")
    return cox_sample(table[COLUMNS], table["TIME"], table["CENS"], names=COLUMNS)


def test_breast_cancer_data():
    fit = fit_firth(breast())
    assert fit.converged
    # coxphf stops at a gradient of 1e-4 or a step of 1e-5: its own values are good to 1e-7.
    assert fit.coefficients == pytest.approx(COEFFICIENTS, rel=1e-7)
    assert fit.standard_errors == pytest.approx(ERRORS, rel=1e-7)
    assert np.exp(fit.lower) == pytest.approx(LOWER, rel=1e-6)
    assert np.exp(fit.upper) == pytest.approx(UPPER, rel=1e-6)
    assert [test.p for test in fit.tests] == pytest.approx(P_VALUES, rel=1e-8)
    gain = fit.log_likelihood - fit.log_likelihood_null
    assert gain == pytest.approx(LOG_LIKELIHOOD_GAIN, rel=1e-10)


def test_breast_cancer_data_without_penalty_are_flagged():
    fit = fit_cox(breast(), ties="breslow")
    assert fit.monotone
    assert fit.diverging == ("G",)
    assert fit.coefficients[[0, 1, 3]] == pytest.approx(WITHOUT_PENALTY, rel=1e-7)
    assert fit.log_likelihood == pytest.approx(WITHOUT_PENALTY_LOG_LIKELIHOOD, rel=1e-10)


def penalised_log_likelihood(beta, X, start, stop, event, ties):
    """Log-likelihood plus half the log determinant, one tied death after the other."""
    value, information = 0.0, np.zeros((X.shape[1], X.shape[1]))
    risk = np.exp(X @ beta)
    for moment in np.unique(stop[event]):
        at_risk = (start < moment) & (moment <= stop)
        died = event & (stop == moment)
        for step in range(died.sum()):
            share = step / died.sum() if ties == "efron" else 0.0
            weight = risk * (at_risk - share * died)
            mean = weight @ X / weight.sum()
            value -= np.log(weight.sum())
            information += (X - mean).T @ ((X - mean) * weight[:, None]) / weight.sum()
        value += (X[died] @ beta).sum()
    return value + np.linalg.slogdet(information)[1] / 2


@pytest.mark.parametrize(
    ("ties", "late"), list(itertools.product(["efron", "breslow"], [False, True]))
)
def test_estimate_limits_and_test_maximise_the_definition(ties, late):
    """Tied melanoma times: compared with a direct search on the penalised likelihood."""
    table = tables.melanoma().head(60)
    X = table[["age", "thick"]].to_numpy(dtype=float)
    X = (X - X.mean(axis=0)) / X.std(axis=0)
    stop = np.ceil(table["time"].to_numpy() / 200.0)
    start = np.where(np.arange(60) % 4 == 0, stop / 2, -1.0) if late else np.full(60, -1.0)
    event = table["cause"].to_numpy() == 1

    def loss(beta):
        return -penalised_log_likelihood(beta, X, start, stop, event, ties)

    best = optimize.minimize(loss, np.zeros(2), method="BFGS", options={"gtol": 1e-8})
    fit = fit_firth(cox_sample(X, stop, event, start=start), ties=ties)
    assert fit.coefficients == pytest.approx(best.x, abs=2e-6)
    for limit in (fit.lower[0], fit.upper[0]):
        profiled = optimize.minimize_scalar(lambda b, a=limit: loss(np.array([a, b])))
        assert 2 * (profiled.fun - best.fun) == pytest.approx(3.841458820694124, rel=1e-6)
    without = optimize.minimize_scalar(lambda b: loss(np.array([0.0, b])))
    assert fit.tests[0].statistic == pytest.approx(2 * (without.fun - best.fun), rel=1e-5)


def test_one_event_gives_finite_estimates_and_possibly_open_limits():
    fit = fit_firth(cox_sample([0.0, 1.0, 2.0, 5.0], [1, 2, 3, 4], [0, 0, 1, 0]))
    assert fit.converged
    assert np.isfinite(fit.coefficients).all()
    assert not np.isnan([fit.lower, fit.upper]).any()
    assert fit.lower[0] < fit.coefficients[0] < fit.upper[0]
