"""A small invented study as tables, for the tests of figures, tables and report.

Values are drawn at random with a fixed seed: the tests look at how numbers are shown, not at what
they are.
"""

from __future__ import annotations

from functools import cache
from itertools import product

import numpy as np
import pandas as pd

from analysis.audit.comparison import ANALYSIS as REDERIVED
from analysis.audit.comparison import compare
from analysis.audit.r_bundle import ANALYSIS as BY_R
from analysis.cohort.analysis_set import landmark_rows
from analysis.estimates import Estimates, estimates_table
from analysis.models.agreement import pair_numbers
from analysis.models.agreement_of_repeats import TRIALS, VISITS, add_agreement
from analysis.models.asymmetry import metric_numbers
from analysis.models.clock_quality import clock_quality
from analysis.models.contact_lag import lag_numbers, lag_rows
from analysis.models.cox_alternatives import alternative_numbers
from analysis.models.cumulative_incidence import incidence_numbers
from analysis.models.filled_cohort import FILLED_IN, GAPS, NOTHING_MISSING, FilledCohort
from analysis.models.flow import count_ends, count_flow, count_predictors
from analysis.models.group_comparison import (
    event_free_numbers,
    group_test_numbers,
    ratio_numbers,
)
from analysis.models.incidence_rates import rate_numbers
from analysis.models.landing_quality import (
    identity_quality,
    saturation_quality,
    valid_trials,
)
from analysis.models.limb_checks import ANALYSIS as LIMB_CHECKS
from analysis.models.limb_checks import BY_LIMB, BY_VISIT
from analysis.models.metric_reliability import ANALYSIS as RELIABILITY
from analysis.models.prediction import ANALYSES as PREDICTION
from analysis.models.prediction import prediction_numbers
from analysis.models.quality import (
    exclusion_counts,
    landing_shares,
    nuisances_found,
    recording_shares,
    value_shares,
)
from analysis.models.reliability_rows import LOG_SCALE, Deviations, Presented, add_reliability
from analysis.models.residual_cutoffs import cutoff_numbers
from analysis.models.sensor_pairs import sensor_pairs
from analysis.models.sensor_quality import (
    bench_quality,
    calibration_quality,
    metric_quality,
)
from analysis.models.shifted_cox import SHIFTED, shift_word
from analysis.models.table_one import compare_groups, describe_groups, event_groups
from analysis.models.time_base_quality import time_base_quality
from analysis.models.variables import cohort_variables
from shared.metric_dictionary import metrics
from shared.settings.load import load_settings
from shared.sources import ROOT
from shared.tables import empty_table
from tests.unit import force_study

SETTINGS = load_settings(ROOT / "config")
STUDY = SETTINGS.study.model_dump(mode="json")
PROCESSING = SETTINGS.processing.model_dump(mode="json")
PLAN = SETTINGS.plan.model_dump(mode="json")
FROZEN = {
    "status": "frozen",
    "hash": "0f" * 32,
    "date": "2026-03-02",
    "deviations": [],
    "differences": [],
}
NOT_FROZEN = {**FROZEN, "status": "not_frozen", "date": ""}
ATHLETES = 150
DIVIDED_BY = {
    "rate_per_100_person_years": "followup_days",
    "rate_per_1000_athlete_exposures": "athlete_exposures",
}
SITES = list(STUDY["sites"])
_TYPICAL = {"deg": 45.0, "g": 5.0, "s": 0.5, "BW": 3.9, "deg/s": 480.0}


