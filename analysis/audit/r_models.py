"""A primary model as data for R: rows, values drawn for gaps, and what this study found."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Array = NDArray[np.float64]

PRINTED = (
    "coefficient",
    "standard_error",
    "df",
    "low",
    "high",
    "p",
    "missing_information",
    "step",
    "p_adjusted",
)
"""Numbers of a coefficient as the report shows them, on the scale of the model."""

TESTED = ("column", "term", "statistic", "p")
"""Columns of a table of tests."""


@dataclass(frozen=True)
class Found:
    """What this study found in one data set: coefficients and errors (p,), log-likelihood."""

    coefficients: Array
    errors: Array
    log_likelihood: float


@dataclass(frozen=True)
class ForR:
    """One model for R.

    Attributes
    ----------
    subject : words of its address, e.g. ("cox_primary", "graft_rupture")
    kind : cox or mixed
    table : rows of the model without identifiers; columns x1, x2 ... of the design; metrics of a
        Cox model in their own units, empty where they are missing
    drawn : columns data_set, row (from 1), column, value; no row where nothing was filled in
    settings : columns of models.csv beside name, kind and files
    names : terms, in the order of the columns
    fits : one per data set
    printed : columns column, term and `PRINTED`; one row per coefficient that the report shows
    tests : columns `TESTED`; tests of proportional hazards that the report shows
    reason : why the model is not compared; '' when it is
    """

    subject: tuple[str, ...]
    kind: str
    table: pd.DataFrame = field(default_factory=pd.DataFrame)
    drawn: pd.DataFrame = field(default_factory=pd.DataFrame)
    settings: Mapping[str, Any] = field(default_factory=dict)
    names: tuple[str, ...] = ()
    fits: tuple[Found, ...] = ()
    printed: pd.DataFrame = field(default_factory=pd.DataFrame)
    tests: pd.DataFrame = field(default_factory=pd.DataFrame)
    reason: str = ""

    @property
    def name(self) -> str:
        """The name of the model and of its file."""
        return "_".join(self.subject)


@dataclass(frozen=True)
class FamilyForR:
    """P-values adjusted together: method of R's `p.adjust`, planned size, or why not compared."""

    name: str
    method: str
    size: int
    reason: str = ""


def column_names(count: int) -> list[str]:
    """Return the names of the columns of a design: x1, x2 ..."""
    return [f"x{place}" for place in range(1, count + 1)]


def order_of(table: pd.DataFrame) -> NDArray[np.intp]:
    """Return an order of the rows that tells nothing of the athletes' names."""
    keys = table.reset_index(drop=True).sort_values(list(table.columns), kind="stable")
    return keys.index.to_numpy()


def printed_rows(
    estimates: pd.DataFrame, addresses: Sequence[str], names: Sequence[str], *, log: bool
) -> pd.DataFrame:
    """Return coefficients as the table of estimates holds them; empty where it holds none.

    Parameters
    ----------
    addresses, names
        Number id and term of each.
    log
        Whether the table holds their exponentials, as ratios.
    """
    rows = estimates.set_index("number_id").reindex(list(addresses))
    held = {
        "coefficient": "estimate",
        "standard_error": "se",
        "df": "df",
        "low": "ci_low",
        "high": "ci_high",
        "p": "p",
        "missing_information": "missing_information",
        "p_adjusted": "p_adjusted",
    }
    table = pd.DataFrame({"term": list(names)})
    for name, source in held.items():
        values = rows[source].to_numpy(dtype=float, na_value=np.nan)
        on_ratio = log and name in ("coefficient", "low", "high")
        table[name] = np.log(values) if on_ratio else values
    return table.assign(step=np.nan)
