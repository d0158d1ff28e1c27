"""The refusal of this package."""

from __future__ import annotations


class ImputationError(ValueError):
    """The values at hand cannot carry an imputation; the message says which variable and why."""
