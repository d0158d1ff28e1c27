"""All force models of one kind of landing, judged on athletes and on sites that they never saw."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from analysis.force_model.choice import ERROR, kept_model
from analysis.force_model.folds import athlete_folds, group_folds
from analysis.force_model.held_out import held_out
from analysis.force_model.inputs import Array, Inputs
from analysis.force_model.ladder import ladder_of
from analysis.force_model.landings import Scope, columns_of_waist, inputs_of, situations
from analysis.force_model.model import ForceModel
from analysis.force_model.scores import Scores, scores_of
from analysis.mixed import ModelRefusedError

ATHLETES, SITES = "athletes_left_out", "sites_left_out"


@dataclass(frozen=True)
class Validation:
    """One way to leave out: its folds, what each model estimated, and why others could not.

    Attributes
    ----------
    folds : (n,) fold of each landing
    estimated : model -> (n,) estimates, NaN where the training had no such task
    scores : model -> agreement over the landings that may train
    refused : model -> reason
    """

    name: str
    folds: Array
    estimated: dict[str, Array]
    scores: dict[str, Scores]
    refused: dict[str, str]

    def errors(self) -> dict[str, ERROR]:
        """Return root mean square error and its standard error by model."""
        return {
            name: (score.rmse.value, score.rmse.standard_error)
            for name, score in self.scores.items()
        }


@dataclass(frozen=True)
class Ladder:
    """The judged models of one scope.

    Attributes
    ----------
    rows : the landings with force and all waist metrics, clipped ones included
    levels : situations that have a column of their own, the first as reference
    usable : (n,) whether a landing may train; never where the waist unit was saturated
    dropped : landings with force that lack a waist metric or are not valid
    """

    scope: Scope
    rows: pd.DataFrame
    levels: list[str]
    inputs: Inputs
    force: Array
    usable: Array
    dropped: int
    models: list[ForceModel]
    validations: list[Validation]
    kept: ForceModel


def estimable(rows: pd.DataFrame) -> Array:
    """Return (n,) which rows have every waist metric and are valid or clipped."""
    complete = rows[columns_of_waist(rows)].notna().all(axis=1)
    return np.asarray(complete & (rows["waist_valid"] | rows["clipped"]), dtype=bool)


def _validation(
    name: str,
    folds: Array,
    models: list[ForceModel],
    data: tuple[Inputs, Array, Array],
    level: float,
) -> Validation:
    inputs, force, usable = data
    estimated, scores, refused = {}, {}, {}
    for model in models:
        try:
            found = held_out(model, inputs, force, folds, usable)
            judged = usable & np.isfinite(found)
            scores[model.name] = scores_of(
                found[judged], force[judged], inputs.athlete[judged], level
            )
            estimated[model.name] = found
        except (ModelRefusedError, ValueError) as error:
            refused[model.name] = str(error)
    return Validation(name, folds, estimated, scores, refused)


def climb(scope: Scope, rows: pd.DataFrame, settings: Mapping[str, Any], level: float) -> Ladder:
    """Return the judged ladder of a scope from rows of `force_landings`.

    Raises
    ------
    ModelRefusedError
        No landing has both sensors, or no model could be judged.
    """
    with_force = rows["plate_valid"].to_numpy(dtype=bool)
    chosen = rows.loc[with_force & estimable(rows)].reset_index(drop=True)
    usable = (chosen["waist_valid"] & ~chosen["clipped"]).to_numpy(dtype=bool)
    if not usable.any():
        raise ModelRefusedError("no landing has a valid force and a valid waist acceleration")
    levels = sorted({str(level) for level in situations(chosen)})
    inputs, force = inputs_of(chosen, levels), chosen["measured_bw"].to_numpy(dtype=float)
    models = ladder_of(settings)
    folds = {ATHLETES: athlete_folds(inputs.athlete, settings["folds"], settings["seed"])}
    if len(set(chosen.loc[usable, "site"])) > 1:
        folds[SITES] = group_folds(chosen["site"])
    data = inputs, force, usable
    validations = [_validation(name, of, models, data, level) for name, of in folds.items()]
    judged = [validation.errors() for validation in validations]
    if not judged[0]:
        raise ModelRefusedError(next(iter(validations[0].refused.values())))
    name = kept_model([model.name for model in models], judged)
    return Ladder(
        scope=scope,
        rows=chosen,
        levels=levels,
        inputs=inputs,
        force=force,
        usable=usable,
        dropped=int(with_force.sum()) - len(chosen),
        models=models,
        validations=validations,
        kept=next(model for model in models if model.name == name),
    )
