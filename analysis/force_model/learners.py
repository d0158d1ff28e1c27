"""The models without a formula: boosted trees and a small neural network, from a library.

One thread and a fixed seed: the same landings give the same bits.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from analysis.force_model.folds import athlete_folds
from analysis.force_model.inputs import Array, Inputs
from analysis.mixed import ModelRefusedError

INNER_FOLDS = 5
"""Folds of the training athletes that give the error of prediction; residuals would flatter."""

SMALLEST_TRAINING = 50
"""Fewer landings teach trees or a network nothing but noise (common practice, no source)."""

Maker = Callable[[], Any]


@dataclass(frozen=True)
class FittedLearner:
    """A trained regressor with its training landings, from which its error is found on demand."""

    regressor: Any
    make: Maker
    training: Inputs
    force: Array
    seed: int

    def predict(self, inputs: Inputs) -> Array:
        """Return (n,) forces in BW."""
        return _predict(self.regressor, inputs)

    def prediction_error(self, inputs: Inputs) -> Array:
        """Return (n,) standard errors: estimate times the relative error in left-out athletes.

        The relative error is a root mean square over inner folds of the training athletes.
        """
        folds = athlete_folds(self.training.athlete, INNER_FOLDS, self.seed)
        held = np.empty(len(self.training))
        for fold in np.unique(folds):
            out = folds == fold
            inner = _trained(self.make, self.training.at(~out), self.force[~out])
            held[out] = _predict(inner, self.training.at(out))
        relative = float(np.sqrt(np.mean((self.force / held - 1.0) ** 2)))
        return relative * self.predict(inputs)


def _trained(make: Maker, inputs: Inputs, force: Array) -> Any:
    from sklearn.exceptions import ConvergenceWarning
    from threadpoolctl import threadpool_limits

    regressor = make()
    with threadpool_limits(limits=1), warnings.catch_warnings():
        # The number of iterations is part of the network: stopping early is meant.
        warnings.simplefilter("ignore", ConvergenceWarning)
        regressor.fit(inputs.everything(), force)
    return regressor


def _predict(regressor: Any, inputs: Inputs) -> Array:
    from threadpoolctl import threadpool_limits

    with threadpool_limits(limits=1):
        return np.asarray(regressor.predict(inputs.everything()), dtype=float)


def _fitted(make: Maker, inputs: Inputs, force: Array, seed: int) -> FittedLearner:
    if len(inputs) < SMALLEST_TRAINING:
        raise ModelRefusedError(
            f"{len(inputs)} landings to learn from; at least {SMALLEST_TRAINING} are needed"
        )
    return FittedLearner(_trained(make, inputs, force), make, inputs, force, seed)


@dataclass(frozen=True)
class Boosting:
    """Gradient boosting of small trees on all waist metrics and the context."""

    trees: int
    learning_rate: float
    leaves: int
    landings_per_leaf: int
    seed: int
    name: str = "boosting"

    def fit(self, inputs: Inputs, force: Array) -> FittedLearner:
        """Train on squared error."""
        return _fitted(self._new, inputs, force, self.seed)

    def _new(self) -> Any:
        from sklearn.ensemble import HistGradientBoostingRegressor

        return HistGradientBoostingRegressor(
            max_iter=self.trees,
            learning_rate=self.learning_rate,
            max_leaf_nodes=self.leaves,
            min_samples_leaf=self.landings_per_leaf,
            early_stopping=False,
            random_state=self.seed,
        )


@dataclass(frozen=True)
class Network:
    """One hidden layer on all waist metrics and the context, standardised."""

    hidden_units: int
    penalty: float
    iterations: int
    seed: int
    name: str = "network"

    def fit(self, inputs: Inputs, force: Array) -> FittedLearner:
        """Train on penalised squared error."""
        return _fitted(self._new, inputs, force, self.seed)

    def _new(self) -> Any:
        from sklearn.compose import TransformedTargetRegressor
        from sklearn.neural_network import MLPRegressor
        from sklearn.pipeline import make_pipeline
        from sklearn.preprocessing import StandardScaler

        layer = MLPRegressor(
            hidden_layer_sizes=(self.hidden_units,),
            activation="tanh",
            solver="lbfgs",
            alpha=self.penalty,
            max_iter=self.iterations,
            random_state=self.seed,
        )
        network = make_pipeline(StandardScaler(), layer)
        return TransformedTargetRegressor(network, transformer=StandardScaler())
