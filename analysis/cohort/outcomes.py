"""Outcomes of the landmark cohort: what ended observation, when, and the exposure until then."""

from __future__ import annotations

import numpy as np
import pandas as pd

CAUSES = {
    "graft_rupture": 1,
    "contralateral_tear": 2,
    "other_knee_injury": 3,
    "end_of_sport": 3,
    "lost": 0,
    "end_of_study": 0,
}
"""Number of the cause in the column `cause`; 0 is no event."""

HORIZON = "horizon"
"""Event of an athlete who was still observed at the administrative end of follow-up."""

DAYS_PER_MONTH = 365.25 / 12


def join_outcomes(
    table: pd.DataFrame, outcomes: pd.DataFrame, exposure: pd.DataFrame, horizon_days: float
) -> pd.DataFrame:
    """Return `table` with what ended the observation of each athlete.

    Added columns: `followup_days`, `event`, `event_days`, `cause`, `side`, `contact`,
    `negative_control_days`, `athlete_exposures`. Observation ends with the event, at the latest
    at the horizon; an event after the horizon is none. An athlete without outcome has empty values
    and the event ''.
    """
    found = table[["athlete_id"]].merge(
        outcomes, on="athlete_id", how="left", validate="one_to_one"
    )
    end = found[["followup_days", "event_days"]].min(axis=1)
    late = end > horizon_days
    event = found["event"].fillna("").mask(late, HORIZON)
    days = end.clip(upper=horizon_days)
    joined = table.copy()
    joined["followup_days"] = days.to_numpy()
    joined["event"] = event.to_numpy()
    cause = event.map({**CAUSES, HORIZON: 0, "": 0})
    joined["cause"] = cause.to_numpy(dtype="int64")
    joined["event_days"] = days.where(cause > 0).to_numpy()
    for column in ("side", "contact"):
        joined[column] = found[column].fillna("").mask(late, "").to_numpy()
    # What happens after the end of observation is not observed.
    control = found["negative_control_days"]
    joined["negative_control_days"] = control.where(control <= days).to_numpy()
    joined["athlete_exposures"] = exposures_until(
        exposure, joined["athlete_id"], joined["followup_days"]
    )
    return joined


def exposures_until(exposure: pd.DataFrame, ids: pd.Series, followup_days: pd.Series) -> np.ndarray:
    """Return the athlete-exposures of each athlete up to the end of observation.

    Parameters
    ----------
    exposure
        Columns `athlete_id`, `month` (1 is the first month after clearance) and
        `athlete_exposures`. A month counts when it began before the end of observation: the
        monthly log of an athlete who is injured or leaves holds only what came before.
    ids, followup_days
        Athletes and their days of observation; empty days, or no row in the log, give an empty
        value. A log that holds no exposure before the end of observation gives 0.
    """
    days = pd.Series(followup_days.to_numpy(), index=ids.to_numpy())
    observed = (exposure["month"] - 1) * DAYS_PER_MONTH < exposure["athlete_id"].map(days)
    sums = exposure.loc[observed].groupby("athlete_id")["athlete_exposures"].sum()
    total = ids.map(sums).fillna(0.0)
    known = followup_days.notna().to_numpy() & ids.isin(exposure["athlete_id"]).to_numpy()
    return total.where(known).to_numpy(dtype="float64")
