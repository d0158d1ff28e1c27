"""Other models of the primary question against direct fits by general-purpose libraries.

lifelines fits the Cox models of the choices, with late entry and time-varying columns; a
clustered variance; statsmodels the auxiliary regressions behind a variance inflation; scipy the
interval of a correlation. Published values of the estimators stand beside those.
"""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from lifelines import CoxPHFitter, CoxTimeVaryingFitter
from scipy.stats import pearsonr

from analysis.cohort.analysis_set import landmark_rows
from analysis.estimates import estimates_table
from analysis.models.choices import choices
from analysis.models.cox_alternatives import alternative_numbers, cox_alternatives
from analysis.models.cox_design import cox_design
from analysis.models.cox_diagnostics import THIRDS, inflation_factors
from analysis.models.cox_fit import fit_outcome
from analysis.models.cox_specifications import specifications
from analysis.models.filled_cohort import NOTHING_MISSING, FilledCohort
from analysis.models.knee_level import knee_numbers, knee_rows
from analysis.survival.cox import fit_cox
from analysis.survival.cox_sample import cox_sample
from shared.tables import empty_table, read_table
from tests.unit import cohort_tables as tables

OUTCOME = "graft_rupture"
PRECISE = {"precision": 1e-12, "r_precision": 1e-14}
KNEES = {"visit": "clearance", "minimum_valid_trials": 2}


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    folder = tmp_path_factory.mktemp("study")
    return folder, tables.typical_study(folder)


@pytest.fixture(scope="module")
def cohort(study):
    """The landmark cohort, with every fourth injury a contact injury."""
    rows = landmark_rows(read_table(study[1]["cohort"]))
    injured = rows["cause"].isin([1, 2]) & (rows.index % 4 == 0)
    return rows.assign(contact=rows["contact"].mask(injured, "yes"))


@pytest.fixture(scope="module")
def summaries(study):
    return read_table(study[1]["summaries"])


@pytest.fixture(scope="module")
def rows(cohort, summaries):
    found = alternative_numbers(whole(cohort), summaries, tables.plan(), **KNEES)
    return estimates_table(*found).set_index("number_id")


@pytest.fixture(scope="module")
def primary(cohort):
    plan = tables.plan()
    return fit_outcome(cohort, plan["primary"], plan, OUTCOME)


def whole(cohort: pd.DataFrame) -> FilledCohort:
    """Return a cohort in which nothing is to be filled in."""
    return FilledCohort(cohort, empty_table("filled_values"), NOTHING_MISSING)


def lifelines_coefficients(design, matrix, time, event, entry=None) -> np.ndarray:
    table = pd.DataFrame(matrix, columns=[f"x{place}" for place in range(matrix.shape[1])])
    table["time"], table["event"], table["stratum"] = time, event, design.strata
    if entry is not None:
        table["entry"] = entry
        table = table.loc[table["time"] > entry]
    fitter = CoxPHFitter()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fitter.fit(
            table, "time", "event", strata=["stratum"], fit_options=PRECISE,
            entry_col=None if entry is None else "entry",
        )  # fmt: skip
    return fitter.params_.to_numpy()


def found_coefficients(rows, choice: str) -> np.ndarray:
    names = [item["name"] for item in tables.plan()["primary"]]
    return np.log(
        [rows.loc[f"cox_specifications.{OUTCOME}.{choice}.{name}.hazard_ratio", "estimate"]
         for name in names]
    )  # fmt: skip


def test_leaving_out_the_first_days_is_late_entry(rows, primary):
    design, _ = primary
    expected = lifelines_coefficients(design, design.matrix, design.time, design.event, entry=30.0)
    assert found_coefficients(rows, "without_first_days") == pytest.approx(expected[:3], abs=1e-6)


def test_another_horizon_ends_observation_there(rows, primary):
    design, _ = primary
    event = design.event & (design.time <= 365)
    expected = lifelines_coefficients(design, design.matrix, design.time.clip(max=365), event)
    assert found_coefficients(rows, "horizon_365_days") == pytest.approx(expected[:3], abs=1e-6)
    name = f"cox_specifications.{OUTCOME}.horizon_365_days.flight_time_jump.hazard_ratio"
    assert rows.loc[name, "horizon_days"] == 365
    assert rows.loc[name, "n_events"] == event.sum()


