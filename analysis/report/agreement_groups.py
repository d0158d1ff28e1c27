"""What the agreement of the sensors was estimated for: pairs of sensors and groups of landings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from analysis.estimates import rows_of
from analysis.labels import metric_label, sentence_case, unit_shown, words
from analysis.models.agreement import CLIPPED_AS_READ
from analysis.report.ledger import Ledger
from analysis.report.numerals import style_with_precision_of
from shared.metric_dictionary import metrics

ANALYSIS = "agreement"
_FIRST = "bias"
_LIMB_ORDER = ("involved", "uninvolved", "both")
_GROUPINGS = ("all", CLIPPED_AS_READ, "site", "limb", "task")
_WHOLE = {"all": "All landings", CLIPPED_AS_READ: "With clipped values as read"}


@dataclass(frozen=True)
class AgreedGroup:
    """A pair of sensors in a group of landings; `base` is the address without the quantity."""

    base: str
    metric: str
    reference: str
    other: str
    grouping: str
    level: str
    unit: str

    def address(self, quantity: str) -> str:
        """Return the address of one of its numbers."""
        return f"{self.base}.{quantity}"

    @property
    def title(self) -> str:
        """The metric with its unit."""
        return f"{sentence_case(metric_label(self.metric))} ({unit_shown(self.unit)})"

    @property
    def sensors(self) -> str:
        """The difference in words."""
        return f"{words(self.other)} minus {words(self.reference)}"

    def label(self, study: Mapping[str, Any]) -> str:
        """Return the group of landings in words."""
        if self.grouping in _WHOLE:
            return _WHOLE[self.grouping]
        names = {"site": study["sites"], "task": study["tasks"]}.get(self.grouping, {})
        return sentence_case(names[self.level]["label"] if names else words(self.level))

    def style(self, ledger: Ledger) -> str:
        """Return the style that suits its differences: that of their standard deviation."""
        return style_with_precision_of(ledger.value(self.address("standard_deviation")))


def agreed_groups(estimates: pd.DataFrame, study: Mapping[str, Any]) -> list[AgreedGroup]:
    """Return all groups with an estimate: by metric, pair of sensors, then group of landings."""
    found = [_group(row) for row in rows_of(estimates, ANALYSIS, _FIRST).to_dict("records")]
    catalogue = list(metrics())
    levels = {
        "all": ["all"],
        CLIPPED_AS_READ: ["all"],
        "site": list(study["sites"]),
        "limb": list(_LIMB_ORDER),
        "task": list(study["tasks"]),
    }
    return sorted(
        found,
        key=lambda group: (
            catalogue.index(group.metric),
            group.reference,
            group.other,
            _GROUPINGS.index(group.grouping),
            levels[group.grouping].index(group.level),
        ),
    )


def _group(row: Mapping[Any, Any]) -> AgreedGroup:
    other, reference = row["outcome"].split(" minus ")
    grouping, _, level = row["term"].partition(".")
    base = row["number_id"].removesuffix(f".{_FIRST}")
    return AgreedGroup(base, row["metric"], reference, other, grouping, level or "all", row["unit"])


def spread_grows(group: AgreedGroup, ledger: Ledger) -> bool:
    """Tell whether the differences spread with the size, and limits of the ratio exist instead."""
    slope = group.address("spread_slope")
    grows = ledger.holds(slope) and ledger.value(slope, "ci_low") > 0
    return grows and ledger.holds(group.address("ratio_bias"))