def cohort(count: int = ATHLETES, seed: int = 5) -> pd.DataFrame:
    """Return a cohort with two excluded athletes, one of them with both knees reconstructed."""
    random = np.random.default_rng(seed)
    event = random.choice(
        ["graft_rupture", "contralateral_tear", "other_knee_injury", "end_of_sport", "horizon"],
        size=count,
        p=[0.10, 0.10, 0.05, 0.15, 0.60],
    )
    cause = pd.Series(event).map(
        {
            "graft_rupture": 1,
            "contralateral_tear": 2,
            "other_knee_injury": 3,
            "end_of_sport": 3,
            "horizon": 0,
        }
    )
    days = np.where(cause > 0, random.uniform(20, 720, count).round(), 730.0)
    table = pd.DataFrame(
        {
            "athlete_id": [f"A{number:04d}" for number in range(1, count + 1)],
            "site": random.choice(SITES, count),
            "sex": random.choice(["female", "male"], count),
            "age_at_surgery_years": random.normal(19, 3, count),
            "graft": random.choice(["hamstring", "patellar_tendon"], count),
            "injured_side": random.choice(["left", "right"], count),
            "sport_level": random.choice(["1", "2", "3"], count),
            "prior_acl_injury": random.choice(["yes", "no"], count),
            "mass_kg": random.normal(68, 9, count),
            "height_m": random.normal(1.72, 0.08, count),
            "clearance_days": random.normal(270, 40, count),
            "followup_days": days,
            "event": event,
            "event_days": np.where(cause > 0, days, np.nan),
            "cause": cause,
            "contact": np.where(cause.isin([1, 2]) & (days % 4 == 0), "yes", ""),
            "included": True,
            "excluded_because": "",
            "athlete_exposures": random.uniform(20, 300, count),
        }
    )
    for predictor in [*PLAN["primary"], *PLAN["exploratory"]]:
        typical = _TYPICAL[metrics()[predictor["metric"]].unit]
        table[predictor["name"]] = random.normal(typical, 0.2 * typical, count)
        table[f"{predictor['name']}_trials"] = 3
    table.loc[0, ["included", "excluded_because"]] = [False, "event before clearance"]
    table.loc[1, ["included", "excluded_because"]] = [False, "no clearance visit"]
    table.loc[2, "injured_side"] = "both"
    return table


def summaries(people: pd.DataFrame) -> pd.DataFrame:
    """Return summaries at clearance of the metrics of the plan; no plate at the last site."""
    random = np.random.default_rng(7)
    rows = []
    for predictor in [*PLAN["primary"], *PLAN["exploratory"]]:
        unit = metrics()[predictor["metric"]].unit
        limbs = ["both"] if predictor["limb"] == "both" else ["involved", "uninvolved"]
        for limb in limbs:
            for person in people.itertuples():
                if predictor["sensor"] == "plate" and person.site == SITES[-1]:
                    continue
                value = random.normal(_TYPICAL[unit], 0.15 * _TYPICAL[unit])
                rows.append(
                    {
                        "athlete_id": person.athlete_id,
                        "site": person.site,
                        "visit": "clearance",
                        "task": predictor["task"],
                        "limb": limb,
                        "side": "both" if limb == "both" else "left",
                        "landing": predictor["landing"],
                        "metric": predictor["metric"],
                        "sensor": predictor["sensor"],
                        "unit": unit,
                        "mean": value,
                        "sd": 0.1 * value,
                        "cv": 0.1,
                        "median": value,
                        "minimum": value,
                        "maximum": value,
                        "n_valid": 3,
                        "n_total": 3,
                    }
                )
    return pd.DataFrame(rows)


def _recordings(people: pd.DataFrame) -> pd.DataFrame:
    device = {site: STUDY["sites"][site]["devices"][0] for site in SITES}
    table = people[["athlete_id", "site"]].copy()
    table["device"] = table["site"].map(device)
    table["task"] = "single_leg_drop_landing"
    table["recording_id"] = table["athlete_id"] + ".clearance.x.left.1." + table["device"]
    table["usable"] = table.index != 3
    table["flags"] = ""
    table.loc[3, "flags"] = "duplicate_recording"
    table.loc[table["site"] == SITES[-1], "flags"] = "mirrored_sensor"
    return table


def _values(recordings: pd.DataFrame) -> pd.DataFrame:
    table = recordings.copy()
    table["sensor"] = "waist"
    table["valid"] = table["usable"]
    table.loc[10, "flags"] = "clipped"
    return table


def _exclusions(recordings: pd.DataFrame) -> pd.DataFrame:
    rows = recordings.loc[~recordings["usable"]]
    return pd.DataFrame(
        {
            "level": "recording",
            "id": rows["recording_id"],
            "site": rows["site"],
            "step": "extraction",
            "reason": "duplicate_recording",
            "detail": "the same bytes as another recording",
        }
    )


