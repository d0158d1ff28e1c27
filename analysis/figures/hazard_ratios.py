"""Figure: hazard ratio per standard deviation of each metric, naive and corrected, by outcome."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from analysis.figures.forest_plot import LIMITS, Item, Key, Line, Panel, Section, forest, line_of
from analysis.figures.scales import ratio_scale
from analysis.figures.style import SERIES, save, say_not_drawn
from analysis.labels import sentence_case
from analysis.report.ledger import Exempt, Ledger
from shared.blinding import how_permuted_in, mark_in
from shared.tables import read_table, write_table

if TYPE_CHECKING:
    from matplotlib.figure import Figure

PLACE = "figure.hazard_ratios"
NAIVE = "naive"
CORRECTED = {"cox_calibrated_trial_error": "trial", "cox_calibrated_visit_error": "visit"}
"""Analysis -> which error its hazard ratios are corrected for."""

_DRAWN = {
    NAIVE: ("As measured, per standard deviation of the measured value", SERIES[0], True),
    "trial": (
        "Corrected for the error of trials, per standard deviation of the true value",
        SERIES[1],
        False,
    ),
    "visit": (
        "Corrected for the error of trials and visits, per standard deviation of the true value",
        SERIES[2],
        False,
    ),
}
"""Kind of estimate -> its words, its look, and whether its mark is filled."""


def hazard_rows(estimates: pd.DataFrame, plan: dict[str, Any]) -> pd.DataFrame:
    """Return the hazard ratios of the predictors of the plan, in the order of the plan.

    The column `kind` is new: naive, or corrected for the error of the `trial` or of the `visit`.
    """
    predictors = [item["name"] for item in [*plan["primary"], *plan["exploratory"]]]
    outcomes = list(dict.fromkeys([*plan["primary_outcomes"], *plan["outcomes"]]))
    models = estimates["analysis"].str.fullmatch("cox_(primary|secondary|exploratory)")
    rows = estimates.loc[
        (models | estimates["analysis"].isin(CORRECTED))
        & (estimates["quantity"] == "hazard_ratio")
        & estimates["term"].isin(predictors)
        & estimates["outcome"].isin(outcomes)
    ].copy()
    rows["kind"] = rows["analysis"].map(CORRECTED).fillna(NAIVE)
    orders = {"outcome": outcomes, "term": predictors, "kind": list(_DRAWN)}
    for column, order in orders.items():
        rows[f"{column}_order"] = rows[column].map(order.index)
    by = [f"{column}_order" for column in orders]
    return rows.sort_values(by, kind="stable", ignore_index=True).drop(columns=by)


def _line(row: pd.Series, ledger: Ledger) -> Line:
    _, look, filled = _DRAWN[row["kind"]]
    return line_of(ledger, row["number_id"], "ratio", look, filled)


def _panels(rows: pd.DataFrame, plan: dict[str, Any], ledger: Ledger) -> tuple[Panel, ...]:
    labels = {item["name"]: sentence_case(item["label"]) for item in plan["primary"]}
    labels |= {
        item["name"]: f"{sentence_case(item['label'])} (exploratory)"
        for item in plan["exploratory"]
    }
    panels = []
    for outcome, of_outcome in rows.groupby("outcome", sort=False):
        items = tuple(
            Item(labels[str(term)], tuple(_line(row, ledger) for _, row in of_term.iterrows()))
            for term, of_term in of_outcome.groupby("term", sort=False)
        )
        panels.append(Panel(sentence_case(plan["outcomes"][outcome]["label"]), items))
    return tuple(panels)


def hazard_ratio_figure(rows: pd.DataFrame, plan: dict[str, Any], ledger: Ledger) -> Figure:
    """Return the forest plot of the hazard ratios."""
    if rows.empty:
        return say_not_drawn("No hazard ratio was estimated.")
    values = rows[list(LIMITS)].to_numpy(dtype=float).ravel()
    scale = ratio_scale("Hazard ratio per standard deviation (log scale)", list(values))
    keys = [Key(*entry) for kind, entry in _DRAWN.items() if kind in set(rows["kind"])]
    level = Exempt(f"{100 * plan['confidence_level']:g} % interval", "setting")
    section = Section(_panels(rows, plan, ledger), scale, "Hazard\nratio")
    return forest([section], keys, level)


def draw_hazard_ratios(
    *, estimates: Path, svg: Path, png: Path, data: Path, numbers: Path, plan: dict[str, Any]
) -> None:
    """Step: draw the hazard ratios; `numbers` is the ledger of what the figure prints."""
    table = read_table(estimates)
    ledger = Ledger(table, PLACE)
    rows = hazard_rows(table, plan)
    save(
        hazard_ratio_figure(rows, plan, ledger),
        rows,
        svg=svg,
        png=png,
        csv=data,
        mark=mark_in(estimates),
    )
    write_table(ledger.table(), numbers, "ledger", outcomes=how_permuted_in([estimates]))
