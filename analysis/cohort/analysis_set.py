"""What models take from the cohort: included athletes, times, events, complete rows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.cohort.outcomes import CAUSES

_REASONS = {
    "frozen": "",
    "not_frozen": "the plan is not frozen, so outcomes are not joined to metrics",
    "changed": "the plan was changed after it was frozen, so outcomes are not joined to metrics",
}

SECOND_INJURIES = ("graft_rupture", "contralateral_tear")
"""Causes that are second injuries, in the order of their numbers."""


def reason_not_to_run(freeze: Mapping[str, Any]) -> str:
    """Return why outcomes must not be analysed yet, '' under a frozen plan and in a blinded run."""
    return "" if freeze.get("blinded") else _REASONS[freeze["status"]]


def landmark_rows(cohort: pd.DataFrame) -> pd.DataFrame:
    """Return the athletes of the landmark cohort."""
    return cohort.loc[cohort["included"]].reset_index(drop=True)


def events_of(cohort: pd.DataFrame, events: Sequence[str]) -> NDArray[np.bool_]:
    """Return (n,) True where observation ended with one of the named events."""
    numbers = [CAUSES[event] for event in events]
    return cohort["cause"].isin(numbers).to_numpy()


@dataclass(frozen=True)
class CompleteRows:
    """Rows without missing values in the named columns, and how many were left out."""

    rows: pd.DataFrame
    dropped: int


def complete_rows(cohort: pd.DataFrame, columns: Sequence[str]) -> CompleteRows:
    """Return the rows of `cohort` that have a value in each of `columns`; '' is no value."""
    missing = is_missing(cohort, columns)
    return CompleteRows(cohort.loc[~missing].reset_index(drop=True), int(missing.sum()))


def is_missing(table: pd.DataFrame, columns: Sequence[str]) -> NDArray[np.bool_]:
    """Return (n,) True where any of `columns` is empty or ''."""
    empty = table[list(columns)].isna() | (table[list(columns)] == "")
    return np.asarray(empty.any(axis=1), dtype=bool)
