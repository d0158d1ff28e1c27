"""Figure: involved against uninvolved limb, as ratios and as differences, by metric."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from analysis.figures.forest_plot import LIMITS, Item, Panel, Section, forest, line_of
from analysis.figures.scales import Scale, difference_scale, ratio_scale
from analysis.figures.style import LIMBS, save, say_not_drawn
from analysis.labels import metric_label, sentence_case, unit_shown, words
from analysis.report.ledger import Exempt, Ledger
from shared.blinding import how_permuted_in, mark_in
from shared.tables import read_table, write_table

if TYPE_CHECKING:
    from matplotlib.figure import Figure

PLACE = "figure.limb_differences"
RATIO, DIFFERENCE = "ratio", "mean_difference"
_LANDINGS = {"landing_2": ", second landing"}


def limb_rows(estimates: pd.DataFrame, plan: dict[str, Any]) -> pd.DataFrame:
    """Return the limb differences, metrics in the order of the plan; the column `landing` is new.

    `landing` is '' for the first landing, which goes without saying in the address.
    """
    metrics = plan["mixed"]["metrics"]
    rows = estimates.loc[
        (estimates["analysis"] == "limb_difference")
        & estimates["quantity"].isin([RATIO, DIFFERENCE])
        & estimates["metric"].isin(metrics)
    ].copy()
    rows["landing"] = rows["subject"].str.extract(r"\.(landing_\d+)$", expand=False).fillna("")
    rows["order"] = rows["metric"].map(metrics.index)
    order = ["order", "sensor", "task", "landing"]
    return rows.sort_values(order, kind="stable", ignore_index=True).drop(columns="order")


def situation(row: pd.Series, tasks: dict[str, str]) -> str:
    """Return in words in which task, landing and by which sensor a difference was measured."""
    landing = _LANDINGS.get(row["landing"], "")
    task = tasks.get(row["task"], words(row["task"]))
    return f"{sentence_case(task)}{landing}, {words(row['sensor'])}"


def style_of(row: pd.Series) -> str:
    """Return how the numbers of a row are written."""
    return "ratio" if row["quantity"] == RATIO else "one_decimal"


def _scale(rows: pd.DataFrame) -> tuple[Scale, str]:
    values = list(rows[list(LIMITS)].to_numpy(dtype=float).ravel())
    if rows["quantity"].iloc[0] == RATIO:
        return ratio_scale("Involved over uninvolved limb (ratio, log scale)", values), "Ratio"
    unit = unit_shown(rows["unit"].iloc[0])
    label = f"Involved minus uninvolved limb ({unit})"
    return difference_scale(label, values), "Difference"


def _panel(metric: str, rows: pd.DataFrame, tasks: dict[str, str], ledger: Ledger) -> Panel:
    look = LIMBS["involved"]
    items = tuple(
        Item(
            situation(row, tasks),
            (line_of(ledger, row["number_id"], style_of(row), look, filled=True),),
        )
        for _, row in rows.iterrows()
    )
    return Panel(sentence_case(metric_label(metric)), items)


def limb_figure(
    rows: pd.DataFrame, plan: dict[str, Any], tasks: dict[str, str], ledger: Ledger
) -> Figure:
    """Return the forest plot: ratios first, then differences, one axis per unit."""
    if rows.empty:
        return say_not_drawn("No limb difference was estimated.")
    sections = []
    for _, of_unit in rows.groupby(["quantity", "unit"], sort=False):
        panels = tuple(
            _panel(str(metric), of_metric, tasks, ledger)
            for metric, of_metric in of_unit.groupby("metric", sort=False)
        )
        sections.append(Section(panels, *_scale(of_unit)))
    level = Exempt(f"{100 * plan['confidence_level']:g} % interval", "setting")
    return forest(sections, [], level)


def draw_limb_differences(
    *,
    estimates: Path,
    svg: Path,
    png: Path,
    data: Path,
    numbers: Path,
    plan: dict[str, Any],
    study: dict[str, Any],
) -> None:
    """Step: draw the limb differences; `numbers` is the ledger of what the figure prints."""
    table = read_table(estimates)
    ledger = Ledger(table, PLACE)
    rows = limb_rows(table, plan)
    tasks = {code: task["label"] for code, task in study["tasks"].items()}
    save(
        limb_figure(rows, plan, tasks, ledger),
        rows,
        svg=svg,
        png=png,
        csv=data,
        mark=mark_in(estimates),
    )
    write_table(ledger.table(), numbers, "ledger", outcomes=how_permuted_in([estimates]))
