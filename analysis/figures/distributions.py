"""Figure: how the metrics of the plan are distributed, by site and limb, at the clearance visit."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from analysis.figures.style import GREY, LIMBS, SMALL_PT, WIDTH_IN, Look, new_figure, save
from analysis.labels import metric_label, sentence_case, unit_shown, words
from shared.blinding import mark_of
from shared.tables import read_table

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_PANELS_PER_ROW = 2
_PANEL_HEIGHT_IN = 2.2
# A smoothed shape of a handful of athletes would show bumps that are not there.
_ATHLETES_FOR_A_SHAPE = 15
_MOST_POINTS = 200
_GOLDEN = (np.sqrt(5) - 1) / 2


def values_at_clearance(
    summaries: pd.DataFrame, plan: dict[str, Any], clearance_visit: str, minimum_valid_trials: int
) -> pd.DataFrame:
    """Return one row per athlete's limb and metric of the plan, without any code of the athlete.

    Columns: metric, sensor, task, landing, unit, site, limb, value; sorted by value within groups,
    so that the order of rows tells nothing about who is who.
    """
    wanted = pd.DataFrame(
        [
            {key: item[key] for key in ("metric", "sensor", "task", "landing")}
            for item in [*plan["primary"], *plan["exploratory"]]
        ]
    ).drop_duplicates()
    wanted["panel"] = range(len(wanted))
    usable = (summaries["visit"] == clearance_visit) & (
        summaries["n_valid"] >= minimum_valid_trials
    )
    chosen = summaries.loc[usable].merge(wanted, on=["metric", "sensor", "task", "landing"])
    chosen = chosen.rename(columns={"mean": "value"}).dropna(subset=["value"])
    columns = ["panel", "metric", "sensor", "task", "landing", "unit", "site", "limb", "value"]
    return chosen.sort_values(columns, kind="stable", ignore_index=True)[columns]


def _jitter(count: int) -> np.ndarray:
    # Spread evenly and the same in every run; no random numbers needed.
    return (np.arange(1, count + 1) * _GOLDEN) % 1 - 0.5


def _draw_group(axes: Axes, values: np.ndarray, position: float, width: float, look: Look) -> None:
    if len(values) >= _ATHLETES_FOR_A_SHAPE and np.ptp(values) > 0:
        shape = axes.violinplot([values], [position], widths=width, showextrema=False)
        for body in shape["bodies"]:  # type: ignore[attr-defined]
            body.set(facecolor=look.colour, edgecolor=look.colour, alpha=0.25, hatch=look.hatch)
    if len(values) <= _MOST_POINTS:
        across = position + 0.5 * width * _jitter(len(values))
        axes.scatter(across, values, s=5, color=look.colour, marker=look.marker, alpha=0.45, lw=0)
    axes.boxplot(
        [values],
        positions=[position],
        widths=width * 0.22,
        showfliers=False,
        patch_artist=True,
        boxprops={"facecolor": "white", "edgecolor": "black", "linewidth": 0.9},
        medianprops={"color": "black", "linewidth": 1.6},
        whiskerprops={"linewidth": 0.9},
        capprops={"linewidth": 0},
        manage_ticks=False,
    )


def _draw_panel(axes: Axes, rows: pd.DataFrame, sites: dict[str, str]) -> None:
    limbs = [limb for limb in LIMBS if limb in set(rows["limb"])]
    width = 0.8 / max(len(limbs), 1)
    for number, site in enumerate(sites):
        for place, limb in enumerate(limbs):
            values = rows.loc[(rows["site"] == site) & (rows["limb"] == limb), "value"].to_numpy()
            position = number + (place - (len(limbs) - 1) / 2) * width
            if len(values):
                _draw_group(axes, values, position, width * 0.9, LIMBS[limb])
        if site not in set(rows["site"]):
            frame = ("data", "axes fraction")
            axes.annotate(
                "not measured", (number, 0.5), xycoords=frame, ha="center", va="center",
                fontsize=SMALL_PT, color=GREY,
            )  # fmt: skip
    first = rows.iloc[0]
    axes.set_title(sentence_case(metric_label(first["metric"])), fontsize=SMALL_PT + 0.5)
    axes.set_ylabel(unit_shown(first["unit"]))
    axes.set_xticks(range(len(sites)), list(sites.values()))
    axes.set_xlim(-0.5, len(sites) - 0.5)
    axes.grid(axis="y", color="#DDDDDD", lw=0.6)
    axes.set_axisbelow(True)


def distributions(values: pd.DataFrame, sites: dict[str, str]) -> Figure:
    """Return the figure; `sites` maps codes to labels in the order of drawing."""
    from matplotlib.lines import Line2D

    panels = [rows for _, rows in values.groupby("panel", sort=True)]
    rows_of_panels = -(-(len(panels) + 1) // _PANELS_PER_ROW)
    figure = new_figure(_PANEL_HEIGHT_IN * rows_of_panels, WIDTH_IN)
    grid = figure.subplots(rows_of_panels, _PANELS_PER_ROW, squeeze=False).ravel()
    for axes, rows in zip(grid, panels, strict=False):
        _draw_panel(axes, rows, sites)
    for axes in grid[len(panels) :]:
        axes.set_axis_off()
    shown = [limb for limb in LIMBS if limb in set(values["limb"])]
    handles = [
        Line2D(
            [], [], color=LIMBS[limb].colour, marker=LIMBS[limb].marker, ls="", label=words(limb)
        )
        for limb in shown
    ]
    grid[len(panels)].legend(
        handles=handles, loc="center left", title="One mark: mean of an athlete's valid trials"
    )
    return figure


def draw_distributions(
    *,
    summaries: Path,
    svg: Path,
    png: Path,
    data: Path,
    plan: dict[str, Any],
    study: dict[str, Any],
    minimum_valid_trials: int,
) -> None:
    """Step: draw the distributions of the metrics of the plan at the clearance visit."""
    values = values_at_clearance(
        read_table(summaries), plan, study["clearance_visit"], minimum_valid_trials
    )
    sites = {code: site["label"] for code, site in study["sites"].items()}
    figure = distributions(values, sites)
    save(figure, values.drop(columns="panel"), svg=svg, png=png, csv=data, mark=mark_of(study))
