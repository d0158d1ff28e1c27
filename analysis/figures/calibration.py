"""Figure: observed against predicted risk of the prediction in the group, smooth."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from analysis.figures.style import BLACK, BLUE, GREY, PALE, new_figure, save, say_not_drawn
from analysis.models.prediction_rows import CURVE
from shared.blinding import mark_in
from shared.tables import read_table

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_SIDE_IN = 3.6
_COLUMNS = ["number_id", "term", "statistic", "estimate", "ci_low", "ci_high"]


def curve_rows(estimates: pd.DataFrame, kind: str) -> pd.DataFrame:
    """Return the points of one kind of curve of the prediction, in order, by `series`."""
    rows = estimates.loc[
        (estimates["analysis"] == CURVE) & estimates["term"].str.startswith(f"{kind}.")
    ]
    rows = rows[_COLUMNS].sort_values("number_id", kind="stable", ignore_index=True)
    return rows.assign(series=rows["term"].str.split(".").str[1])


def calibration_figure(rows: pd.DataFrame) -> Figure:
    """Return the curve as corrected for optimism with its interval, and the apparent one."""
    if rows.empty:
        return say_not_drawn("No prediction was judged.")
    by_series = {name: part for name, part in rows.groupby("series", sort=True)}
    corrected, apparent = by_series["corrected"], by_series["apparent"]
    figure = new_figure(_SIDE_IN, _SIDE_IN * 1.35)
    axes = figure.subplots()
    predicted = 100 * corrected["statistic"].to_numpy(float)
    low, high = (
        (100 * corrected[name].to_numpy(float)).clip(0, 100) for name in ("ci_low", "ci_high")
    )
    axes.fill_between(predicted, low, high, color=PALE, lw=0, label="interval, corrected curve")
    top = 1.04 * max(float(high.max()), float(predicted.max()))
    axes.plot([0, top], [0, top], color=GREY, lw=0.9, ls=":", label="predicted as observed")
    axes.plot(
        100 * apparent["statistic"], 100 * apparent["estimate"], color=BLACK, ls=(0, (5, 2)),
        label="apparent",
    )  # fmt: skip
    axes.plot(predicted, 100 * corrected["estimate"], color=BLUE, lw=2, label="corrected")
    # The same scale on both axes, but only as wide as there are predictions.
    axes.set_xlim(0, 1.1 * float(predicted.max()))
    axes.set_ylim(0, top)
    axes.set_xlabel("Predicted risk by the horizon (%)")
    axes.set_ylabel("Observed risk by the horizon (%)")
    axes.legend(loc="upper left", handlelength=2.6)
    return figure


def draw_calibration(
    *, estimates: Path, svg: Path, png: Path, data: Path, plan: dict[str, Any]
) -> None:
    """Step: draw the calibration of the model with the landing metrics."""
    rows = curve_rows(read_table(estimates), "calibration")
    figure = calibration_figure(rows) if plan["prediction"] else say_not_asked()
    save(figure, rows.drop(columns="term"), svg=svg, png=png, csv=data, mark=mark_in(estimates))


def say_not_asked() -> Figure:
    """Return the figure of a plan that asks for no prediction."""
    return say_not_drawn("The plan asks for no prediction.")
