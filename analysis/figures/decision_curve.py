"""Figure: net benefit of the prediction over the threshold risks of the plan."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from analysis.figures.calibration import curve_rows, say_not_asked
from analysis.figures.style import BLACK, BLUE, GREY, VERMILION, new_figure, save, say_not_drawn
from analysis.prediction.added_value import ACT_FOR_ALL, REFERENCE, WITH_METRICS
from shared.blinding import mark_in
from shared.tables import read_table

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_HEIGHT_IN = 3.2
_WIDTH_IN = 5.2
_SERIES: dict[str, tuple[str, dict[str, Any]]] = {
    ACT_FOR_ALL: ("for all", {"color": GREY, "ls": ":"}),
    REFERENCE: ("by the reference model", {"color": VERMILION, "ls": "--", "marker": "s", "ms": 4}),
    WITH_METRICS: ("by the model with landing metrics", {"color": BLUE, "marker": "o", "ms": 4}),
}


def decision_figure(rows: pd.DataFrame) -> Figure:
    """Return the net benefit of both models and of acting for all; acting for none is zero."""
    if rows.empty:
        return say_not_drawn("No prediction was judged.")
    figure = new_figure(_HEIGHT_IN, _WIDTH_IN)
    axes = figure.subplots()
    axes.axhline(0, color=BLACK, lw=0.9, label="for none")
    for series, (label, look) in _SERIES.items():
        part = rows.loc[rows["series"] == series]
        axes.plot(100 * part["statistic"], part["estimate"], label=label, **look)
        if series == WITH_METRICS:
            axes.fill_between(
                100 * part["statistic"].to_numpy(float), part["ci_low"].to_numpy(float),
                part["ci_high"].to_numpy(float), color=BLUE, alpha=0.15, lw=0,
                label="its interval",
            )  # fmt: skip
    shown = rows.loc[rows["series"].isin([REFERENCE, WITH_METRICS])]
    top, bottom = float(shown["ci_high"].max()), float(shown["ci_low"].min())
    # Acting for all falls without bound; it is cut where it no longer competes.
    axes.set_ylim(bottom - 0.15 * (top - bottom), top + 0.05 * (top - bottom))
    axes.set_xlabel("Threshold risk by the horizon (%)")
    axes.set_ylabel("Net benefit per athlete")
    axes.legend(loc="upper right", handlelength=2.6)
    return figure


def draw_decision_curve(
    *, estimates: Path, svg: Path, png: Path, data: Path, plan: dict[str, Any]
) -> None:
    """Step: draw the net benefit over the thresholds of the plan."""
    rows = curve_rows(read_table(estimates), "decision")
    figure = decision_figure(rows) if plan["prediction"] else say_not_asked()
    save(figure, rows.drop(columns="term"), svg=svg, png=png, csv=data, mark=mark_in(estimates))
