"""Step: peak vertical force from waist acceleration, by the model of the ladder that is kept.

Trained and judged on landings with plate and waist unit. The estimates stand in a table of their
own, never beside measured forces in one column; no model of injury reads them, and outcomes play
no part here.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd

from analysis.estimates import Estimates, provenance, write_estimates
from analysis.force_model.landings import SCOPES, force_landings
from analysis.mixed import ModelRefusedError
from analysis.models.force_ladder import climb
from analysis.models.force_numbers import ANALYSIS, force_numbers
from analysis.models.force_output import estimated_forces, held_out_forces
from shared.tables import empty_table, read_table, write_table

STEP = "analysis.models.force_model:force_from_waist"


def _joined(parts: list[pd.DataFrame], name: str, order: list[str]) -> pd.DataFrame:
    if not parts:
        return empty_table(name)
    return pd.concat(parts).sort_values(order, kind="stable", ignore_index=True)


def force_from_waist(
    *,
    metrics: Path,
    landings: Path,
    athletes: Path,
    estimates: Path,
    force_estimates: Path,
    force_held_out: Path,
    plan: dict[str, Any],
    study: dict[str, Any],
) -> None:
    """Write estimated forces, held-out forces beside measured ones, and how good they are."""
    settings, level = plan["force_model"], float(plan["confidence_level"])
    tables = [read_table(path) for path in (metrics, landings, athletes)]
    numbers: list[Estimates] = []
    forces: list[pd.DataFrame] = []
    judged: list[pd.DataFrame] = []
    for scope in SCOPES:
        rows = force_landings(*tables, study["tasks"], scope, settings["metric_share"])
        try:
            ladder = climb(scope, rows, settings, level)
        except ModelRefusedError as error:
            refused = Estimates(ANALYSIS, family="secondary", metric="peak_vgrf", sensor="waist")
            refused.not_run(scope.name, str(error))
            numbers.append(refused)
            continue
        found = estimated_forces(rows, ladder, settings, study["tasks"])
        forces.append(found)
        judged.append(held_out_forces(ladder))
        numbers.append(force_numbers(ladder, found, level))
    inputs = {"metrics": metrics, "landings": landings, "athletes": athletes}
    origin = provenance(STEP, inputs)
    name = "force_estimates"
    write_table(_joined(forces, name, ["landing_id"]), force_estimates, name, **origin)
    name = "force_held_out"
    order = ["landing_id", "validation", "model"]
    write_table(_joined(judged, name, order), force_held_out, name, **origin)
    write_estimates(estimates, *numbers, step=STEP, inputs=inputs)