def _named(predictor: dict) -> dict:
    return {key: predictor[key] for key in ("metric", "sensor", "task", "limb")}


def _interval(random: np.random.Generator) -> dict:
    log = random.normal(0.1, 0.3)
    return {
        "estimate": float(np.exp(log)),
        "se": 0.25,
        "ci_low": float(np.exp(log - 0.5)),
        "ci_high": float(np.exp(log + 0.5)),
    }


def hazards(people: pd.DataFrame) -> list[Estimates]:
    """Return invented hazard ratios, naive and corrected, at the addresses of the models."""
    random = np.random.default_rng(11)
    shared = {"ci_level": 0.95, "n_athletes": len(people), "n_events": 15}
    gaps = {"missing_data": FILLED_IN, "data_sets": 20, "missing_information": 0.12}
    naive = Estimates("cox_primary", family="primary", **shared, **gaps)
    corrected = Estimates("cox_calibrated_trial_error", family="secondary", **shared)
    penalised = Estimates("cox_firth", family="secondary", **shared)
    library = Estimates("cox_second_opinion", family="descriptive", **shared)
    for outcome in PLAN["primary_outcomes"]:
        for predictor in PLAN["primary"]:
            name, fields = predictor["name"], {"outcome": outcome, **_named(predictor)}
            small = outcome == "graft_rupture"
            tests = {"p": 0.0004, "p_adjusted": 0.0024} if small else {"p": 0.34, "p_adjusted": 1.0}
            naive.add(outcome, name, "hazard_ratio", **_interval(random), **tests, **fields)
            naive.add(outcome, name, "standard_deviation", 9.1, **fields)
            naive.add(outcome, name, "proportional_hazards_test", 1.2, p=0.27, **fields)
            corrected.add(outcome, name, "hazard_ratio", **_interval(random), **fields)
            penalised.add(outcome, name, "hazard_ratio", **_interval(random), **fields)
            library.add(outcome, name, "difference_in_standard_errors", -2.14e-8, **fields)
            library.add(outcome, name, "relative_difference_of_standard_error", 0.0, **fields)
        naive.add(outcome, "all", "events_per_parameter", 3.0, outcome=outcome)
        naive.add(outcome, "per_sd", "minimal_detectable_hazard_ratio", 2.06, outcome=outcome)
    exploratory = Estimates("cox_exploratory", family="exploratory", **shared)
    for predictor in PLAN["exploratory"]:
        fields = {"outcome": "graft_rupture", **_named(predictor)}
        # A coefficient without finite estimate is a row all the same.
        exploratory.add("graft_rupture", predictor["name"], "hazard_ratio", None, **fields)
    return [naive, corrected, penalised, library, exploratory]


def other_choices(people: pd.DataFrame) -> list[Estimates]:
    """Return invented sensitivity analyses; the last outcome has too many events for refits."""
    random = np.random.default_rng(13)
    names = (
        "cox_nonlinearity", "cox_simex_trial_error", "cox_e_value", "cox_leave_one_event_out",
    )  # fmt: skip
    parts = {name: Estimates(name, family="secondary", n_athletes=len(people)) for name in names}
    for outcome in PLAN["primary_outcomes"]:
        for predictor in PLAN["primary"]:
            name, fields = predictor["name"], {"outcome": outcome, **_named(predictor)}
            curved = {"p": 0.41, **fields}
            parts["cox_nonlinearity"].add(outcome, name, "nonlinearity_test", 0.68, **curved)
            simex = {**_interval(random), **fields}
            parts["cox_simex_trial_error"].add(outcome, name, "hazard_ratio", **simex)
            parts["cox_e_value"].add(outcome, name, "e_value", 2.13, **fields)
            parts["cox_e_value"].add(outcome, name, "e_value_of_limit", 1.0, **fields)
            if outcome == PLAN["primary_outcomes"][-1]:
                continue
            single = parts["cox_leave_one_event_out"]
            for quantity, value in (
                ("smallest_hazard_ratio", 0.91), ("largest_hazard_ratio", 1.24),
                ("smallest_p", 0.0003), ("largest_p", 0.62), ("sign_changes", 2), ("refits", 15),
            ):  # fmt: skip
                single.add(outcome, name, quantity, value, **fields)
    return list(parts.values())


