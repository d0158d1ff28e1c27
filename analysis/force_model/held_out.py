"""Estimates of landings by models that never saw their fold."""

from __future__ import annotations

import numpy as np

from analysis.force_model.inputs import Array, Inputs
from analysis.force_model.model import FittedForce, ForceModel
from analysis.mixed import ModelRefusedError


def fit_without(
    model: ForceModel, inputs: Inputs, force: Array, folds: Array, usable: Array, fold: int
) -> FittedForce:
    """Train on the usable landings (n,) outside `fold`."""
    train = usable & (folds != fold)
    if not train.any():
        raise ModelRefusedError("no landing is left to train on")
    return model.fit(inputs.at(train), force[train])


def held_out(model: ForceModel, inputs: Inputs, force: Array, folds: Array, usable: Array) -> Array:
    """Return (n,) estimates, each by a model that was trained on the other folds only.

    Parameters
    ----------
    force : (n,) measured force, BW
    folds : (n,) fold of each landing
    usable : (n,) whether a landing may train; the others are estimated but never learnt from

    A landing in a situation that the other folds do not have is not estimated (NaN).

    Raises
    ------
    ModelRefusedError
        A fold leaves too little to train on.
    """
    found = np.full(len(inputs), np.nan)
    for fold in np.unique(folds):
        fitted = fit_without(model, inputs, force, folds, usable, int(fold))
        train = usable & (folds != fold)
        known = np.isin(inputs.situation, np.unique(inputs.situation[train]))
        out = (folds == fold) & known
        if out.any():
            found[out] = fitted.predict(inputs.at(out))
    return found
