"""What a force model sees of a set of landings: arrays, without any force."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]


@dataclass(frozen=True)
class Inputs:
    """Predictors of n landings.

    Attributes
    ----------
    peak : (n,) peak waist acceleration, g
    waist : (n, k) every waist metric that the landings have, in the units of the dictionary
    context : (n, c) task, limb, sex, body mass, impact speed; coded alike for all landings
    athlete : (n,) labels
    situation : (n,) labels; a model is never asked about one that it was not trained on
    waist_names, context_names : names of the columns
    """

    peak: Array
    waist: Array
    context: Array
    athlete: Array
    situation: Array
    waist_names: tuple[str, ...]
    context_names: tuple[str, ...]

    def at(self, rows: Array) -> Inputs:
        """Return the landings that `rows` chooses (a mask or positions)."""
        return Inputs(
            self.peak[rows],
            self.waist[rows],
            self.context[rows],
            self.athlete[rows],
            self.situation[rows],
            self.waist_names,
            self.context_names,
        )

    def __len__(self) -> int:
        return int(self.peak.size)

    def everything(self) -> Array:
        """Return all waist metrics and the context side by side, (n, k + c)."""
        return np.column_stack([self.waist, self.context])
