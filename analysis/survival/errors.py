"""Refusals of the survival estimators."""

from __future__ import annotations


class SurvivalDataError(ValueError):
    """The data cannot carry the analysis; the message names the column and the row."""


class NotIdentifiableError(SurvivalDataError):
    """A coefficient has no unique estimate (constant or collinear covariate)."""