def test_contact_injuries_censor(rows, primary):
    design, _ = primary
    event = design.event & (design.rows["contact"] != "yes").to_numpy()
    assert 0 < event.sum() < design.event.sum()
    expected = lifelines_coefficients(design, design.matrix, design.time, event)
    found = found_coefficients(rows, "without_contact_injuries")
    assert found == pytest.approx(expected[:3], abs=1e-6)


def test_time_may_be_counted_in_exposures(rows, primary):
    design, _ = primary
    exposures = design.rows["athlete_exposures"].to_numpy(dtype=float)
    expected = lifelines_coefficients(design, design.matrix, exposures, design.event)
    assert found_coefficients(rows, "athlete_exposures") == pytest.approx(expected[:3], abs=1e-6)


def test_a_negative_control_takes_the_place_of_the_outcome(cohort, summaries, rows, primary):
    refused = rows.loc[f"cox_specifications.{OUTCOME}.negative_control.all.not_run", "note"]
    assert refused == "the plan names no negative-control outcome"
    plan = tables.plan()
    plan["sensitivity"]["specifications"]["negative_control"] = "upper-limb injury"
    rng = np.random.default_rng(9)
    days = cohort["followup_days"] * rng.uniform(0.2, 1, len(cohort))
    changed = cohort.assign(negative_control_days=days.where(rng.random(len(cohort)) < 0.3))
    found = estimates_table(*alternative_numbers(whole(changed), summaries, plan, **KNEES))
    found = found.set_index("number_id")
    event = changed["negative_control_days"].notna().to_numpy()
    time = changed["negative_control_days"].fillna(changed["followup_days"]).to_numpy()
    design, _ = primary
    expected = lifelines_coefficients(design, design.matrix, time, event)
    assert found_coefficients(found, "negative_control") == pytest.approx(expected[:3], abs=1e-6)
    name = f"cox_specifications.{OUTCOME}.negative_control.flight_time_jump.hazard_ratio"
    assert found.loc[name, "n_events"] == event.sum()


def test_full_adjustment_adds_the_covariates_of_the_plan(cohort, summaries):
    plan = tables.plan()
    plan["sensitivity"]["specifications"]["least_events_per_coefficient"] = 1.0
    days = np.random.default_rng(3).normal(270, 40, len(cohort)).round()
    changed = cohort.assign(clearance_days=days)
    found = estimates_table(*alternative_numbers(whole(changed), summaries, plan, **KNEES))
    table = changed[["followup_days", "site"]].assign(event=changed["cause"] == 1)
    for item in plan["primary"]:
        values = changed[item["name"]]
        table[item["name"]] = (values - values.mean()) / values.std()
    table["age"], table["days"] = changed["age_at_surgery_years"], changed["clearance_days"]
    table["male"] = (changed["sex"] == "male").astype(float)
    table["tendon"] = (changed["graft"] != "hamstring").astype(float)
    table["earlier"] = (changed["prior_acl_injury"] == "yes").astype(float)
    fitter = CoxPHFitter()
    fitter.fit(table, "followup_days", "event", strata=["site"], fit_options=PRECISE)
    expected = fitter.params_[[item["name"] for item in plan["primary"]]].tolist()
    found = found_coefficients(found.set_index("number_id"), "full_adjustment")
    assert found == pytest.approx(expected, abs=1e-6)
    assert "time from surgery to clearance" in choices_note(plan, changed)


def choices_note(plan, cohort) -> str:
    notes = {item.name: item.note for item in specifications(cohort, plan)}
    return notes["full_adjustment"]


