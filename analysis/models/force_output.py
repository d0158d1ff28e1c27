"""The tables of estimated forces: one to use, without any measured force, and one to judge."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from analysis.force_model.held_out import fit_without
from analysis.force_model.identity import model_id
from analysis.force_model.inputs import Array
from analysis.force_model.landings import KEYS, inputs_of, refuse_per_limb, situations
from analysis.models.force_ladder import Ladder, estimable

NO_FOLD = 0
"""Fold of an athlete without any landing that could train: the model saw all other athletes."""

JUDGED = ["landing_id", "athlete_id", "site", "visit", "task", "limb", "landing"]


def _folds_of(rows: pd.DataFrame, ladder: Ladder) -> Array:
    trained = dict(zip(ladder.inputs.athlete, ladder.validations[0].folds, strict=True))
    return np.array([trained.get(athlete, NO_FOLD) for athlete in rows["athlete_id"]], dtype=int)


def estimated_forces(
    rows: pd.DataFrame, ladder: Ladder, settings: Mapping[str, Any], tasks: Mapping[str, Any]
) -> pd.DataFrame:
    """Return the table `force_estimates` of one scope, sites without plates included.

    Parameters
    ----------
    rows : rows of `force_landings`, with or without force
    tasks : `tasks` of study.yaml
    """
    known = np.isin(situations(rows), np.unique(ladder.inputs.situation[ladder.usable]))
    chosen = rows.loc[estimable(rows) & known].reset_index(drop=True)
    refuse_per_limb(chosen, tasks)
    inputs, folds = inputs_of(chosen, ladder.levels), _folds_of(chosen, ladder)
    found, errors = np.empty(len(chosen)), np.empty(len(chosen))
    ids = np.empty(len(chosen), dtype=object)
    own = ladder.validations[0].folds
    for fold in np.unique(folds):
        out = folds == fold
        train = ladder.usable & (own != fold)
        fitted = fit_without(
            ladder.kept, ladder.inputs, ladder.force, own, ladder.usable, int(fold)
        )
        found[out] = fitted.predict(inputs.at(out))
        errors[out] = fitted.prediction_error(inputs.at(out))
        ids[out] = model_id(
            ladder.kept.name,
            ladder.scope.name,
            settings,
            ladder.inputs.at(train),
            ladder.force[train],
        )
    table = chosen[KEYS].copy()
    table["model_id"] = ids
    table["fold"] = folds
    table["vgrf_estimated_bw"] = found
    table["vgrf_estimated_se_bw"] = errors
    table["censoring"] = np.where(chosen["clipped"], "right", "none")
    return table


def held_out_forces(ladder: Ladder) -> pd.DataFrame:
    """Return the table `force_held_out` of one scope: every model under every validation."""
    parts = []
    for validation in ladder.validations:
        for name, estimated in validation.estimated.items():
            part = ladder.rows[JUDGED].copy()
            part["scope"] = ladder.scope.name
            part["validation"] = validation.name
            part["model"] = name
            part["kept"] = name == ladder.kept.name
            part["censoring"] = np.where(ladder.rows["clipped"], "right", "none")
            part["vgrf_held_out_bw"] = estimated
            part["vgrf_measured_bw"] = ladder.force
            parts.append(part)
    return pd.concat(parts, ignore_index=True)
