"""Satterthwaite and Kenward-Roger degrees of freedom against published analyses."""

import numpy as np
import pandas as pd
import pytest

from analysis.mixed import (
    ModelRefusedError,
    fit_mixed,
    kenward_roger_f,
    kenward_roger_t,
    random_intercept,
    satterthwaite_f,
    satterthwaite_t,
)
from tests.published.mixed_data import FITS, reference, sleepstudy, table


@pytest.mark.parametrize("name", sorted(FITS))
def test_satterthwaite_equals_the_reference_table(name: str) -> None:
    # statistics.json: lmerTest 3.1-3. For the ML fit of sleepstudy the balanced design gives
    # exactly 18; lmerTest prints 18.0011 because its optimum is slightly off.
    expected = reference("05_lmm", name)["fit"]["satt"]
    for found, row in zip(satterthwaite_t(FITS[name]()), expected, strict=True):
        assert found.df == pytest.approx(row["df"], abs=2e-3 if name == "sleep_ml" else 1e-3)
        assert found.statistic == pytest.approx(row["t value"], rel=5e-5)
        assert found.p_value == pytest.approx(row["Pr(>|t|)"], rel=2e-3)


@pytest.mark.parametrize(
    "name", sorted(set(FITS) - {"sleep_ml", "sleep_ri_ml", "dyestuff_ml", "rail_ml"})
)
def test_kenward_roger_equals_the_reference_table(name: str) -> None:
    # statistics.json: pbkrtest 0.5.2 through lmerTest 3.1-3.
    expected = reference("05_lmm", name)["fit"]["kr"]
    for found, row in zip(kenward_roger_t(FITS[name]()), expected, strict=True):
        assert found.df == pytest.approx(row["df"], abs=1e-3)
        assert found.standard_error == pytest.approx(row["Std. Error"], rel=2e-5)
        assert found.p_value == pytest.approx(row["Pr(>|t|)"], rel=5e-4)


# Known without the table. Kuznetsova et al. 2017 (J Stat Softw 82(13)) and the statistics file row
# L-SLEEP print 17 for both methods; L-SLEEP-UNC 18.156 and 18.187; L-SLEEP-RI 22.81 and 161;
# L-ORTH-RI 103.986 and 79; L-OATS 5.978 and 53.
@pytest.mark.parametrize(
    ("name", "satterthwaite", "kenward_roger"),
    [
        ("sleep_reml", [17.0, 17.0], [17.0, 17.0]),
        ("sleep_uncorr_reml", [18.156, 18.156], [18.187, 18.187]),
        ("sleep_ri_reml", [22.8102, 161.0], [22.8102, 161.0]),
        ("orth_ri", [103.986, 79.0, 103.986, 79.0], [103.986, 79.0, 103.986, 79.0]),
        ("orth_rs_c", [25.0] * 4, [25.0] * 4),
        ("oats", [5.978, 53.0], [5.978, 53.0]),
        ("dyestuff_reml", [5.0], [5.0]),
        ("rail", [5.0], [5.0]),
    ],
)
def test_degrees_of_freedom_as_printed(
    name: str, satterthwaite: list[float], kenward_roger: list[float]
) -> None:
    fit = FITS[name]()
    assert [t.df for t in satterthwaite_t(fit)] == pytest.approx(satterthwaite, abs=1e-3)
    assert [t.df for t in kenward_roger_t(fit)] == pytest.approx(kenward_roger, abs=1e-3)


def test_small_p_value_of_sleepstudy() -> None:
    # Statistics file row L-SLEEP: t 6.771481, p 3.2638e-6 (a normal reference gives 1.3e-11).
    days = satterthwaite_t(sleepstudy())[1]
    assert days.statistic == pytest.approx(6.771481, rel=1e-6)
    assert days.p_value == pytest.approx(3.2638e-6, rel=1e-4)


