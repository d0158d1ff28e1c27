"""The landmark cohort as models read it: as measured, and with every gap of its predictors filled.

Gaps are filled once per study (`analysis.models.impute_cohort`); models that read the same file see
the same completed data sets.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from analysis.cohort.analysis_set import landmark_rows
from analysis.estimates import EstimateFields
from analysis.imputation.chained import Completed
from analysis.models.imputed_cohort import Gaps
from shared.tables import read_table

GAPS = "imputation"
"""Analysis that counts the gaps and says why they were not filled in."""

FILLED_IN = "filled in"
COMPLETE_CASES = "complete cases"
NOTHING = "nothing to fill in"
"""Words of the column `missing_data`."""

NOTHING_MISSING = (
    f"{NOTHING}: no athlete of the cohort lacks a primary metric, and none was clipped"
)


def filled_values(gaps: Gaps, completed: Sequence[Completed]) -> pd.DataFrame:
    """Return the table `filled_values`: what was drawn for each gap in each data set."""
    parts = []
    kinds = {"missing": gaps.data.is_missing, "clipped": gaps.data.is_bounded}
    ids = gaps.rows["athlete_id"].to_numpy()
    for number, each in enumerate(completed, start=1):
        own = gaps.on_own_scale(each.values)
        for place, name in enumerate(gaps.names):
            for kind, gap in kinds.items():
                chosen = gap[:, place]
                part = {"athlete_id": ids[chosen], "value": own[chosen, place]}
                parts.append(pd.DataFrame(part).assign(data_set=number, predictor=name, kind=kind))
    table = pd.concat(parts, ignore_index=True)
    columns = ["data_set", "athlete_id", "predictor", "value", "kind"]
    return table[columns].sort_values(columns[:3], kind="stable", ignore_index=True)


@dataclass(frozen=True)
class FilledCohort:
    """The landmark cohort, and what was drawn for its gaps.

    Attributes
    ----------
    measured : athletes of the landmark cohort, predictors as measured
    filled : rows of the table `filled_values`; none where nothing was filled in
    reason : why nothing was filled in, '' where something was
    """

    measured: pd.DataFrame
    filled: pd.DataFrame
    reason: str

    @property
    def data_sets(self) -> int:
        """Number of completed data sets."""
        return int(self.filled["data_set"].nunique())

    @property
    def has_gaps(self) -> bool:
        """Whether there is something to fill in, filled or not."""
        return self.reason != NOTHING_MISSING

    @property
    def words_of_complete_cases(self) -> str:
        """What to say of the rows of a model of complete cases."""
        return COMPLETE_CASES if self.has_gaps else NOTHING

    def with_rows(self, rows: pd.DataFrame) -> FilledCohort:
        """Return other rows of the same athletes, or of some of them, with the same values drawn.

        Parameters
        ----------
        rows
            Their predictors are those measured; follow-up, causes and covariates may differ.
        """
        drawn = self.filled.loc[self.filled["athlete_id"].isin(rows["athlete_id"])]
        return FilledCohort(rows, drawn, self.reason)

    def completed(self) -> Iterator[pd.DataFrame]:
        """Yield the cohort with each completed data set; recorded values stay as they are."""
        for _, drawn in self.filled.groupby("data_set", sort=True):
            yield self._with(drawn)

    def shifted(self, name: str, shift_sd: float, *, is_log: bool) -> Iterator[pd.DataFrame]:
        """Yield each completed data set with the missing values of a predictor moved.

        What is missing may differ from what the imputation model expects in a way that no data can
        show; the shift says by how much. Values bounded from below stay: why they are cut off is
        known. Source: Little 1993, J Am Stat Assoc 88:125 (pattern mixtures); Rubin 1987, section
        6.2 (shift; by memory).

        Parameters
        ----------
        shift_sd
            In standard deviations (n - 1) of the values that are neither missing nor clipped, on
            the scale of the imputation model, which is the logarithm if `is_log`.
        """
        moved = (self.filled["predictor"] == name) & (self.filled["kind"] == "missing")
        gaps = self.filled.loc[self.filled["predictor"] == name, "athlete_id"]
        observed = self.measured.loc[~self.measured["athlete_id"].isin(gaps), name].dropna()
        step = shift_sd * float((np.log(observed) if is_log else observed).std(ddof=1))
        values = self.filled["value"].to_numpy(float)
        away = values * np.exp(step) if is_log else values + step
        drawn = self.filled.assign(value=np.where(moved, away, values))
        return FilledCohort(self.measured, drawn, self.reason).completed()

    def counts(self, rows: pd.DataFrame) -> EstimateFields:
        """Return how many of the athletes of a model have a gap of each kind that was filled."""
        in_model = self.filled["athlete_id"].isin(rows["athlete_id"])
        gaps = self.filled.loc[in_model].groupby("kind")["athlete_id"].nunique()
        return {
            "n_filled": int(gaps.get("missing", 0)),
            "n_clipped": int(gaps.get("clipped", 0)),
        }

    def _with(self, drawn: pd.DataFrame) -> pd.DataFrame:
        places = pd.Index(self.measured["athlete_id"])
        columns = {}
        for name, of_predictor in drawn.groupby("predictor", sort=True):
            column = self.measured[name].to_numpy(dtype=float, copy=True)
            column[places.get_indexer(of_predictor["athlete_id"])] = of_predictor["value"]
            columns[str(name)] = column
        return self.measured.assign(**columns)


def reason_in(estimates: pd.DataFrame) -> str:
    """Return why nothing was filled in, from the rows of the analysis `imputation`, else ''."""
    refused = estimates.loc[
        (estimates["analysis"] == GAPS) & (estimates["quantity"] == "not_run"), "note"
    ]
    return "" if refused.empty else str(refused.iloc[0])


def read_filled_cohort(cohort: Path, filled: Path, imputation: Path) -> FilledCohort:
    """Read the cohort, what was filled in, and the estimates that say why nothing was."""
    rows = landmark_rows(read_table(cohort))
    return FilledCohort(rows, read_table(filled), reason_in(read_table(imputation)))


def is_log(plan: Mapping[str, Any], name: str) -> bool:
    """Tell whether a primary predictor is filled in on the scale of logarithms."""
    metric = {predictor["name"]: predictor["metric"] for predictor in plan["primary"]}[name]
    return metric in plan["imputation"]["log_scale"]