@cache
def alternatives(count: int) -> list[Estimates]:
    """Return diagnostics and other models of the invented cohort, by their own models."""
    people = cohort(count)
    return alternative_numbers(
        FilledCohort(landmark_rows(people), empty_table("filled_values"), NOTHING_MISSING),
        summaries(people),
        PLAN,
        visit="clearance",
        minimum_valid_trials=2,
    )


def imputed() -> list[Estimates]:
    """Return counts of gaps, hazard ratios of complete cases and shifted, at their addresses."""
    random = np.random.default_rng(13)
    gaps = Estimates(GAPS)
    gaps.add("all", "incomplete", "share", 0.083)
    gaps.add("all", "data_sets", "count", 20.0)
    beside = Estimates("cox_complete_cases", family="secondary", ci_level=0.95)
    moved = Estimates(SHIFTED, family="secondary", ci_level=0.95)
    for predictor in PLAN["primary"]:
        name, fields = predictor["name"], _named(predictor)
        gaps.add(name, "missing", "count", 7.0)
        gaps.add(name, "clipped", "count", 2.0)
        gaps.add(name, "all", "potential_scale_reduction", 1.03)
        for outcome in PLAN["primary_outcomes"]:
            beside.add(outcome, name, "hazard_ratio", **_interval(random), **fields)
            for shift in PLAN["imputation"]["shifts_sd"]:
                term = (name, shift_word(shift))
                moved.add(outcome, term, "hazard_ratio", **_interval(random), **fields)
    return [gaps, beside, moved]


def limb_differences() -> Estimates:
    """Return a ratio, a ratio of a second landing and a difference."""
    numbers = Estimates("limb_difference", family="secondary", n_athletes=80, n_trials=670)
    jump = ("peak_vgrf", "plate", "drop_vertical_jump")
    fields = {"metric": "peak_vgrf", "sensor": "plate", "task": "drop_vertical_jump", "df": 73.2}
    ratio = {"ci_low": 0.89, "ci_high": 0.93, "p": 0.0001, "unit": "ratio"}
    numbers.add(jump, "involved", "ratio", 0.91, **ratio, **fields)
    numbers.add((*jump, "landing_2"), "involved", "ratio", 0.92, **ratio, **fields)
    numbers.add(
        ("knee_flexion_excursion", "gyro", "single_leg_drop_landing"), "involved",
        "mean_difference", -6.2, ci_low=-6.8, ci_high=-5.5, p=0.0001, df=231.7, unit="deg",
        metric="knee_flexion_excursion", sensor="gyro", task="single_leg_drop_landing",
    )  # fmt: skip
    return numbers


def limb_model_checks() -> Estimates:
    """Return the checks of a predictor's model, and of a jump some of which were not run."""
    numbers = Estimates(LIMB_CHECKS, estimation="REML", converged=True, singular=False)
    knee = ("knee_flexion_excursion", "gyro", "single_leg_drop_landing")
    interval = {"ci_low": -6.8, "ci_high": -5.5, "ci_level": 0.95, "unit": "deg"}
    for term, p in ((BY_VISIT, 0.52), (BY_LIMB, 0.0004)):
        numbers.add(knee, term, "likelihood_ratio_test", 0.42, p=p, estimation="ML")
    for term in (BY_LIMB, "kenward_roger", "bootstrap"):
        numbers.add(knee, ("involved", term), "mean_difference", -6.2, **interval)
    numbers.add(knee, "influence", "largest_change", 0.21)
    numbers.add(knee, "residuals", "share_beyond_three_sd", 0.0026)
    numbers.add(knee, "residuals", "spread_against_fitted", 0.01)
    numbers.add(knee, ("predicted", "involved"), "mean_reliability", 0.5)
    zero = {"ci_low": 0.0, "ci_high": 4.1, "ci_level": 0.95, "unit": "deg"}
    for kind in ("profile", "bootstrap"):
        numbers.add(knee, (kind, "athlete", "involved"), "standard_deviation", 3.4, **zero)
    numbers.add(knee, ("profile", "residual", "all"), "standard_deviation", 4.8, **zero)
    jump = ("peak_vgrf", "plate", "drop_vertical_jump")
    numbers.add(jump, "influence", "largest_change", 0.5, singular=True)
    return numbers


