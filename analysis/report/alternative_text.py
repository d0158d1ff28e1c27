"""Words instead of a figure, for readers who do not see it: what is shown, and what it says.

No digits: the numbers stand, with their addresses, in the table beside the figure.
"""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

from analysis.figures.hazard_ratios import NAIVE, hazard_rows
from analysis.labels import words
from analysis.report.context import Context


def _side_of(row: pd.Series, reference: float, above: str, below: str) -> str:
    if pd.isna(row["ci_low"]) or pd.isna(row["ci_high"]):
        return "not estimated"
    if row["ci_low"] > reference:
        return above
    if row["ci_high"] < reference:
        return below
    return "no difference shown"


def _flow(_: Context) -> str:
    return (
        "Flow diagram. Boxes from top to bottom: enrolled athletes, with those left out and why; "
        "the landmark cohort, by site; those with every primary metric, and with each metric; and "
        "what ended observation. The same counts stand in the tables of exclusions and of the "
        "cohort."
    )


def _distributions(context: Context) -> str:
    labels = "; ".join(words(item["name"]) for item in context.predictors)
    return (
        "Violin and box plots, one panel per metric, each with the sites side by side and, within "
        f"a site, the involved and the uninvolved limb. Metrics: {labels}. Means and standard "
        "deviations stand in the table of the cohort."
    )


def _waveforms(_: Context) -> str:
    return (
        "Line plots, one row of panels per signal and one column per site, with a few example "
        "landings each, from shortly before initial contact to after the landing. Vertical lines "
        "mark initial contact and, where found, take-off and the lowest centre of mass."
    )


_INCIDENCE = {"restricted": "Step curves", "shareable": "Points at the times of the plan"}


def _incidence(context: Context) -> str:
    causes = " and ".join(words(name) for name in context.plan["primary_outcomes"])
    return (
        f"{_INCIDENCE[context.study['edition']]} of cumulative incidence over time since "
        f"clearance, for {causes}, each with its confidence interval, and the numbers at risk "
        "below. Values at the times of the plan stand in the table of cumulative incidence."
    )


def _hazard_ratios(context: Context) -> str:
    rows = hazard_rows(context.estimates, context.plan)
    naive = rows.loc[rows["kind"] == NAIVE]
    parts = [
        f"{context.plan['outcomes'][row['outcome']]['label']}, {words(row['term'])}: "
        f"{_side_of(row, 1.0, 'higher rate with higher values', 'lower rate with higher values')}"
        for _, row in naive.iterrows()
    ]
    return (
        "Forest plot of hazard ratios per standard deviation on a log axis, with intervals. "
        + "; ".join(parts)
        + ". The numbers stand in the table of hazard ratios."
    )


def _specifications(_: Context) -> str:
    return (
        "Grid of hazard ratios with intervals on log axes: one row of panels per injury, one panel "
        "per metric, and in each panel one line per choice of the analysis, the planned one first. "
        "The numbers stand in the table of other choices."
    )


def _limb_differences(_: Context) -> str:
    return (
        "Two forest plots of the involved against the uninvolved limb, by metric, with intervals: "
        "ratios around one, and differences around zero. The numbers stand in the table of limb "
        "differences."
    )


def _reliability(_: Context) -> str:
    return (
        "Line plots, one panel per metric and sensor and one line per task: reliability between "
        "visits rises with the number of trials averaged, steeply at first, then levels off at the "
        "ceiling that the variation from visit to visit sets. A band marks the trials of the "
        "protocol, with bars for intervals. The numbers stand in the table of reliability."
    )


def _agreement(_: Context) -> str:
    return (
        "Scatter plots, one panel per metric and pair of sensors: the difference of the sensors on "
        "the same landing, or their ratio where differences spread with the size, against their "
        "mean, with lines for bias and limits of agreement and bands for their intervals. Landings "
        "with a clipped value are crosses. The numbers stand in the tables of agreement."
    )


def _contact_lag(_: Context) -> str:
    return (
        "Histograms, one per task, of the time by which the waist unit sees the contact later than "
        "the force plate, with lines for bias and limits and bands for their intervals. The "
        "numbers stand in the table of the lag of contact."
    )


def _force_model(_: Context) -> str:
    return (
        "Scatter plots of the peak vertical force estimated from waist acceleration against the "
        "force by plate, one column per kind of landing, single-leg landings by limb; below, the "
        "errors with their bias and limits of agreement. The numbers stand in the tables of the "
        "model ladder."
    )


def _residual_analysis(_: Context) -> str:
    return (
        "Line plots, one panel per signal and device and one curve per task: what a low-pass takes "
        "away falls with its cut-off, steeply while that is signal, then along a line while it is "
        "noise alone. A vertical line marks the cut-off as set. The numbers stand in the table "
        "of cut-offs."
    )


def _calibration(_: Context) -> str:
    return (
        "Line plot of the risk observed by the horizon against the predicted risk: the apparent "
        "curve, the curve corrected for optimism with a shaded interval, and the diagonal of right "
        "predictions. Intercept and slope stand in the table of performance."
    )


def _decision_curve(_: Context) -> str:
    return (
        "Line plot of net benefit over a range of threshold risks, for acting by the reference "
        "model, by the model with landing metrics with a shaded interval, for everybody, and for "
        "nobody, which is zero. The data stand in the file beside the figure."
    )


def _planted(_: Context) -> str:
    return (
        "Forest plot: for each outcome and metric the planted hazard ratio as a cross and the one "
        "found with its interval. The numbers stand in the table of planted and found effects."
    )


_TEXTS: dict[str, Callable[[Context], str]] = {
    "flow": _flow,
    "distributions": _distributions,
    "waveforms": _waveforms,
    "incidence": _incidence,
    "hazard_ratios": _hazard_ratios,
    "specifications": _specifications,
    "limb_differences": _limb_differences,
    "reliability": _reliability,
    "agreement": _agreement,
    "contact_lag": _contact_lag,
    "force_model": _force_model,
    "residual_analysis": _residual_analysis,
    "calibration": _calibration,
    "decision_curve": _decision_curve,
    "planted": _planted,
}


def alternative_text(figure: str, context: Context) -> str:
    """Return the alternative text of a figure; `waveforms_<task>` shares one text."""
    kind = "waveforms" if figure.startswith("waveforms") else figure
    return _TEXTS[kind](context)
