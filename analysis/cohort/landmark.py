"""Step: the landmark cohort at the clearance visit.

The landmark is the clearance visit. Who had a second injury before it, or is not observed after
it, cannot inform what follows it and is left out with the reason. Predictors come from the
clearance visit only: a later measurement is available only for those who stayed free of injury.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from analysis.cohort.analysis_set import reason_not_to_run
from analysis.cohort.outcomes import join_outcomes
from analysis.cohort.predictors import predictor_columns
from analysis.estimates import provenance
from shared.schemas import schema_of
from shared.tables import read_table, write_table

STEP = "analysis.cohort.landmark:build_cohort"

NO_CLEARANCE_VISIT = "no clearance visit"
NO_FOLLOW_UP_RECORD = "no follow-up record"
EVENT_BEFORE_CLEARANCE = "event before clearance"
NO_FOLLOW_UP = "no follow-up after clearance"

EXPLANATIONS = {
    NO_CLEARANCE_VISIT: "the clearance visit did not take place, so there is no landmark",
    NO_FOLLOW_UP_RECORD: "the table of outcomes has no row for this athlete",
    EVENT_BEFORE_CLEARANCE: "the event lies on or before the day of clearance",
    NO_FOLLOW_UP: "observation ended on or before the day of clearance",
}
"""Reasons for leaving an athlete out, in the order in which they are asked."""

WITHDREW_CONSENT = "withdrew consent"

LEFT_OUT = {
    WITHDREW_CONSENT: "consent was withdrawn, and with it every file made of the athlete's data",
    **EXPLANATIONS,
}
"""All reasons in the order of the flow; of those who withdrew there is a count and nothing else."""

_ENDS_OF_RISK = ("graft_rupture", "contralateral_tear", "other_knee_injury", "end_of_sport")

_ATHLETE_COLUMNS = (
    "athlete_id",
    "site",
    "sex",
    "age_at_surgery_years",
    "graft",
    "injured_side",
    "sport_level",
    "prior_acl_injury",
    "mass_kg",
    "height_m",
)
_OUTCOME_COLUMNS = (
    "athlete_id",
    "followup_days",
    "event",
    "event_days",
    "side",
    "contact",
    "negative_control_days",
)


def reasons_for_exclusion(athletes: pd.DataFrame) -> pd.Series:
    """Return why each athlete is outside the landmark cohort, '' for those inside.

    Parameters
    ----------
    athletes
        One row per athlete with `clearance_days`, `event`, `event_days`, `followup_days` (days
        since clearance; empty where unknown). The first reason in the order of `EXPLANATIONS`
        counts.
    """
    ended = athletes["event"].isin(_ENDS_OF_RISK) & (athletes["event_days"] <= 0)
    conditions = {
        NO_CLEARANCE_VISIT: athletes["clearance_days"].isna(),
        NO_FOLLOW_UP_RECORD: athletes["followup_days"].isna(),
        EVENT_BEFORE_CLEARANCE: ended,
        NO_FOLLOW_UP: athletes["followup_days"] <= 0,
    }
    reasons = np.select(list(conditions.values()), list(conditions), default="")
    return pd.Series(reasons, index=athletes.index, dtype="object")


def exclusions_of(cohort: pd.DataFrame) -> pd.DataFrame:
    """Return the excluded athletes as rows of the table `exclusions`."""
    out = cohort.loc[~cohort["included"]]
    table = pd.DataFrame(
        {
            "level": "athlete",
            "id": out["athlete_id"],
            "site": out["site"],
            "step": "cohort",
            "reason": out["excluded_because"].str.replace(" ", "_").str.replace("-", "_"),
            "detail": out["excluded_because"].map(EXPLANATIONS),
        }
    ).astype("object")
    return table[schema_of("exclusions").names].reset_index(drop=True)


def landmark_cohort(
    athletes: pd.DataFrame,
    visits: pd.DataFrame,
    outcomes: pd.DataFrame,
    exposure: pd.DataFrame,
    predictors: pd.DataFrame,
    *,
    clearance_visit: str,
    horizon_days: float,
    with_outcomes: bool,
) -> pd.DataFrame:
    """Return the table `cohort`: one row per enrolled athlete, sorted by athlete.

    `with_outcomes` is False as long as the plan is not frozen: who belongs to the cohort is then
    decided all the same, but event, follow-up and exposure stay empty.
    """
    clearance = visits.loc[visits["visit"] == clearance_visit].set_index("athlete_id")
    table = athletes.sort_values("athlete_id", ignore_index=True)
    ids = table["athlete_id"]
    table["clearance_days"] = ids.map(clearance["days_since_surgery"])
    reasons = reasons_for_exclusion(
        table.merge(outcomes, on="athlete_id", how="left", validate="one_to_one")
    )
    table = join_outcomes(
        table, outcomes if with_outcomes else outcomes.iloc[:0], exposure, horizon_days
    )
    table["included"] = reasons == ""
    table["excluded_because"] = reasons
    return table.merge(predictors, on="athlete_id", how="left", validate="one_to_one")


def build_cohort(
    *,
    athletes: Path,
    visits: Path,
    outcomes: Path,
    exposure: Path,
    summaries: Path,
    cohort: Path,
    exclusions: Path,
    plan: dict[str, Any],
    study: dict[str, Any],
    freeze: dict[str, Any],
    minimum_valid_trials: int,
) -> None:
    """Write the landmark cohort and the athletes that are not in it, with reasons.

    Parameters
    ----------
    athletes, visits, outcomes, exposure
        Checked tables of the study.
    summaries
        Summaries of the valid trials.
    freeze
        Status of the plan; unless it is "frozen", or the run is blinded, outcomes are not joined.
    minimum_valid_trials
        A predictor with fewer valid trials at clearance is missing.
    """
    people = read_table(athletes, _ATHLETE_COLUMNS)
    predictors = predictor_columns(
        read_table(summaries),
        [*plan["primary"], *plan["exploratory"]],
        people["athlete_id"],
        visit=study["clearance_visit"],
        minimum_valid_trials=minimum_valid_trials,
    )
    table = landmark_cohort(
        people,
        read_table(visits),
        read_table(outcomes, _OUTCOME_COLUMNS),
        read_table(exposure),
        predictors,
        clearance_visit=study["clearance_visit"],
        horizon_days=float(plan["horizon_days"]),
        with_outcomes=not reason_not_to_run(freeze),
    )
    inputs = {
        "athletes": athletes,
        "visits": visits,
        "outcomes": outcomes,
        "exposure": exposure,
        "summaries": summaries,
    }
    declared = schema_of("cohort").names
    ordered = table[declared + [name for name in table.columns if name not in declared]]
    write_table(ordered, cohort, "cohort", **provenance(STEP, inputs))
    write_table(exclusions_of(table), exclusions, "exclusions", **provenance(STEP, inputs))