def paired_metrics(athletes: int = 20) -> pd.DataFrame:
    """Return valid values of two sensors on the same landings, and lags of contact in ms."""
    random = np.random.default_rng(17)
    rows = []
    tasks = ("single_leg_drop_landing", "drop_vertical_jump")
    limbs = (("left", "involved"), ("right", "uninvolved"))
    for place, task, (side, limb), trial in product(range(athletes), tasks, limbs, (1, 2)):
        name = f"A{place:04d}.clearance.{task}.{side}.{trial}.{side}.1"
        site, shift = SITES[place % 2], -6.0 if limb == "involved" else -2.0
        known = (name, f"A{place:04d}", site, "clearance", task, limb, side, trial, 1)
        rows.append((*known, "contact_lag_of_waist", "waist", random.normal(7, 1.5), "ms"))
        for metric, typical in (("knee_flexion_excursion", 50.0), ("peak_knee_flexion", 70.0)):
            angle = random.normal(typical, 8)
            worn = angle + shift + random.normal(0, 1)
            rows.append((*known, metric, "camera", angle, "deg"))
            rows.append((*known, metric, "gyro", worn, "deg"))
    names = ["landing_id", "athlete_id", "site", "visit", "task", "limb", "side", "trial"]
    columns = [*names, "landing", "metric", "sensor", "value", "unit"]
    return pd.DataFrame(rows, columns=columns).assign(valid=True, censoring="none")


def r_opinion() -> Estimates:
    """Return Cox and mixed models as R finds them; one differs too much, one was not fitted."""
    numbers = Estimates(BY_R)
    first, second = PLAN["primary_outcomes"][:2]
    limb = ("limb_difference", "peak_vgrf", "plate", "drop_vertical_jump", "landing_2")
    for subject, package, fits, printed, within in (
        (("cox_primary", first), "survival", 20, 7.5e-9, 1.0),
        (limb, "lme4", 1, 0.3, 0.0),
    ):
        found = {
            "largest_difference_in_standard_errors": 2.4e-9,
            "largest_relative_difference_of_standard_error": -3.1e-9,
            "relative_difference_of_log_likelihood": 1.2e-15,
            "largest_difference_of_printed": printed,
            "fits": fits,
        }
        for name, value in found.items():
            numbers.add(subject, "all", name, value)
            numbers.add(("all", package), "all", name, abs(value))
        numbers.add(subject, "all", "passed", within)
        for name, value in (
            ("models", 1),
            ("coefficient_limit", 1e-6),
            ("log_likelihood_limit", 1e-8),
        ):
            numbers.add(("all", package), "all", name, value)
    numbers.not_run(("cox_primary", second), "R gave no estimates of this model")
    numbers.add("adjusted_p_values", "all", "largest_difference_of_printed", 1e-12)
    numbers.add("adjusted_p_values", "all", "passed", 1.0)
    return numbers


def rederived() -> Estimates:
    """Return landings measured twice: one metric agrees, one has a value far off."""
    numbers = Estimates(REDERIVED)
    for quantity, value in (
        ("landings", 52.0), ("share_of_landings", 0.055), ("trials_not_read", 1.0),
        ("raw_files", 84.0), ("raw_files_changed", 0.0),
    ):  # fmt: skip
        numbers.add("all", "all", quantity, value)
    values = pd.DataFrame({"athlete_id": [f"A{i:04d}" for i in range(20)], "value": 3.0})
    values["second"] = values["value"] * 1.001
    limits = PLAN["audit"]["rederivation"]
    compare(numbers, "peak_vgrf", "plate", values, limits)
    values.loc[3, "second"] = 3.3
    compare(numbers, "impulse_first_100_ms", "plate", values, limits)
    return numbers


