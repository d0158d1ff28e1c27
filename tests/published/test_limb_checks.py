"""Checks of the limb models: likelihood ratios by a library, planted departures, no names."""

from __future__ import annotations

import re
import warnings

import numpy as np
import pytest
from scipy.stats import chi2

from analysis.estimates import estimates_table
from analysis.mixed import ModelRefusedError, kenward_roger_t
from analysis.models.limb_checks import BY_LIMB, BY_VISIT, check_model
from analysis.models.limb_model import fit_variant, limb_model
from analysis.models.trial_design import with_people
from tests.unit import cohort_tables as tables

PREDICTOR = tables.plan()["primary"][0]
LEVELS = (PREDICTOR["metric"], PREDICTOR["sensor"], PREDICTOR["task"], "1")
START = "limb_difference_checks." + ".".join(LEVELS[:3])


def few_refits():
    plan = tables.plan()
    plan["mixed"]["check_refits"] = 20
    return plan


def without_intervals():
    """Return the plan without predictors: their models alone have profiles and bootstrap."""
    return {**tables.plan(), "primary": [], "exploratory": []}


def trials(count=60, seed=4):
    """Return trials of both limbs: deviations 1, 0.5, 0.8, limb differences vary by 0.6."""
    rng = np.random.default_rng(seed)
    people = tables.athletes(count, rng)
    rows = with_people(
        tables.trials(people, [PREDICTOR], rng), people, ["sex", "age_at_surgery_years"]
    )
    own = dict(zip(people["athlete_id"], 0.6 * rng.standard_normal(count), strict=True))
    moved = rows["athlete_id"].map(own) * (rows["limb"] == "involved")
    return rows.assign(value=rows["value"] + moved)


def checks(rows, plan=None):
    found = check_model(LEVELS, rows, plan or without_intervals(), "clearance")
    return estimates_table(found).set_index("number_id")


@pytest.fixture(scope="module")
def rows():
    return trials()


@pytest.fixture(scope="module")
def found(rows):
    return checks(rows, few_refits())