def test_hazard_ratios_of_two_periods_are_those_of_split_rows(rows, primary):
    design, estimate = primary
    cut = 182.0
    position = design.names.index("peak_waist_acceleration_involved")
    table = pd.DataFrame(design.matrix, columns=[f"x{place}" for place in range(5)])
    table = table.assign(id=np.arange(len(table)), site=design.strata, start=0.0)
    table = table.assign(stop=design.time, event=design.event)
    early = table.assign(stop=table["stop"].clip(upper=cut))
    early["event"] &= design.time <= cut
    late = table.loc[table["stop"] > cut].assign(start=cut)
    split = pd.concat([early.assign(late=0.0), late.assign(late=1.0)])
    own = split.pop(f"x{position}")
    split["first"], split["second"] = own * (1 - split["late"]), own * split.pop("late")
    fitter = CoxTimeVaryingFitter()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fitter.fit(
            split, event_col="event", start_col="start", stop_col="stop", id_col="id",
            strata=["site"], fit_options=PRECISE,
        )  # fmt: skip
    begin = f"cox_specifications.{OUTCOME}"
    end = "peak_waist_acceleration_involved"
    for period, column in ((1, "first"), (2, "second")):
        row = rows.loc[f"{begin}.period_{period}.{end}.hazard_ratio"]
        assert np.log(row["estimate"]) == pytest.approx(fitter.params_[column], abs=1e-5)
        assert row["se"] == pytest.approx(fitter.standard_errors_[column], rel=1e-5)
    events = [rows.loc[f"{begin}.period_{n}.{end}.hazard_ratio", "n_events"] for n in (1, 2)]
    assert sum(events) == design.n_events
    gain = 2 * (fitter.log_likelihood_ - estimate.fit.log_likelihood)
    test = rows.loc[f"{begin}.periods.{end}.equal_hazard_ratios_test", "statistic"]
    assert test == pytest.approx(gain, abs=1e-6)


def test_a_step_of_another_choice_is_that_of_the_primary_model(cohort, summaries, primary):
    """Half of the athletes, a smaller SD: the unit stays, so the coefficient is only rescaled."""
    plan = tables.plan()
    plan["sensitivity"]["specifications"]["without_first_days"] = 200.0
    plan["sensitivity"]["specifications"]["least_events_per_coefficient"] = 0.5
    found = estimates_table(*alternative_numbers(whole(cohort), summaries, plan, **KNEES))
    late = cohort.loc[cohort["followup_days"] > 200].reset_index(drop=True)
    own_design, own = fit_outcome(late, plan["primary"], plan, OUTCOME)
    scales = [a.scale / b.scale for a, b in zip(primary[0].terms, own_design.terms, strict=True)]
    assert scales[0] != pytest.approx(1.0, abs=1e-3)
    expected = own.fit.coefficients[:3] * scales[:3]
    found = found_coefficients(found.set_index("number_id"), "without_first_days")
    assert found == pytest.approx(expected, rel=1e-9)


def test_variance_inflation_is_that_of_auxiliary_regressions(rows, primary):
    design, _ = primary
    strata = pd.get_dummies(pd.Series(design.strata)).to_numpy(dtype=float)
    for place, inflation in enumerate(inflation_factors(design)):
        own, others = design.matrix[:, place], np.delete(design.matrix, place, axis=1)
        alone = sm.OLS(own, strata).fit().ssr
        beside = sm.OLS(own, np.column_stack([strata, others])).fit().ssr
        assert inflation == pytest.approx(alone / beside, rel=1e-9)
    name = f"cox_diagnostics.{OUTCOME}.flight_time_jump.variance_inflation_factor"
    assert rows.loc[name, "estimate"] == pytest.approx(inflation_factors(design)[2])


def test_correlations_have_the_interval_of_fisher(rows, cohort):
    pair = ("knee_flexion_excursion_involved", "flight_time_jump")
    known = cohort[list(pair)].dropna()
    expected = pearsonr(known[pair[0]], known[pair[1]])
    row = rows.loc[f"collinearity.{pair[0]}.{pair[1]}.correlation"]
    interval = expected.confidence_interval(0.95)
    assert row["estimate"] == pytest.approx(expected.statistic, rel=1e-12)
    assert [row["ci_low"], row["ci_high"]] == pytest.approx(list(interval), rel=1e-9)