@cache
def agreement() -> list[Estimates]:
    """Return agreement of a pair of sensors, lag of contact and asymmetry, by their own models."""
    values = paired_metrics()
    gyro = values.loc[
        (values["sensor"] == "gyro")
        & (values["metric"] == "knee_flexion_excursion")
        & (values["task"] == "single_leg_drop_landing")
    ]
    keys = ["metric", "sensor", "task", "landing", "unit", "athlete_id", "visit"]
    means = gyro.pivot_table(index=keys, columns="limb", values="value")
    levels = ("knee_flexion_excursion", "gyro", "single_leg_drop_landing", "1")
    return [
        *(pair_numbers(pair, 0.95) for pair in sensor_pairs(values)),
        lag_numbers(lag_rows(values), 0.95),
        metric_numbers(levels, means.reset_index(), STUDY["visits"], 0.95),
    ]


def sensors() -> Estimates:
    """Return the direct answer for one predictor."""
    random = np.random.default_rng(3)
    numbers = Estimates("sensor_answer", family="secondary")
    numbers.add("all", "all", "reference_hazard_ratio", 1.5)
    numbers.add("all", "all", "athletes_with_all_sensors", 101)
    name = PLAN["primary"][0]["name"]
    numbers.add("graft_rupture", name, "hazard_ratio", **_interval(random))
    for error, value in (("trial_error", 0.91), ("visit_error", 0.69)):
        term = (name, error)
        numbers.add("graft_rupture", term, "hazard_ratio", **_interval(random))
        numbers.add("graft_rupture", term, "reliability", value)
        numbers.add("graft_rupture", term, "attenuated_reference_hazard_ratio", 1.5**value)
        numbers.add("graft_rupture", term, "events_needed_reference", 47.74 / value)
    return numbers


def measurement_error() -> Estimates:
    """Return variance components of one metric, without a second visit of anybody."""
    numbers = Estimates("measurement_error")
    name = PLAN["primary"][0]["name"]
    numbers.add(name, "athlete", "standard_deviation", 8.39)
    numbers.add(name, "trial", "standard_deviation", 4.93)
    numbers.add(name, "trial_error", "reliability", 0.91)
    return numbers


def _landing_quality(values: pd.DataFrame, people: pd.DataFrame) -> list[Estimates]:
    """Return identities, saturation and valid trials of the quality page."""
    task = values["task"].iloc[0]
    mismatch = values.assign(
        metric="impact_speed_mismatch", value=0.05, landing=2, sensor="plate", flags=""
    )
    saturated = values.iloc[[10]].assign(
        clipped_samples=3, clipped_s=0.0065, clipped_channels="waist_acceleration.y"
    )
    return [
        identity_quality(mismatch.assign(task=task)),
        saturation_quality(saturated, values),
        valid_trials(summaries(people), PLAN, "clearance", 2),
    ]


def _sensor_quality(values: pd.DataFrame) -> list[Estimates]:
    """Return the numbers of the quality page: a metric, two calibrations, units, clocks."""
    measured = values.assign(metric="peak_waist_acceleration", value=5.0, censoring="none")
    sessions = pd.DataFrame(
        {
            "site": SITES[0],
            "device": STUDY["sites"][SITES[0]]["devices"][0],
            "location": ["thigh.left", "thigh.left"],
            "kind": ["standing", "standing_end"],
            "spread": 0.002,
            "change": [np.nan, 0.01],
            "explained_share": np.nan,
            "bench": "none",
            "accepted": True,
        }
    )
    bench = pd.DataFrame(
        {
            "unit_code": ["unit-1", "unit-2"],
            "device": "unit",
            "location": "waist",
            "kind": "six_orientations",
            "quantity": "residual",
            "value": [1.5, 2.5],
            "unit": "mg",
            "accepted": [True, False],
        }
    )
    where = {"site": SITES[0], "device": STUDY["sites"][SITES[0]]["devices"][0]}
    files = pd.DataFrame(
        {**where, "rate_hz": 200.0, "samples": [1201, 1199], "duration_s": 6.0, "jitter_s": 0.01}
    )
    clocks = pd.DataFrame(
        {
            **where,
            "applied": [True, False],
            "lag_s": [0.2, np.nan],
            "correlation": [0.9, np.nan],
            "residual_lag_s": [0.0002, np.nan],
            "place": ["start", ""],
            "reason": ["", "no stomp: the largest shock is 0.1 g"],
        }
    )
    return [
        metric_quality(measured, [], ["clipped"]),
        calibration_quality(sessions),
        bench_quality(bench),
        time_base_quality(files),
        clock_quality(clocks),
    ]


