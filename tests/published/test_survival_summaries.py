"""Concordance, incidence rates, E-values and numbers of events against published values."""

import numpy as np
import pytest
from scipy import stats

from analysis.survival.concordance import harrell_concordance
from analysis.survival.cox import fit_cox
from analysis.survival.cox_sample import cox_sample
from analysis.survival.e_value import hazard_ratio_e_value
from analysis.survival.incidence import incidence_rate, rate_ratio
from analysis.survival.sample_size import (
    detectable_hazard_ratio,
    events_for_covariate,
    events_for_two_groups,
    freedman_events,
)
from tests.published import survival_tables as tables


def test_concordance_of_lung():
    """R 4.2.2, survival 3.5-3, `concordance` of the three-covariate model; Harrell 1996."""
    table = tables.complete_lung()
    X = table[["age", "sex", "ph.ecog"]].to_numpy()
    fit = fit_cox(cox_sample(X, table["time"], table["event"]))
    found = harrell_concordance(X @ fit.coefficients, table["time"], table["event"])
    assert found.estimate == pytest.approx(0.637135493000455, rel=1e-12)
    assert found.standard_error == pytest.approx(0.0250679738530796, rel=1e-10)
    counts = (found.concordant, found.discordant, found.tied_risk, found.tied_time)
    assert counts == (12544, 7117, 126, 28)


def test_concordance_of_rossi():
    """R 4.2.2, survival 3.5-3: 0.6403292 for the seven-covariate model (Allison 1995)."""
    table = tables.rossi()
    columns = ["fin", "age", "race", "wexp", "mar", "paro", "prio"]
    fit = fit_cox(cox_sample(table[columns], table["week"], table["arrest"]))
    score = table[columns].to_numpy() @ fit.coefficients
    found = harrell_concordance(score, table["week"], table["arrest"])
    assert found.estimate == pytest.approx(0.640329247099714, rel=1e-12)


def test_concordance_pairs_with_late_entry_by_hand():
    """Event at 5 of a row with score 2; the row that enters at 6 cannot be compared with it."""
    found = harrell_concordance([2, 1, 3, 0], [5, 8, 9, 7], [1, 1, 0, 0], start=[0, 0, 6, 0])
    assert (found.concordant, found.discordant) == (2, 1)


def test_exact_poisson_limits():
    """Garwood 1936 (figures from memory): 0 events [0, 3.689], 10 events [4.795, 18.390]."""
    none = incidence_rate(0, 1.0)
    assert (none.lower, round(none.upper, 3)) == (0.0, 3.689)
    ten = incidence_rate(10, 1.0)
    assert (round(ten.lower, 3), round(ten.upper, 3)) == (4.795, 18.390)


def test_rate_per_thousand_exposures_equals_the_chi_square_form():
    """Ulm 1990: limits are half of chi-square quantiles with 2 d and 2 d + 2 degrees of freedom."""
    found = incidence_rate(13, 21_000, per=1000)
    assert found.rate == pytest.approx(13 / 21)
    assert found.lower == pytest.approx(stats.chi2.ppf(0.025, 26) / 2 / 21, rel=1e-12)
    assert found.upper == pytest.approx(stats.chi2.ppf(0.975, 28) / 2 / 21, rel=1e-12)


def test_rate_ratio_is_the_exact_binomial_comparison():
    """Scipy's exact binomial test of 12 of 17 events with 3/8 of the exposure."""
    found = rate_ratio(12, 3000.0, 5, 5000.0)
    exact = stats.binomtest(12, 17, 3 / 8).proportion_ci(0.95, method="exact")
    assert found.ratio == pytest.approx((12 / 3000) / (5 / 5000))
    assert found.lower == pytest.approx(exact.low / (1 - exact.low) * 5 / 3, rel=1e-9)
    assert found.upper == pytest.approx(exact.high / (1 - exact.high) * 5 / 3, rel=1e-9)
    upper_tail = stats.binomtest(12, 17, 3 / 8, alternative="greater").pvalue
    assert found.p == pytest.approx(2 * upper_tail, rel=1e-9)


def test_rate_ratio_without_events_on_one_side_stays_open():
    assert rate_ratio(3, 10.0, 0, 10.0).upper == np.inf
    assert rate_ratio(0, 10.0, 3, 10.0).lower == 0.0


@pytest.mark.parametrize(
    ("hazard_ratio", "options", "expected"),
    [
        (0.5, {}, 65.3456592588709),
        (0.5, {"power": 0.9}, 87.4792977215419),
        (1.5, {}, 190.968040183989),
        (2 / 3, {"power": 0.9}, 255.65202389915),
        (2.0, {"share": 0.25}, 87.1275456784945),
    ],
)
def test_events_for_two_groups(hazard_ratio, options, expected):
    """Schoenfeld 1983, two-sided 5 %, evaluated in R 4.2.2."""
    assert events_for_two_groups(hazard_ratio, **options) == pytest.approx(expected, rel=1e-12)


def test_freedman_events():
    """Freedman 1982, hazard ratio 0.5, 80 %, evaluated in R 4.2.2."""
    assert freedman_events(0.5) == pytest.approx(70.6399176091418, rel=1e-12)


def test_events_for_a_continuous_covariate():
    """Hsieh & Lavori 2000, myeloma: log ratio 1, SD 0.3126, one-sided 5 %, 80 %: 64 events."""
    plain = events_for_covariate(np.e, sd=0.3126, alpha=0.10)
    assert plain == pytest.approx(63.2688874891552, rel=1e-12)
    assert np.ceil(plain) == 64
    adjusted = events_for_covariate(np.e, sd=0.3126, r_squared=0.1837, alpha=0.10)
    assert adjusted == pytest.approx(77.506906148665, rel=1e-12)
    assert events_for_covariate(1.5) == pytest.approx(47.7420100459973, rel=1e-12)


def test_detectable_ratio_inverts_the_number_of_events():
    events = events_for_covariate(1.5, r_squared=0.2, power=0.9)
    found = detectable_hazard_ratio(events, r_squared=0.2, power=0.9)
    assert found == pytest.approx(1.5, rel=1e-12)


def test_e_value_of_a_risk_ratio():
    """VanderWeele & Ding 2017 (from memory): risk ratio 3.9 [1.8, 8.7], E-values 7.26 and 3.0."""
    found = hazard_ratio_e_value(3.9, 1.8, 8.7, outcome="rare")
    assert round(found.estimate, 2) == 7.26
    assert round(found.limit, 1) == 3.0


def test_e_value_is_symmetric_and_one_when_the_interval_holds_one():
    up = hazard_ratio_e_value(2.0, 1.5, 3.0, outcome="common")
    down = hazard_ratio_e_value(0.5, 1 / 3, 1 / 1.5, outcome="common")
    assert down.estimate == pytest.approx(up.estimate)
    assert down.limit == pytest.approx(up.limit)
    assert hazard_ratio_e_value(1.3, 0.9, 2.0, outcome="rare").limit == 1.0