def test_balanced_f_test_is_the_exact_analysis_of_variance() -> None:
    # Randomised blocks (ergoStool, Pinheiro & Bates 2000, section 1.2): F of Type has exactly
    # (3, 24) degrees of freedom and equals the analysis-of-variance F.
    data = table("nlme", "ergoStool")
    columns = pd.get_dummies(data.Type).to_numpy(float)
    columns[:, 0] = 1.0
    fit = fit_mixed(data.effort, columns, [random_intercept("Subject", data.Subject)])
    wide = data.pivot_table(index="Subject", columns="Type", values="effort").to_numpy()
    grand = wide.mean()
    left = wide - wide.mean(axis=0) - wide.mean(axis=1, keepdims=True) + grand
    expected = (9 * ((wide.mean(axis=0) - grand) ** 2).sum() / 3) / ((left**2).sum() / 24)
    for test in (satterthwaite_f(fit, np.eye(4)[1:]), kenward_roger_f(fit, np.eye(4)[1:])):
        assert test.statistic == pytest.approx(expected, rel=1e-7)
        assert test.numerator_df == 3
        assert test.denominator_df == pytest.approx(24.0, abs=1e-5)


def _dense_kenward_roger(fit, terms: list[np.ndarray]):
    """The formulas of Kenward & Roger 1997 with full n x n matrices, as an independent check."""
    design = fit.problem.design
    X, n = design.fixed, design.response.size
    V = fit.sigma**2 * np.eye(n)
    parts = [np.eye(n)]
    for component, Z in zip(fit.components, terms, strict=True):
        V = V + component.covariance[0, 0] * Z @ Z.T
        parts.append(Z @ Z.T)
    inverse = np.linalg.inv(V)
    phi = np.linalg.inv(X.T @ inverse @ X)
    P = [-X.T @ inverse @ G @ inverse @ X for G in parts]
    size = len(parts)
    Q = [[X.T @ inverse @ G @ inverse @ H @ inverse @ X for H in parts] for G in parts]
    information = np.empty((size, size))
    for i in range(size):
        for j in range(size):
            information[i, j] = 0.5 * (
                np.trace(inverse @ parts[i] @ inverse @ parts[j])
                - 2 * np.trace(phi @ Q[i][j])
                + np.trace(phi @ P[i] @ phi @ P[j])
            )
    W = np.linalg.inv(information)
    middle = sum(W[i, j] * (Q[i][j] - P[i] @ phi @ P[j]) for i in range(size) for j in range(size))
    return phi + 2 * phi @ middle @ phi, phi, P, W


def test_unbalanced_nested_kenward_roger_equals_the_dense_formulas() -> None:
    random = np.random.default_rng(3)
    athlete = np.repeat(np.arange(7), [3, 9, 6, 4, 8, 5, 7])
    visit = athlete * 10 + random.integers(0, 3, athlete.size)
    x = random.normal(size=athlete.size) + athlete / 3
    outcome = x + 2 * random.normal(size=7)[athlete] + random.normal(size=80)[visit]
    outcome = outcome + random.normal(size=athlete.size)
    terms = [random_intercept("athlete", athlete), random_intercept("visit", visit)]
    fit = fit_mixed(outcome, np.column_stack([np.ones(x.size), x]), terms)
    indicators = [
        (labels[:, None] == np.unique(labels)[None, :]).astype(float) for labels in (athlete, visit)
    ]
    adjusted, phi, P, W = _dense_kenward_roger(fit, indicators)
    for j, found in enumerate(kenward_roger_t(fit)):
        c = np.eye(2)[j]
        theta = np.outer(c, c) / phi[j, j]
        share = np.array([np.trace(theta @ phi @ p @ phi) for p in P])
        assert found.df == pytest.approx(2.0 / (share @ W @ share), rel=1e-7)
        assert found.standard_error == pytest.approx(np.sqrt(adjusted[j, j]), rel=1e-8)


def test_kenward_roger_is_refused_for_ml_fits() -> None:
    with pytest.raises(ModelRefusedError, match="refit it by REML"):
        kenward_roger_t(sleepstudy("ML"))


def test_contrasts_of_the_wrong_shape_are_refused() -> None:
    with pytest.raises(ModelRefusedError, match="one column per fixed effect"):
        satterthwaite_t(sleepstudy(), [[1.0, 0.0, 0.0]])
    with pytest.raises(ModelRefusedError, match="repeat each other"):
        satterthwaite_f(sleepstudy(), [[0.0, 1.0], [0.0, 2.0]])