def residuals() -> pd.DataFrame:
    """Return residual curves of a signal that tells its noise and of one that does not."""
    cutoffs = np.array([2.0, 5.0, 10.0, 20.0, 30.0])
    curve = 1.5 + 300.0 / cutoffs**2
    rows = pd.DataFrame(
        {
            "cutoff_hz": cutoffs,
            "recordings": 8,
            "residual_mean": curve,
            "residual_lower_quartile": 0.9 * curve,
            "residual_upper_quartile": 1.1 * curve,
            "in_tail": cutoffs >= 18.0,
            "tail_intercept": 1.7,
            "tail_slope": -0.01,
            "tail_misfit": 0.001,
            "tail_fall": 1.04,
            "device": "unit_2",
            "task": "drop_vertical_jump",
        }
    )
    told = rows.assign(
        signal="vertical_force", unit="N", suggested_cutoff_hz=27.3, configured_cutoff_hz=100.0,
        reason="", detail="",
    )  # fmt: skip
    refused = rows.assign(
        signal="segment_rate", unit="deg/s", suggested_cutoff_hz=np.nan,
        configured_cutoff_hz=np.nan, reason="tail_not_noise", detail="it still loses signal",
    )  # fmt: skip
    return pd.concat([told, refused], ignore_index=True)


def _reliability() -> Estimates:
    """Return the reliability of a predictor with intervals, and of another metric without."""
    numbers = Estimates(RELIABILITY)
    draws = 1.0 + 0.1 * np.random.default_rng(5).random((40, 3))
    predictor = PLAN["primary"][0]
    subject = (predictor["metric"], predictor["sensor"], predictor["task"], predictor["limb"])
    degrees = Presented(3, 10, "deg", 0.95)
    add_reliability(numbers, subject, Deviations(1.0, 0.4, 0.6, draws), degrees)
    scores = 50.0 + draws[:, :1] + 0.02 * draws
    add_agreement(numbers, subject, TRIALS, pd.DataFrame(scores), "deg", 0.95)
    other = ("peak_vgrf", "plate", "drop_vertical_jump", "landing_2", "both")
    logs = Presented(3, 10, LOG_SCALE, 0.95)
    add_reliability(numbers, other, Deviations(0.2, 0.3, 0.1, None), logs)
    add_agreement(numbers, other, VISITS, pd.DataFrame(np.log(scores)), LOG_SCALE, 0.95)
    once = ("average_loading_rate", "plate", "drop_vertical_jump", "both")
    add_reliability(numbers, once, Deviations(0.2, None, 0.1, None), logs)
    for group in (subject, other, once):
        numbers.add(group, "clipped", "count", 12.0, unit="values")
    return numbers


def planted() -> list[Estimates]:
    """Return planted and found effects of one metric, errors of another, and nuisances."""
    random = np.random.default_rng(4)
    effects = Estimates("planted_effects")
    name = PLAN["primary"][0]["name"]
    effects.add("graft_rupture", name, "planted_hazard_ratio", 0.6)
    effects.add("graft_rupture", name, "expected_naive_hazard_ratio", 0.64)
    for word in ("naive", "corrected"):
        effects.add("graft_rupture", (name, word), "found_hazard_ratio", **_interval(random))
        effects.add("graft_rupture", (name, word), "interval_covers", float(word == "naive"))
    errors = Estimates("planted_metrics")
    for quantity, value in (
        ("bias", -0.0018), ("standard_deviation", 0.0252), ("relative_bias", -0.0004)
    ):  # fmt: skip
        errors.add(("peak_vgrf", "plate"), SITES[0], quantity, value)
    nuisances = Estimates("planted_nuisances")
    for term, value in (("planted", 3), ("found", 2), ("flagged_without_cause", 0)):
        nuisances.add("mirrored_sensor", term, "count", value)
    return [effects, errors, nuisances]


