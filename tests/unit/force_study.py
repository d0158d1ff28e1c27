"""A small invented study of landings with force plate and waist unit, for the tests of the steps.

Force is a power of the waist peak, with athlete and trial effects; the last site has no plates.
"""

from __future__ import annotations

from functools import cache
from itertools import product
from typing import Any

import numpy as np
import pandas as pd

from analysis.estimates import Estimates
from analysis.force_model.landings import SCOPES, force_landings
from analysis.models.force_ladder import Ladder, climb
from analysis.models.force_numbers import force_numbers
from analysis.models.force_output import estimated_forces, held_out_forces
from shared.settings.load import load_settings
from shared.sources import ROOT

SITES = ("harbour", "meadow", "ridge")
TASKS = load_settings(ROOT / "config").study.model_dump(mode="json")["tasks"]
SETTINGS: dict[str, Any] = {
    "models": ["linear", "log_log", "log_log_covariates", "boosting"],
    "folds": 4,
    "seed": 5,
    "metric_share": 0.95,
    "boosting": {"trees": 15, "learning_rate": 0.2, "leaves": 4, "landings_per_leaf": 10},
    "network": {"hidden_units": 2, "penalty": 1.0, "iterations": 20},
}
CLIPPED_ABOVE_G = 8.0
ATHLETES = 30

_LIMBS = {
    "single_leg_drop_landing": (("left", "involved"), ("right", "uninvolved")),
    "countermovement_jump": (("both", "both"),),
}


def _landings() -> list[tuple[Any, ...]]:
    found = []
    for number, visit in product(range(ATHLETES), ("clearance", "follow_up")):
        for task, limbs in _LIMBS.items():
            for (side, limb), trial in product(limbs, (1, 2, 3)):
                athlete = f"A{number:04d}"
                name = f"{athlete}.{visit}.{task}.{side}.{trial}.{side}.1"
                site = SITES[number % 3]
                found.append((name, athlete, site, visit, task, limb, side, trial, 1))
    return found


@cache
def tables() -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Return metrics, landings and athletes."""
    random = np.random.default_rng(23)
    keys = ["landing_id", "athlete_id", "site", "visit", "task", "limb", "side", "trial", "landing"]
    landings = pd.DataFrame(_landings(), columns=keys)
    peak = random.uniform(3.0, 8.5, len(landings))
    athlete = random.normal(0.0, 0.08, ATHLETES)[landings["athlete_id"].str[1:].astype(int)]
    force = 1.6 * peak**0.55 * np.exp(athlete + random.normal(0.0, 0.08, len(landings)))
    waist = landings.assign(
        metric="peak_waist_acceleration",
        sensor="waist",
        value=np.minimum(peak, CLIPPED_ABOVE_G),
        censoring=np.where(peak > CLIPPED_ABOVE_G, "right", "none"),
        valid=True,
    )
    plate = landings.assign(
        metric="peak_vgrf", sensor="plate", value=force, censoring="none", valid=True
    )
    plate = plate.loc[plate["site"] != SITES[-1]]
    boxes = landings[["landing_id"]].assign(
        box_height_m=np.where(landings["task"] == "single_leg_drop_landing", 0.3, np.nan)
    )
    people = landings[["athlete_id"]].drop_duplicates(ignore_index=True)
    people = people.assign(
        sex=random.choice(["female", "male"], ATHLETES),
        mass_kg=random.normal(68.0, 8.0, ATHLETES),
        injured_side="left",
    )
    return pd.concat([waist, plate], ignore_index=True), boxes, people


@cache
def ladders() -> dict[str, tuple[pd.DataFrame, Ladder]]:
    """Return rows and judged ladder by kind of landing."""
    found = {}
    for scope in SCOPES:
        rows = force_landings(*tables(), TASKS, scope, SETTINGS["metric_share"])
        found[scope.name] = rows, climb(scope, rows, SETTINGS, 0.95)
    return found


@cache
def numbers() -> list[Estimates]:
    """Return the numbers of both kinds of landing."""
    return [
        force_numbers(ladder, estimated_forces(rows, ladder, SETTINGS, TASKS), 0.95)
        for rows, ladder in ladders().values()
    ]


def held_out() -> pd.DataFrame:
    """Return the table of held-out forces."""
    return pd.concat([held_out_forces(ladder) for _, ladder in ladders().values()])
