"""Summaries of an athlete's trials: mean, SD, median and how many trials stand behind them."""

from __future__ import annotations

import pandas as pd

from shared.metric_dictionary import metrics
from shared.schemas import schema_of

KEYS = ["athlete_id", "visit", "task", "limb", "side", "landing", "metric", "sensor"]


def summarise(values: pd.DataFrame) -> pd.DataFrame:
    """Summarise the valid trials of each athlete, visit, task, limb, side, landing and metric.

    The mean of the valid trials is the primary summary; the best trial never is, for a metric of
    impact has no best. A group without a valid trial keeps its row, with empty statistics, so that
    what was measured and what was usable stay countable. The SD has n - 1 in the denominator and
    is empty for one trial; the coefficient of variation also for a metric without a natural zero.

    Parameters
    ----------
    values
        The table `metrics`; different sensors are different rows and never pooled.

    Returns
    -------
    pd.DataFrame
        The table `summaries`, sorted by its key.
    """
    keys = [values[key].astype("category") for key in KEYS]
    valid = values["value"].where(values["valid"])
    groups = valid.groupby(keys, sort=True, observed=True)
    rows = values.groupby(keys, sort=True, observed=True)
    table = pd.DataFrame(
        {
            "mean": groups.mean(),
            "sd": groups.std(ddof=1),
            "cv": groups.std(ddof=1) / groups.mean(),
            "median": groups.median(),
            "minimum": groups.min(),
            "maximum": groups.max(),
            "n_valid": groups.count(),
            "n_total": groups.size(),
            "site": rows["site"].first(),
            "unit": rows["unit"].first(),
        }
    ).reset_index()
    on_ratio_scale = [name for name, metric in metrics().items() if metric.has_natural_zero]
    table["cv"] = table["cv"].where(table["metric"].isin(on_ratio_scale))
    for key in KEYS:
        table[key] = table[key].astype(values[key].dtype)
    return table[schema_of("summaries").names]