def library_deviance(rows, fixed):
    """Return -2 log-likelihood (ML) by statsmodels: other likelihood code, other optimiser."""
    import statsmodels.formula.api as formulas

    table = rows.assign(
        involved=(rows["limb"] == "involved").astype(float),
        half=(rows["limb"] == "involved") - 0.5,
        age=rows["age_at_surgery_years"] - rows["age_at_surgery_years"].mean(),
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit = formulas.mixedlm(
            fixed, table, groups="athlete_id", re_formula="1 + half",
            vc_formula={"visit": "0 + C(visit)"},
        ).fit(reml=False, method=["lbfgs", "bfgs"])  # fmt: skip
    return -2 * fit.llf


def test_change_between_visits_is_tested_as_by_the_library(rows, found):
    fixed = "value ~ site + visit + age + sex + involved"
    smaller = library_deviance(rows, fixed)
    larger = library_deviance(rows, fixed + " + involved:visit")
    row = found.loc[f"{START}.{BY_VISIT}.likelihood_ratio_test"]
    assert row["estimation"] == "ML"
    # The library's two optima are each within 1e-5 or so of the best.
    assert row["statistic"] == pytest.approx(smaller - larger, abs=1e-3)
    assert row["p"] == pytest.approx(chi2.sf(row["statistic"], 1))
    aic = found.loc[f"{START}.{BY_VISIT}.aic_difference", "estimate"]
    bic = found.loc[f"{START}.{BY_VISIT}.bic_difference", "estimate"]
    assert aic == pytest.approx(2 - row["statistic"], abs=1e-9)
    assert bic == pytest.approx(np.log(len(rows)) - row["statistic"], abs=1e-9)


def test_a_limb_with_more_variation_of_its_trials_is_found(rows, found):
    involved = (rows["limb"] == "involved").to_numpy()
    extra = np.random.default_rng(6).normal(0.0, 1.2, len(rows))
    changed = checks(rows.assign(value=rows["value"] + involved * extra))
    test = f"{START}.{BY_LIMB}.likelihood_ratio_test"
    assert changed.loc[test, "p"] < 1e-6
    assert found.loc[test, "p"] > 0.001  # nothing planted; the seed was not chosen for it
    for limb, planted in (("involved", np.hypot(0.8, 1.2)), ("uninvolved", 0.8)):
        # 270 trials a limb: relative standard error of a deviation about 6 %; three of them.
        value = changed.loc[f"{START}.residual.{limb}.standard_deviation", "estimate"]
        assert value == pytest.approx(planted, rel=0.18)


def test_both_degrees_of_freedom_stand_side_by_side(found):
    for term, method in (("satterthwaite", "Satterthwaite"), ("kenward_roger", "Kenward-Roger")):
        row = found.loc[f"{START}.involved.{term}.mean_difference"]
        assert row["df_method"] == method
        assert row["ci_low"] < -1 < row["ci_high"]  # tables.trials plants -1
        # 60 athletes with a limb difference of their own: near 59, never the number of trials.
        assert 30 < row["df"] < 90
        assert bool(row["converged"])


def test_profile_and_bootstrap_limits_hold_their_estimates(found):
    kinds = ["profile likelihood (ML)", "parametric bootstrap, percentiles"]
    drawn = found.loc[found["ci_type"].isin(kinds)]
    # Difference, deviations, correlation; limb difference and its variation.
    assert len(drawn) == 6 + 2
    assert (drawn["ci_low"] <= drawn["estimate"]).all()
    assert (drawn["estimate"] <= drawn["ci_high"]).all()
    profile = f"{START}.profile.athlete.involved.standard_deviation"
    assert found.loc[profile, "ci_low"] < 0.6 < found.loc[profile, "ci_high"]
    # 60 athletes: ML and REML, chi-squared and t, differ by a few hundredths of a width.
    widths = [
        np.ptp(found.loc[f"{START}.involved.{term}.mean_difference", ["ci_low", "ci_high"]])
        for term in ("profile", "satterthwaite")
    ]
    assert 0.9 < widths[0] / widths[1] < 1.02


def test_an_athlete_unlike_the_others_shows_in_the_influence_but_not_by_name(rows, found):
    chosen = (rows["athlete_id"] == "A0007") & (rows["limb"] == "involved")
    changed = checks(rows.assign(value=rows["value"] + 8.0 * chosen))
    largest = f"{START}.influence.largest_change"
    assert changed.loc[largest, "estimate"] > 2 * found.loc[largest, "estimate"]
    without = changed.loc[f"{START}.influence.smallest_without_one", "estimate"]
    plain = found.loc[f"{START}.involved.satterthwaite.mean_difference"]
    assert without == pytest.approx(plain["estimate"], abs=plain["se"])
    assert not re.search(r"[Aa]0\d{3}", changed.reset_index().to_csv())


def test_normal_residuals_look_normal(found):
    values = found["estimate"]
    assert values[f"{START}.residuals.share_beyond_three_sd"] < 0.015
    # 540 residuals: standard errors 0.105 of the skewness and 0.21 of the kurtosis; three of them.
    assert abs(values[f"{START}.residuals.skewness"]) < 0.32
    assert abs(values[f"{START}.residuals.excess_kurtosis"]) < 0.64


def test_one_visit_has_no_test_of_a_change(rows):
    once = checks(rows.loc[rows["visit"] == "clearance"])
    assert once.loc[f"{START}.{BY_VISIT}.all.not_run", "note"] == "there is one visit"
    assert once.loc[f"{START}.{BY_LIMB}.likelihood_ratio_test", "p"] > 0


def test_a_model_that_is_refused_says_so(rows):
    refused = checks(rows.loc[rows["athlete_id"] == "A0001"])
    assert list(refused["quantity"]) == ["not_run"]
    assert "fewer than two athletes" in refused["note"].iloc[0]


def test_two_athletes_may_have_no_kenward_roger_and_never_a_fault(rows):
    """Seen in a tiny study: the information on a variance was negative, and no inverse existed."""
    two = rows.loc[rows["athlete_id"].isin(["A0001", "A0003"])]
    refusals = []
    for seed in range(40):
        noise = np.random.default_rng(seed).standard_normal(len(two))
        model = limb_model(two.assign(value=noise), [], "clearance", on_log_scale=False)
        fit = fit_variant(model, with_slope=False)
        try:
            contrast = kenward_roger_t(fit, model.contrast)[0]
            assert np.isfinite([contrast.standard_error, contrast.df]).all()
        except ModelRefusedError as error:
            refusals.append(str(error))
    assert any("no information" in reason for reason in refusals)
