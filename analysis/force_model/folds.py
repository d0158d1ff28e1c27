"""Folds of a cross-validation: whole athletes, or whole sites, are left out."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from analysis.force_model.inputs import Array


def athlete_folds(athlete: ArrayLike, folds: int, seed: int) -> Array:
    """Return (n,) fold numbers from 1; all landings of an athlete are in one fold.

    Athletes are dealt out in an order drawn by `seed`; with no more athletes than folds each
    athlete is a fold of its own.
    """
    labels, codes = np.unique(np.asarray(athlete), return_inverse=True)
    places = np.random.default_rng(seed).permutation(labels.size)
    numbers = np.empty(labels.size, dtype=int)
    numbers[places] = np.arange(labels.size) % folds + 1
    return numbers[codes]


def group_folds(group: ArrayLike) -> Array:
    """Return (n,) fold numbers from 1, one per level of `group` in sorted order."""
    return np.unique(np.asarray(group), return_inverse=True)[1] + 1