@cache
def prediction(count: int = ATHLETES) -> tuple[Estimates, ...]:
    """Return the numbers of the plan's prediction, from fewer resamples than a study needs."""
    short = {**PLAN["prediction"], "bootstrap": 20, "permutations": 10}
    rows = landmark_rows(cohort(count))
    return tuple(prediction_numbers(rows, {**PLAN, "prediction": short}))


def estimates(*, with_outcomes: bool = True, count: int = ATHLETES) -> pd.DataFrame:
    """Return the table of estimates of the invented study."""
    people = cohort(count)
    rows = landmark_rows(people)
    recordings = _recordings(people)
    values = _values(recordings)
    landings = values.drop(columns="sensor")
    parts = [
        count_flow(people),
        count_predictors(people, PLAN),
        recording_shares(recordings),
        value_shares(values),
        landing_shares(landings),
        nuisances_found(recordings, values, people),
        exclusion_counts(_exclusions(recordings)),
        *_sensor_quality(values),
        *_landing_quality(values, people),
        cutoff_numbers(residuals()),
        _reliability(),
    ]
    variables = cohort_variables(PLAN)
    if not with_outcomes:
        parts.append(describe_groups(rows, variables, [("all", rows)]))
        for analysis in ("cox_primary", "cumulative_incidence", "incidence_rates", *PREDICTION):
            refused = Estimates(analysis)
            refused.not_run("all", "the plan is not frozen, so outcomes are not joined to metrics")
            parts.append(refused)
        return estimates_table(*parts)
    parts += [
        count_ends(people, PLAN),
        describe_groups(rows, variables, list(event_groups(rows))),
        compare_groups(rows, variables),
        *incidence_numbers(rows, PLAN),
        rate_numbers(rows, PLAN),
        group_test_numbers(rows, PLAN),
        ratio_numbers(rows, PLAN, DIVIDED_BY),
        event_free_numbers(rows, PLAN),
        *hazards(rows),
        *other_choices(rows),
        *alternatives(count),
        *imputed(),
        limb_differences(),
        limb_model_checks(),
        *agreement(),
        r_opinion(),
        rederived(),
        *force_study.numbers(),
        sensors(),
        measurement_error(),
        *prediction(count),
        *planted(),
    ]
    return estimates_table(*parts)


def waveforms() -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Return half-sine landings of two tasks at every site, their events and their metrics."""
    time = np.arange(-0.25, 0.75, 0.01)
    shape = np.where((time > 0) & (time < 0.1), np.sin(np.pi * np.clip(time, 0, 0.1) / 0.1), 0.0)
    waves, landings, values = [], [], []
    for task in ("single_leg_drop_landing", "drop_vertical_jump"):
        for site, number in ((site, number) for site in SITES for number in (1, 2, 3)):
            landing = f"A{number:04d}.{task}.{site}"
            takeoff = 3.3 if task == "drop_vertical_jump" else np.nan
            landings.append((landing, 3.0, takeoff, 3.15))
            for channel, metric, sensor, size, unit in (
                ("vertical_force", "peak_vgrf", "plate", 4.0 + number, "BW"),
                ("vertical_force.left", "", "", 2.0, "BW"),
                ("waist_acceleration", "peak_waist_acceleration", "waist", 6.0, "g"),
            ):
                if channel.startswith("vertical") and site == SITES[-1]:
                    continue
                wave = {"time_s": time, "value": size * shape, "unit": unit, "channel": channel}
                waves.append(
                    pd.DataFrame({"landing_id": landing, "site": site, **wave, "task": task})
                )
                if metric:
                    values.append((landing, metric, sensor, size))
    events = pd.DataFrame(
        landings, columns=["landing_id", "initial_contact_s", "takeoff_s", "lowest_com_s"]
    )
    measured = pd.DataFrame(values, columns=["landing_id", "metric", "sensor", "value"])
    return pd.concat(waves, ignore_index=True), events, measured
