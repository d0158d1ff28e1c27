"""Names as the settings give them, for codes that stand in addresses and in reasons."""

from __future__ import annotations

import re

from analysis.labels import metric_label, words
from analysis.report.context import Context

_CODE = re.compile(r"\b[a-z][a-z0-9]*(?:_[a-z0-9]+)+\b")


def names_of(context: Context) -> dict[str, str]:
    """Return code -> name of the predictors, covariates, outcomes, tasks and sites of a study."""
    plan = context.plan
    return {
        **{code: task["label"] for code, task in context.study["tasks"].items()},
        **context.sites,
        **{code: outcome["label"] for code, outcome in plan["outcomes"].items()},
        **{item["column"]: item["label"] for item in plan["cox"]["covariates"]},
        **{item["name"]: item["label"] for item in context.predictors},
    }


def name_of(code: str, names: dict[str, str]) -> str:
    """Return the name of a code; what the settings do not name is a metric, or is spelled out."""
    if code in names:
        return names[code]
    label = metric_label(code)
    return words(code) if label == code else label


def readable(text: str, names: dict[str, str]) -> str:
    """Return a sentence of the analysis with the names of a study in place of its codes.

    A name with a comma stands in quotation marks, so that a list of names can be told apart.
    """

    def named(found: re.Match[str]) -> str:
        name = name_of(found[0], names)
        return f"\u201c{name}\u201d" if "," in name else name

    return _CODE.sub(named, text)
