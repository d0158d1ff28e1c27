"""Groups and knees compared, against general-purpose libraries on the rows of a small study.

statsmodels gives the log-rank tests, lifelines the restricted mean, scipy the exact binomial
interval behind the conditional interval of a rate ratio. Published values of Gray's test stand in
test_competing_incidence.py, those of the error of a restricted mean in test_survival_curves.py.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from lifelines import KaplanMeierFitter
from lifelines.utils import restricted_mean_survival_time
from scipy.stats import binomtest
from statsmodels.duration.survfunc import survdiff

from analysis.cohort.analysis_set import events_of, landmark_rows
from analysis.estimates import estimates_table
from analysis.models.group_comparison import (
    event_free_numbers,
    group_test_numbers,
    ratio_numbers,
)
from shared.tables import read_table
from tests.unit import cohort_tables as tables

DIVIDED_BY = {"rate_per_100_person_years": "followup_days"}


@pytest.fixture(scope="module")
def cohort(tmp_path_factory):
    paths = tables.typical_study(tmp_path_factory.mktemp("study"))
    return landmark_rows(read_table(paths["cohort"]))


@pytest.mark.parametrize("outcome", ["graft_rupture", "contralateral_tear", "second_injury"])
def test_log_rank_tests_are_those_of_statsmodels(cohort, outcome):
    plan = tables.plan()
    rows = estimates_table(group_test_numbers(cohort, plan)).set_index("number_id")
    event = events_of(cohort, plan["outcomes"][outcome]["events"])
    data = cohort["followup_days"], event, cohort["sex"]
    for quantity, options in (
        ("log_rank_test", {}),
        ("stratified_log_rank_test", {"strata": cohort["site"]}),
    ):
        statistic, p = survdiff(*data, **options)
        row = rows.loc[f"group_tests.{outcome}.sex.{quantity}"]
        assert row["statistic"] == pytest.approx(statistic, rel=1e-9)
        assert row["p"] == pytest.approx(p, rel=1e-9)
        assert (row["df"], row["n_events"]) == (1, event.sum())


def test_without_other_ends_gray_and_log_rank_nearly_agree(cohort):
    """Gray 1988: without competing events the two statistics estimate the same contrast."""
    plan = tables.plan()
    alone = cohort.assign(cause=cohort["cause"].where(cohort["cause"] == 1, 0))
    rows = estimates_table(group_test_numbers(alone, plan)).set_index("number_id")["statistic"]
    gray = rows["group_tests.graft_rupture.sex.gray_test"]
    assert gray == pytest.approx(rows["group_tests.graft_rupture.sex.log_rank_test"], rel=0.05)


def test_the_mean_time_free_of_any_end_is_that_of_lifelines(cohort):
    plan = tables.plan()
    rows = estimates_table(event_free_numbers(cohort, plan)).set_index("number_id")
    parts = {}
    for group, of_group in (("all", cohort), *cohort.groupby("sex")):
        fitter = KaplanMeierFitter()
        fitter.fit(of_group["followup_days"], of_group["cause"] > 0)
        parts[group] = restricted_mean_survival_time(fitter, t=plan["horizon_days"])
        row = rows.loc[f"event_free_time.{group}.all.restricted_mean"]
        assert row["estimate"] == pytest.approx(parts[group], rel=1e-9)
        assert row["n_events"] == (of_group["cause"] > 0).sum()
    row = rows.loc["event_free_time.male_against_female.all.difference_of_restricted_means"]
    assert row["estimate"] == pytest.approx(parts["male"] - parts["female"], rel=1e-9)
    errors = [
        rows.loc[f"event_free_time.{g}.all.restricted_mean", "se"] for g in ("female", "male")
    ]
    assert row["se"] == pytest.approx(math.hypot(*errors), rel=1e-12)


def test_rate_ratios_rest_on_the_exact_binomial_interval(cohort):
    plan = tables.plan()
    rows = estimates_table(ratio_numbers(cohort, plan, DIVIDED_BY)).set_index("number_id")
    outcome = "second_injury"
    event = events_of(cohort, plan["outcomes"][outcome]["events"])
    male = (cohort["sex"] == "male").to_numpy()
    days = cohort["followup_days"].to_numpy()
    share = days[male].sum() / days.sum()
    exact = binomtest(int(event[male].sum()), int(event.sum()), share)
    limits = np.array(exact.proportion_ci(0.95, method="exact"))
    odds = limits / (1 - limits) * (1 - share) / share
    row = rows.loc[f"rate_ratios.{outcome}.male_against_female.rate_ratio_per_100_person_years"]
    assert [row["ci_low"], row["ci_high"]] == pytest.approx(list(odds), rel=1e-9)
    rates = [event[rows_].sum() / days[rows_].sum() for rows_ in (male, ~male)]
    assert row["estimate"] == pytest.approx(rates[0] / rates[1], rel=1e-12)


def test_the_knees_of_an_athlete_are_exposed_alike(cohort):
    plan = tables.plan()
    both = cohort.assign(injured_side=cohort["injured_side"].mask(cohort.index < 10, "both"))
    rows = estimates_table(ratio_numbers(both, plan, DIVIDED_BY)).set_index("number_id")
    row = rows.loc["rate_ratios.second_injury.uninvolved_against_involved.rate_ratio"]
    causes = both.loc[10:, "cause"]
    assert row["estimate"] == pytest.approx((causes == 2).sum() / (causes == 1).sum())
    assert (row["rows_dropped"], row["n_athletes"]) == (10, len(both) - 10)


def test_no_event_of_the_reference_leaves_the_ratio_open(cohort):
    plan = tables.plan()
    women = cohort["sex"] == "female"
    rows = estimates_table(
        ratio_numbers(cohort.assign(cause=cohort["cause"].mask(women, 0)), plan, DIVIDED_BY)
    ).set_index("number_id")
    row = rows.loc["rate_ratios.graft_rupture.male_against_female.rate_ratio_per_100_person_years"]
    assert np.isinf([row["estimate"], row["ci_high"]]).all()
    assert row["ci_low"] > 0
    assert "no event in the reference" in row["note"]


def test_one_group_is_refused_in_words(cohort):
    rows = estimates_table(group_test_numbers(cohort.query("sex == 'male'"), tables.plan()))
    assert rows["quantity"].tolist() == ["not_run"]
