"""A small invented study as tables, for the tests of figures, tables and report.

Values are drawn at random with a fixed seed: the tests look at how numbers are shown, not at what
they are.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from analysis.cohort.analysis_set import landmark_rows
from analysis.estimates import Estimates, estimates_table
from analysis.models.cumulative_incidence import incidence_numbers
from analysis.models.flow import count_ends, count_flow, count_predictors
from analysis.models.incidence_rates import rate_numbers
from analysis.models.quality import (
    exclusion_counts,
    landing_shares,
    nuisances_found,
    recording_shares,
    value_shares,
)
from analysis.models.table_one import compare_groups, describe_groups, event_groups
from analysis.models.variables import cohort_variables
from shared.metric_dictionary import metrics
from shared.schemas import schema_of
from shared.settings.load import load_settings
from shared.sources import ROOT

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
SITES = list(STUDY["sites"])
_TYPICAL = {"deg": 45.0, "g": 5.0, "s": 0.5, "BW": 3.9, "deg/s": 480.0}


def cohort(seed: int = 5) -> pd.DataFrame:
    """Return a cohort with two excluded athletes, one of them with both knees reconstructed."""
    random = np.random.default_rng(seed)
    count = ATHLETES
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


def hazards(people: pd.DataFrame) -> Estimates:
    """Return invented hazard ratios at the addresses of the Cox models."""
    random = np.random.default_rng(11)
    numbers = Estimates("cox_primary", family="primary", ci_level=0.95, n_athletes=len(people))
    for outcome in PLAN["primary_outcomes"]:
        for predictor in PLAN["primary"]:
            log = random.normal(0.1, 0.3)
            fields = {key: predictor[key] for key in ("metric", "sensor", "task", "limb")}
            numbers.add(
                outcome,
                predictor["name"],
                "hazard_ratio",
                float(np.exp(log)),
                outcome=outcome,
                se=0.25,
                ci_low=float(np.exp(log - 0.5)),
                ci_high=float(np.exp(log + 0.5)),
                p=0.0004 if outcome == "graft_rupture" else 0.34,
                p_adjusted=0.0024 if outcome == "graft_rupture" else 1.0,
                n_events=15,
                **fields,
            )
            numbers.add(outcome, predictor["name"], "standard_deviation", 9.1, **fields)
        numbers.add(
            outcome, "per_sd", "minimal_detectable_hazard_ratio", 2.06, outcome=outcome, n_events=15
        )
    return numbers


def estimates(*, with_outcomes: bool = True) -> pd.DataFrame:
    """Return the table of estimates of the invented study."""
    people = cohort()
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
    ]
    variables = cohort_variables(PLAN)
    if not with_outcomes:
        parts.append(describe_groups(rows, variables, [("all", rows)]))
        for analysis in ("cox_primary", "cumulative_incidence", "incidence_rates"):
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
        hazards(rows),
    ]
    return estimates_table(*parts)


def waveforms_and_landings() -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return half-sine landings of two tasks at every site, and their events."""
    time = np.arange(-0.25, 0.75, 0.004)
    shape = np.where((time > 0) & (time < 0.1), np.sin(np.pi * np.clip(time, 0, 0.1) / 0.1), 0.0)
    waves, landings = [], []
    for task in ("single_leg_drop_landing", "drop_vertical_jump"):
        for site in SITES:
            for number in (1, 2, 3):
                landing = f"{task}.{site}.{number}"
                landings.append(
                    {
                        "landing_id": landing,
                        "initial_contact_s": 3.0,
                        "takeoff_s": 3.3 if task == "drop_vertical_jump" else np.nan,
                        "lowest_com_s": 3.15,
                    }
                )
                for channel, size, unit in (
                    ("vertical_force.left", 4.0, "BW"),
                    ("waist_acceleration", 6.0, "g"),
                ):
                    if channel.startswith("vertical") and site == SITES[-1]:
                        continue
                    waves.append(
                        pd.DataFrame(
                            {
                                "landing_id": landing,
                                "site": site,
                                "task": task,
                                "channel": channel,
                                "time_s": time,
                                "value": size * shape * (1 + 0.05 * number),
                                "unit": unit,
                            }
                        )
                    )
    events = pd.DataFrame(landings).reindex(columns=schema_of("landings").names)
    return pd.concat(waves, ignore_index=True), events
