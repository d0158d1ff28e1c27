"""Step: the cut-offs that residual analysis suggests, beside those that were set.

Nothing is fitted here: the curves, their tails and what they suggest come from the extraction. No
result of the study depends on them.
"""

from __future__ import annotations

import math
from pathlib import Path

import pandas as pd

from analysis.estimates import EstimateFields, Estimates, write_estimates
from analysis.models.grouped import grouped
from shared.tables import read_table

STEP = "analysis.models.residual_cutoffs:residual_cutoffs"
ANALYSIS = "residual_analysis"
SENSORS = {
    "vertical_force": "plate",
    "waist_acceleration": "waist",
    "segment_rate": "gyro",
    "camera_angle": "camera",
}
"""Kind of signal -> sensor that gives it, in the order of the report."""


def cutoff_numbers(residuals: pd.DataFrame) -> Estimates:
    """Return noise, suggested and configured cut-off by signal, device and task.

    A signal whose tail tells no noise has neither noise nor suggestion; the note says why.
    """
    numbers = Estimates(ANALYSIS, family="descriptive")
    if residuals.empty:
        numbers.not_run("all", "no valid landing has a recording that could be analysed")
        return numbers
    for (signal, device, task), rows in grouped(residuals, ["signal", "device", "task"]):
        curve, where = rows.iloc[0], (signal, device)
        fields: EstimateFields = {"sensor": SENSORS[signal], "task": task}
        told: EstimateFields = {**fields, "note": curve["reason"] and curve["detail"]}
        numbers.add(where, task, "recordings", int(curve["recordings"]), **fields)
        noise = math.nan if curve["reason"] else float(curve["tail_intercept"])
        numbers.add(where, task, "noise", noise, unit=curve["unit"], **told)
        suggested = float(curve["suggested_cutoff_hz"])
        numbers.add(where, task, "suggested_cutoff", suggested, unit="Hz", **told)
        configured = float(curve["configured_cutoff_hz"])
        numbers.add(where, task, "configured_cutoff", configured, unit="Hz", **fields)
        numbers.add(where, task, "tail_fall", float(curve["tail_fall"]), **told)
    return numbers


def residual_cutoffs(*, residuals: Path, estimates: Path) -> None:
    """Write the rows of the residual analysis."""
    numbers = cutoff_numbers(read_table(residuals))
    write_estimates(estimates, numbers, step=STEP, inputs={"residuals": residuals})
