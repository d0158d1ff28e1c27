"""Gray's test and Fine-Gray regression against published data and against their definitions.

Expected values: R 4.2.2, cmprsk 2.2-11 `cuminc` and `crr`, survival 3.5-3 `finegray` with `coxph`
(7 to 15 digits); data Andersen 1993 (melanoma), Kyle 2002 (mgus2).
"""

import numpy as np
import pytest
from scipy import optimize

from analysis.competing.fine_gray import fit_fine_gray
from analysis.competing.gray import gray_test
from analysis.survival.cox import fit_cox
from analysis.survival.cox_sample import cox_sample
from analysis.survival.log_rank import log_rank
from tests.published import survival_tables as tables

GRAY = {
    ("melanoma", "male", 1): (5.81402085554769, 0.0158989024333577, 1e-12),
    ("melanoma", "male", 2): (0.854365595107327, 0.355320258527838, 1e-12),
    ("melanoma", "ulc", 1): (26.120719033365, 3.20723963942449e-07, 1e-12),
    ("melanoma", "ulc", 2): (0.158662038425845, 0.690391344342665, 1e-12),
    ("mgus2", "male", 1): (1.1945078, 0.274422, 1e-6),
    ("mgus2", "male", 2): (11.6512590, 0.000641591, 1e-6),
}

COLUMNS = ["age", "male", "thick", "ulc"]
# `finegray` + `coxph`, converged to rounding.
MELANOMA = [0.00592773605563627, 0.405031689253572, 0.0899945917596542, 1.12862981979753]
# `crr` stops where the scaled gradient is below 1e-6: its values are that far from the maximum.
CRR = [0.00592773686551007, 0.405031295419968, 0.0899948272505494, 1.12862939828378]
CRR_ERRORS = [0.00929027136571266, 0.275576739498267, 0.0383644136045301, 0.303440547649591]
CRR_LOG_LIKELIHOOD = -268.184715238218


@pytest.mark.parametrize("case", GRAY)
def test_gray(case):
    name, column, cause = case
    table = getattr(tables, name)()
    result = gray_test(table["time"], table["cause"], table[column], of_cause=cause)
    statistic, p, tolerance = GRAY[case]
    assert result.test.statistic == pytest.approx(statistic, rel=tolerance)
    assert result.test.p == pytest.approx(p, rel=2e-6)
    assert result.test.df == 1


def test_gray_without_competing_events_is_near_the_log_rank_test():
    """Without a competing cause both compare the same hazards; only the variances differ."""
    table = tables.lung()
    gray = gray_test(table["time"], table["event"], table["sex"])
    rank = log_rank(table["time"], table["event"], table["sex"])
    assert gray.score == pytest.approx(rank.observed - rank.expected, rel=1e-10)
    assert gray.test.statistic == pytest.approx(rank.test.statistic, rel=0.1)


def test_gray_of_three_groups_ignores_their_order_and_keeps_strata_apart():
    table = tables.mgus2()
    third = np.arange(len(table)) % 3
    one = gray_test(table["time"], table["cause"], third)
    other = gray_test(table["time"], table["cause"], (third + 1) % 3)
    assert one.test.df == 2
    assert other.test.statistic == pytest.approx(one.test.statistic, rel=1e-10)
    twice = gray_test(
        np.tile(table["time"], 2),
        np.tile(table["cause"], 2),
        np.tile(third, 2),
        strata=np.repeat(["first", "second"], len(table)),
    )
    assert twice.score == pytest.approx(2 * one.score, rel=1e-10)
    assert twice.covariance == pytest.approx(2 * one.covariance, rel=1e-10)


def test_gray_of_two_halves_under_no_difference_rejects_at_its_level():
    """Simulated: 400 data sets without difference; 5 % +- 3 Monte-Carlo errors of 1.1 %."""
    generator = np.random.default_rng(19880101)
    rejected = 0
    for _ in range(400):
        time = generator.exponential(size=120)
        cause = generator.choice([0, 1, 2], size=120, p=[0.3, 0.4, 0.3])
        rejected += gray_test(time, cause, np.arange(120) % 2).test.p < 0.05
    assert 0.018 < rejected / 400 < 0.083


def fit_melanoma():
    table = tables.melanoma()
    return fit_fine_gray(table[COLUMNS], table["time"], table["cause"], names=COLUMNS)


def test_fine_gray_of_melanoma():
    fit = fit_melanoma()
    assert fit.converged
    assert fit.coefficients == pytest.approx(MELANOMA, rel=1e-10)
    assert fit.coefficients == pytest.approx(CRR, rel=5e-6)
    assert fit.standard_errors == pytest.approx(CRR_ERRORS, rel=2e-6)
    assert fit.log_likelihood == pytest.approx(CRR_LOG_LIKELIHOOD, rel=1e-12)
    assert (fit.n, fit.n_events, fit.n_competing) == (205, 57, 14)


