"""The landings whose force can be estimated, with their waist metrics and, where measured, force.

A waist unit moves with the whole body. Under a single-leg task that is the force under the tested
limb; under a two-leg task it is the sum of both, and no table made here has a row for one limb of a
two-leg landing: rows come from `SCOPES` only, which name the sides that a row may have.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from analysis.force_model.impact_speed import log_impact_speed
from analysis.force_model.inputs import Array, Inputs
from shared.metric_dictionary import metrics as metric_dictionary

FORCE, PEAK, FLIGHT = "peak_vgrf", "peak_waist_acceleration", "flight_time"
KEYS = ["landing_id", "athlete_id", "site", "visit", "task", "limb", "side", "trial", "landing"]
DERIVED_FROM_FLIGHT = "jump_height_from_flight_time"
"""A square of the flight time: the same information twice."""


@dataclass(frozen=True)
class Scope:
    """A kind of landing with a ladder of models of its own.

    Attributes
    ----------
    name : single_leg or whole_body
    task_limbs : limbs of the task in study.yaml
    sides : sides that its rows may have
    """

    name: str
    task_limbs: str
    sides: tuple[str, ...]


SCOPES = (
    Scope("single_leg", "single", ("left", "right")),
    Scope("whole_body", "both", ("both",)),
)


class PerLimbError(ValueError):
    """A waist value claims one limb of a two-leg landing (a fault of the code)."""


def refuse_per_limb(rows: pd.DataFrame, tasks: Mapping[str, Any]) -> None:
    """Refuse rows (columns landing_id, task, side) that name one limb of a two-leg task.

    Raises
    ------
    PerLimbError
        There is such a row: a waist unit cannot tell the limbs apart.
    """
    two_legs = [task for task, settings in tasks.items() if settings["limbs"] == "both"]
    wrong = rows.loc[rows["task"].isin(two_legs) & (rows["side"] != "both"), "landing_id"]
    if len(wrong):
        raise PerLimbError(
            f"{len(wrong)} waist values name one limb of a two-leg landing, first {wrong.iloc[0]}; "
            "a waist unit measures the whole body"
        )


def waist_metrics(values: pd.DataFrame, share: float) -> list[str]:
    """Return the waist metrics that at least `share` of the landings have, peak first.

    Parameters
    ----------
    values : rows of the table of metrics by the waist unit, of one scope
    share : a metric that many landings lack (a flight time, say) would cost those landings
    """
    landings = values["landing_id"].nunique()
    counts = values.loc[values["value"].notna()].groupby("metric")["landing_id"].nunique()
    known = [
        name
        for name, metric in metric_dictionary().items()
        if "waist" in metric.sensors and name != DERIVED_FROM_FLIGHT
    ]
    common = [name for name in known if counts.get(name, 0) >= share * landings > 0]
    return [PEAK, *(name for name in common if name != PEAK)]


def force_landings(
    values: pd.DataFrame,
    landings: pd.DataFrame,
    athletes: pd.DataFrame,
    tasks: Mapping[str, Any],
    scope: Scope,
    share: float,
) -> pd.DataFrame:
    """Return one row per landing of a scope that has a peak waist acceleration.

    Columns: `KEYS`, box_height_m, flight_s (valid time of flight by the waist unit, empty without),
    sex, mass_kg, injured_side, one per waist metric (empty where the landing lacks it), clipped
    (the waist unit saturated), waist_valid, measured_bw (empty without a plate) and plate_valid.

    Parameters
    ----------
    values, landings, athletes : tables of the study
    tasks : `tasks` of study.yaml
    share : see `waist_metrics`

    Raises
    ------
    PerLimbError
        A waist value names one limb of a two-leg landing.
    """
    of_waist = values.loc[(values["sensor"] == "waist") & values["value"].notna()]
    refuse_per_limb(of_waist, tasks)
    wanted = [task for task, item in tasks.items() if item["limbs"] == scope.task_limbs]
    chosen = of_waist["task"].isin(wanted) & of_waist["side"].isin(scope.sides)
    of_scope = of_waist.loc[chosen]
    names = waist_metrics(of_scope, share)
    peaks = of_scope.loc[of_scope["metric"] == PEAK, [*KEYS, "valid", "censoring"]]
    rows = peaks.rename(columns={"valid": "waist_valid"})
    rows["clipped"] = rows.pop("censoring") == "right"
    wide = of_scope.loc[of_scope["metric"].isin(names)].pivot(
        index="landing_id", columns="metric", values="value"
    )
    rows = rows.merge(wide.reindex(columns=names).reset_index(), on="landing_id", how="left")
    of_plate = values.loc[(values["sensor"] == "plate") & (values["metric"] == FORCE)]
    plate = of_plate[["landing_id", "value", "valid"]].rename(
        columns={"value": "measured_bw", "valid": "plate_valid"}
    )
    rows = rows.merge(plate, on="landing_id", how="left", validate="one_to_one")
    rows["plate_valid"] = rows["plate_valid"].eq(True) & rows["measured_bw"].notna()
    flights = of_scope.loc[(of_scope["metric"] == FLIGHT) & of_scope["valid"]]
    flights = flights[["landing_id", "value"]].rename(columns={"value": "flight_s"})
    rows = rows.merge(flights, on="landing_id", how="left", validate="one_to_one")
    people = athletes[["athlete_id", "sex", "mass_kg", "injured_side"]]
    rows = rows.merge(people, on="athlete_id", how="inner", validate="many_to_one")
    boxes = landings[["landing_id", "box_height_m"]]
    rows = rows.merge(boxes, on="landing_id", how="left", validate="one_to_one")
    return rows.sort_values("landing_id", kind="stable", ignore_index=True)


def columns_of_waist(rows: pd.DataFrame) -> list[str]:
    """Return the waist metrics of a table of `force_landings`, in the order of its columns."""
    return [name for name in rows.columns if name in metric_dictionary()]


TYPICAL_MASS_KG = 70.0
"""Where the logarithm of body mass is centred; moves the intercept only."""


def context_columns(rows: pd.DataFrame, levels: Sequence[str]) -> dict[str, Array]:
    """Return task and landing, limb, sex, log body mass and log impact speed as columns.

    Parameters
    ----------
    levels : situations that have a column, the first as reference; the same for all rows that one
        model sees. A landing in no situation among them is coded as the first
    """
    situation = situations(rows)
    columns = {level: (situation == level).astype(float) for level in levels[1:]}
    columns["involved"] = (rows["limb"] == "involved").to_numpy(dtype=float)
    columns["male"] = (rows["sex"] == "male").to_numpy(dtype=float)
    columns["log_mass"] = np.log(rows["mass_kg"].to_numpy(dtype=float) / TYPICAL_MASS_KG)
    columns["log_impact_speed"] = log_impact_speed(rows)
    return columns


def situations(rows: pd.DataFrame) -> Array:
    """Return (n,) task and landing of each row."""
    words = rows["task"].astype(str) + "." + rows["landing"].astype(str)
    return words.to_numpy(dtype=object).astype(str)


def inputs_of(rows: pd.DataFrame, levels: Sequence[str]) -> Inputs:
    """Return what the models see of rows of `force_landings` that have every waist metric.

    `levels` are the situations of all landings that train or are estimated: see `context_columns`.
    """
    names = columns_of_waist(rows)
    context = context_columns(rows, levels)
    return Inputs(
        peak=rows[PEAK].to_numpy(dtype=float),
        waist=rows[names].to_numpy(dtype=float),
        context=np.column_stack(list(context.values())),
        athlete=rows["athlete_id"].to_numpy(dtype=object).astype(str),
        situation=situations(rows),
        waist_names=tuple(names),
        context_names=tuple(context),
    )