def test_residuals_of_groups_add_up_to_nothing_and_agree_with_the_library(rows, primary):
    design, _ = primary
    table = pd.DataFrame(design.matrix).add_prefix("x")
    table = table.assign(time=design.time, event=design.event, stratum=design.strata)
    fitter = CoxPHFitter().fit(table, "time", "event", strata=["stratum"], fit_options=PRECISE)
    martingale = fitter.compute_residuals(table, "martingale")["martingale"]
    values = design.matrix[:, 0]
    third = pd.Series(np.searchsorted(np.quantile(values, [1 / 3, 2 / 3]), values))
    expected = martingale.sort_index().groupby(third).sum()
    name = f"cox_diagnostics.{OUTCOME}.{design.names[0]}"
    found = [rows.loc[f"{name}.{t}.observed_minus_expected_events", "estimate"] for t in THIRDS]
    assert found == pytest.approx(expected.tolist(), abs=1e-5)
    assert sum(found) == pytest.approx(0.0, abs=1e-9)


def test_the_largest_influence_is_near_what_leaving_the_athlete_out_does(rows, primary):
    """dfbeta is a first-order step; the athlete of the largest one is refitted without."""
    design, estimate = primary
    name = f"cox_diagnostics.{OUTCOME}.{design.names[0]}.largest_influence"
    changes = []
    for left_out in np.flatnonzero(design.event):
        kept = np.arange(len(design.time)) != left_out
        sample = cox_sample(
            design.matrix[kept], design.time[kept], design.event[kept], strata=design.strata[kept]
        )
        change = fit_cox(sample).coefficients[0] - estimate.fit.coefficients[0]
        changes.append(abs(change) / estimate.fit.standard_errors[0])
    assert rows.loc[name, "estimate"] == pytest.approx(max(changes), rel=0.35)


def test_knees_have_their_own_metric_and_injury(cohort, summaries):
    plan = tables.plan()
    both = cohort.assign(injured_side=cohort["injured_side"].mask(cohort.index == 3, "both"))
    knees = knee_rows(both, summaries, plan, **KNEES)
    assert len(knees) == 2 * (len(cohort) - 1)
    predictor = plan["primary"][0]
    of_limb = summaries.loc[
        (summaries["metric"] == predictor["metric"])
        & (summaries["sensor"] == predictor["sensor"])
        & (summaries["visit"] == "clearance")
    ].set_index(["athlete_id", "limb"])["mean"]
    for row in knees.loc[knees[predictor["name"]].notna()].to_dict("records"):
        assert row[predictor["name"]] == of_limb[row["athlete_id"], row["knee"]]
        assert row["cause"] in {0, 1 if row["knee"] == "involved" else 2}
    assert (knees["cause"] > 0).sum() == both.query("injured_side != 'both'")["cause"].isin(
        [1, 2]
    ).sum()


def test_the_variance_of_knees_is_clustered_by_athlete(cohort, summaries):
    plan = tables.plan()
    # No two ends at one time: lifelines' clustered variance is exact only then (it was 6e-5 off
    # where an athlete is censored at the time of another's event).
    apart = cohort.assign(followup_days=cohort["followup_days"] + cohort.index / 1000)
    knees = knee_rows(apart, summaries, plan, **KNEES)
    rows = estimates_table(*knee_numbers(knees, plan)).set_index("number_id")
    strata = {**plan, "cox": {**plan["cox"], "strata": ["site", "knee"]}}
    design = cox_design(knees, plan["primary"], strata, ["graft_rupture", "contralateral_tear"])
    table = pd.DataFrame(design.matrix).add_prefix("x").assign(t=design.time, d=design.event)
    table = table.assign(stratum=design.strata, athlete=design.rows["athlete_id"].to_numpy())
    fitter = CoxPHFitter().fit(
        table, "t", "d", strata=["stratum"], cluster_col="athlete", fit_options=PRECISE
    )
    for place, name in enumerate(design.names[:3]):
        row = rows.loc[f"knee_level.injury_of_this_knee.{name}.hazard_ratio"]
        assert np.log(row["estimate"]) == pytest.approx(fitter.params_.iloc[place], abs=1e-6)
        assert row["se"] == pytest.approx(fitter.standard_errors_.iloc[place], rel=1e-5)


