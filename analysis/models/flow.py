"""Step: the flow of athletes from enrolment to analysis, as counts."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd

from analysis.cohort.analysis_set import events_of, landmark_rows, reason_not_to_run
from analysis.cohort.landmark import LEFT_OUT, WITHDREW_CONSENT
from analysis.estimates import Estimates, joined, write_estimates
from shared.tables import read_table

STEP = "analysis.models.flow:flow_diagram"


def count_flow(cohort: pd.DataFrame, withdrawn: int | None = None) -> Estimates:
    """Return how many athletes remain after each question of the landmark, and why others left.

    Steps, in order: `enrolled`, one per reason of exclusion (those who pass it), and
    `landmark_cohort`; `excluded` holds the athletes who fail each.

    Parameters
    ----------
    cohort : table `cohort`
    withdrawn : how many withdrew consent; the table does not hold them. None: it is not known.
    """
    numbers = Estimates("flow", unit="athletes")
    enrolled = len(cohort) + (withdrawn or 0)
    numbers.add("enrolled", "", "count", enrolled, n_athletes=enrolled)
    remaining = enrolled
    left = {reason: int((cohort["excluded_because"] == reason).sum()) for reason in LEFT_OUT}
    left[WITHDREW_CONSENT] = withdrawn or 0
    for reason, explanation in LEFT_OUT.items():
        if reason == WITHDREW_CONSENT and withdrawn is None:
            continue
        out = left[reason]
        remaining -= out
        numbers.add("excluded", reason, "count", out, n_athletes=enrolled, note=explanation)
        numbers.add(
            "remaining",
            f"after {reason}",
            "count",
            remaining,
            n_athletes=enrolled,
            note=f"athletes left after '{reason}'",
        )
    numbers.add("landmark_cohort", "", "count", remaining, n_athletes=enrolled)
    for site, rows in landmark_rows(cohort).groupby("site", sort=True):
        numbers.add("landmark_cohort", str(site), "count", len(rows), site=str(site))
    return numbers


def count_predictors(cohort: pd.DataFrame, plan: dict[str, Any]) -> Estimates:
    """Return how many athletes of the landmark cohort have each predictor, and all primary ones."""
    rows = landmark_rows(cohort)
    numbers = Estimates("flow", unit="athletes")
    for predictor in [*plan["primary"], *plan["exploratory"]]:
        numbers.add(
            "with_predictor",
            predictor["name"],
            "count",
            int(rows[predictor["name"]].notna().sum()),
            metric=predictor["metric"],
            sensor=predictor["sensor"],
            task=predictor["task"],
            limb=predictor["limb"],
            n_athletes=len(rows),
            note="athletes with enough valid trials at clearance",
        )
    names = [predictor["name"] for predictor in plan["primary"]]
    complete = int(rows[names].notna().all(axis=1).sum())
    numbers.add("with_all_primary", "", "count", complete, n_athletes=len(rows), note=joined(names))
    return numbers


def count_ends(cohort: pd.DataFrame, plan: dict[str, Any]) -> Estimates:
    """Return what ended observation in the landmark cohort."""
    rows = landmark_rows(cohort)
    numbers = Estimates(
        "flow",
        unit="athletes",
        horizon_days=float(plan["horizon_days"]),
        n_athletes=len(rows),
    )
    for event, count in rows["event"].value_counts().sort_index().items():
        numbers.add("ended_with", str(event), "count", int(count), outcome=str(event))
    for name, outcome in plan["outcomes"].items():
        count = int(events_of(rows, outcome["events"]).sum())
        numbers.add("outcome", name, "count", count, outcome=name, n_events=count)
    return numbers


def withdrawn_of(counts: pd.DataFrame) -> int | None:
    """Return how many athletes withdrew consent; None where the study keeps no such table."""
    return None if counts.empty else int(counts["count"].sum())


def flow_diagram(
    *,
    cohort: Path,
    withdrawals: Path,
    estimates: Path,
    plan: dict[str, Any],
    freeze: dict[str, Any],
) -> None:
    """Write the flow of athletes as rows of `estimates`."""
    table, withdrawn = read_table(cohort), withdrawn_of(read_table(withdrawals))
    ends = Estimates("flow")
    if reason := reason_not_to_run(freeze):
        ends.not_run("ended_with", reason)
    else:
        ends = count_ends(table, plan)
    write_estimates(
        estimates,
        count_flow(table, withdrawn),
        count_predictors(table, plan),
        ends,
        step=STEP,
        inputs={"cohort": cohort, "withdrawals": withdrawals},
    )
