"""Which analyses were pre-specified and which are exploratory, as their estimates say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from analysis.labels import ANALYSES, analysis_words
from analysis.report.ledger import Exempt

_STANDINGS = {
    "primary": (
        "Primary",
        "pre-specified: the question of the study, for the primary metrics and outcomes of the "
        "plan",
    ),
    "secondary": (
        "Secondary",
        "pre-specified: run in every study with the choices of the plan, to support, correct or "
        "test the primary results",
    ),
    "exploratory": ("Exploratory", "to suggest what to study next, never to judge by"),
    "descriptive": (
        "Descriptive",
        "descriptions, counts, quality and checks: they describe or verify, and test no question",
    ),
}
"""Family of estimates, the most binding first -> heading and meaning."""


@dataclass(frozen=True)
class Standing:
    """The analyses of one standing, in the order of the report."""

    heading: str
    meaning: str
    analyses: list[Exempt]


def standings(estimates: pd.DataFrame) -> list[Standing]:
    """Return the analyses by standing; one that has rows of several counts as the most binding.

    A model's covariates are descriptive rows of it, for example.

    Raises
    ------
    ValueError
        An estimate is of no known family.
    """
    if unknown := sorted(set(estimates["family"]) - set(_STANDINGS)):
        raise ValueError(f"estimates of unknown families: {unknown}")
    order, known = list(_STANDINGS), list(ANALYSES)
    ranks = estimates["family"].map(order.index).groupby(estimates["analysis"]).min()

    def place(analysis: str) -> tuple[int, str]:
        return (known.index(analysis) if analysis in known else len(known)), analysis

    found = []
    for rank, family in enumerate(order):
        names: Sequence[str] = sorted(ranks.index[ranks == rank], key=place)
        words = dict.fromkeys(analysis_words(name) for name in names)
        if words:
            heading, meaning = _STANDINGS[family]
            found.append(Standing(heading, meaning, [Exempt(word, "name") for word in words]))
    return found