def test_three_sites_are_too_few_for_a_frailty_and_athletes_are_not(rows):
    refused = rows.loc[f"cox_site_frailty.{OUTCOME}.all.not_run", "note"]
    assert refused.startswith("3 groups say next to nothing")
    theta = rows.loc["knee_level_frailty.injury_of_this_knee.all.frailty_variance"]
    assert theta["estimate"] >= 0
    assert "none has two events" in theta["note"]
    assert theta["ci_type"] == "profile likelihood"
    assert 0 <= theta["ci_low"] <= theta["estimate"]
    # An open limit stays empty.
    assert np.isnan(theta["ci_high"]) or theta["estimate"] < theta["ci_high"]


def test_without_other_ends_absolute_risk_has_the_cox_coefficients(cohort, summaries):
    """Fine & Gray 1999: without competing events the model is Cox's, here without strata."""
    plan = tables.plan()
    alone = cohort.assign(cause=cohort["cause"].where(cohort["cause"] == 1, 0))
    plan["primary_outcomes"] = [OUTCOME]
    found = estimates_table(*alternative_numbers(whole(alone), summaries, plan, **KNEES))
    found = found.set_index("number_id")["estimate"]
    design, _ = fit_outcome(alone, plan["primary"], plan, OUTCOME)
    table = pd.DataFrame(design.matrix).add_prefix("x").assign(t=design.time, d=design.event)
    expected = CoxPHFitter().fit(table, "t", "d", fit_options=PRECISE).params_.to_numpy()
    for name, coefficient in zip(design.names[:3], expected, strict=False):
        ratio = found[f"fine_gray.{OUTCOME}.{name}.subdistribution_hazard_ratio"]
        assert np.log(ratio) == pytest.approx(coefficient, abs=1e-6)
        low, high = (
            found[f"fine_gray.{OUTCOME}.{name}.one_sd_{side}.cumulative_incidence"]
            for side in ("below", "above")
        )
        # By the model log(1 - F) is proportional to the ratio: two SD are its square.
        assert np.log1p(-high) / np.log1p(-low) == pytest.approx(ratio**2, rel=1e-9)


def test_every_choice_of_the_plan_has_its_rows_or_a_reason(rows):
    plan = tables.plan()
    for choice in choices(plan):
        if choice.analysis != "cox_specifications":
            continue
        begin = f"cox_specifications.{OUTCOME}.{choice.name}."
        periods = f"cox_specifications.{OUTCOME}.periods."
        assert rows.index.str.startswith(begin).any() or rows.index.str.startswith(periods).any()
    ratios = rows.loc[rows["quantity"] == "hazard_ratio"]
    for column in ("estimation", "model", "ci_type", "unit", "censoring", "note"):
        assert (ratios[column] != "").all(), column
    assert ratios[["n_events", "n_athletes", "horizon_days", "rows_dropped"]].notna().all(axis=None)


def test_too_few_events_are_refused_in_words(cohort, summaries):
    plan = tables.plan()
    plan["sensitivity"]["specifications"]["least_events_per_coefficient"] = 50.0
    found = estimates_table(*alternative_numbers(whole(cohort), summaries, plan, **KNEES))
    assert not found["quantity"].isin(["hazard_ratio", "subdistribution_hazard_ratio"]).any()
    notes = found.loc[found["analysis"] == "cox_specifications", "note"]
    assert notes.str.contains("planned for at least 50 events per coefficient").sum() >= 10


def test_outcomes_are_not_touched_before_the_plan_is_frozen(study):
    folder, paths = study
    cox_alternatives(
        cohort=paths["cohort"], summaries=paths["summaries"], filled=paths["filled"],
        imputation=paths["imputation"], plan=tables.plan(),
        estimates=folder / "not.parquet", study=tables.study(), freeze=tables.NOT_FROZEN,
        minimum_valid_trials=2,
    )  # fmt: skip
    rows = read_table(folder / "not.parquet")
    assert set(rows["quantity"]) == {"not_run"}
    assert rows["note"].str.contains("not frozen").all()