def test_fine_gray_error_at_the_coefficients_of_the_reference_program():
    """One iteration away from the maximum the sandwich of `crr` is ours to rounding."""
    from analysis.competing import fine_gray

    table = tables.melanoma()
    data = fine_gray._weighted(table[COLUMNS], table["time"], table["cause"], 1, None, COLUMNS)
    at = fine_gray._evaluate(data, np.array(CRR) * data.sample.scale)
    inverse = np.linalg.inv(at.information)
    influence = fine_gray._influence(data, at)
    errors = np.sqrt(np.diag(inverse @ influence.T @ influence @ inverse)) / data.sample.scale
    assert errors == pytest.approx(CRR_ERRORS, rel=1e-12)


def test_age_has_opposite_signs_on_hazard_and_incidence_in_mgus2():
    """Progression: cause-specific +0.015, subdistribution -0.019 (R survival and cmprsk)."""
    table = tables.mgus2().dropna(subset=["hgb", "creat", "mspike"])
    columns = table[["age", "male", "mspike"]]
    fit = fit_fine_gray(columns, table["time"], table["cause"])
    assert fit.coefficients[0] == pytest.approx(-0.019, abs=5e-4)
    cox = fit_cox(cox_sample(columns, table["time"], table["cause"] == 1))
    assert cox.coefficients[0] == pytest.approx(0.015, abs=5e-4)


def test_without_censoring_it_is_a_cox_model_in_which_competing_rows_stay():
    """Fine & Gray 1999, section 3: complete data. The sandwich is then Lin & Wei's."""
    table = tables.melanoma().query("cause > 0")
    fit = fit_fine_gray(table[COLUMNS], table["time"], table["cause"])
    stay = np.where(table["cause"] == 2, 1e6, table["time"])
    cox = fit_cox(
        cox_sample(table[COLUMNS], stay, table["cause"] == 1), ties="breslow", robust=True
    )
    assert fit.coefficients == pytest.approx(cox.coefficients, rel=1e-9)
    assert fit.covariance == pytest.approx(cox.robust_covariance, rel=1e-8)


def pseudo_log_likelihood(beta, X, time, cause, group):
    """Fine-Gray pseudo-likelihood from its definition, one event after the other."""

    def censoring_before(moment, g):
        curve = 1.0
        for u in np.unique(time[(cause == 0) & (group == g)]):
            if u < moment:
                left = (time >= u) & (group == g)
                curve *= 1 - ((time == u) & (cause == 0) & (group == g)).sum() / left.sum()
        return curve

    value = 0.0
    for i in np.flatnonzero(cause == 1):
        total = 0.0
        for j in range(time.size):
            if time[j] >= time[i]:
                weight = 1.0
            elif cause[j] == 2:
                weight = censoring_before(time[i], group[j]) / censoring_before(time[j], group[j])
            else:
                continue
            total += weight * np.exp(X[j] @ beta)
        value += X[i] @ beta - np.log(total)
    return value


def test_tied_times_and_censoring_groups_follow_the_definition():
    table = tables.melanoma().iloc[::4]
    X = table[["male", "ulc"]].to_numpy(dtype=float)
    time = np.ceil(table["time"].to_numpy() / 400.0)
    cause, group = table["cause"].to_numpy(), (table["age"] > 55).to_numpy().astype(int)

    def loss(beta):
        return -pseudo_log_likelihood(beta, X, time, cause, group)

    best = optimize.minimize(loss, np.zeros(2), method="Nelder-Mead", options={"xatol": 1e-6})
    fit = fit_fine_gray(X, time, cause, censoring_groups=group)
    assert fit.coefficients == pytest.approx(best.x, abs=1e-4)
    assert fit.log_likelihood == pytest.approx(-best.fun, abs=1e-8)
    assert fit.log_likelihood_null == pytest.approx(-loss(np.zeros(2)), rel=1e-12)


def test_predicted_incidence_without_covariate_effect_is_aalen_johansen():
    """A covariate of no effect: 1 - exp(-baseline) is close to the incidence curve."""
    from analysis.competing.cumulative_incidence import cumulative_incidence

    table = tables.mgus2()
    fit = fit_fine_gray(
        np.tile([0.0, 1.0], len(table))[: len(table)], table["time"], table["cause"]
    )
    predicted = fit.cumulative_incidence([fit.reference], [60, 120, 240])[0]
    curve, *_ = cumulative_incidence(table["time"], table["cause"]).at(1, [60, 120, 240])
    assert predicted == pytest.approx(curve, rel=0.01)
