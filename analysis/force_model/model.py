"""What every rung of the ladder of force models can do."""

from __future__ import annotations

from typing import Protocol

from analysis.force_model.inputs import Array, Inputs


class FittedForce(Protocol):
    """A trained model."""

    def predict(self, inputs: Inputs) -> Array:
        """Return (n,) estimated peak forces in body weights."""

    def prediction_error(self, inputs: Inputs) -> Array:
        """Return (n,) standard errors of the force of one landing of a new athlete, in BW."""


class ForceModel(Protocol):
    """A way to estimate force, not yet trained."""

    @property
    def name(self) -> str:
        """Name in settings, tables and model ids."""

    def fit(self, inputs: Inputs, force: Array) -> FittedForce:
        """Train on landings with measured `force` (n,), BW.

        Raises
        ------
        ModelRefusedError
            The landings cannot carry the model.
        """
