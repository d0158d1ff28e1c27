"""What tables and sections read: the estimates and the settings they came from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pandas as pd

from analysis.labels import sentence_case
from analysis.report.numerals import NO_BREAK_SPACE


@dataclass(frozen=True)
class Context:
    """The table of estimates and the three settings, as plain data."""

    estimates: pd.DataFrame
    study: dict[str, Any]
    processing: dict[str, Any]
    plan: dict[str, Any]

    @property
    def sites(self) -> dict[str, str]:
        """Code -> label of each site, in the order of the settings."""
        return {code: site["label"] for code, site in self.study["sites"].items()}

    @property
    def predictors(self) -> list[dict[str, Any]]:
        """The primary, then the exploratory predictors of the plan."""
        return [*self.plan["primary"], *self.plan["exploratory"]]

    @property
    def confidence_level(self) -> str:
        """The level of intervals, as text."""
        return f"{100 * self.plan['confidence_level']:g}{NO_BREAK_SPACE}%"

    @property
    def power(self) -> str:
        """The power behind detectable hazard ratios, as text."""
        return f"{100 * self.plan['power']:g}{NO_BREAK_SPACE}%"

    def outcome_label(self, outcome: str) -> str:
        """The label of an outcome of the plan, as a heading."""
        return sentence_case(self.plan["outcomes"][outcome]["label"])
