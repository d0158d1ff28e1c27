"""Summaries of an athlete's trials: mean, SD, median and how many trials stand behind them."""

from __future__ import annotations

import pandas as pd

from shared.schemas import schema_of

KEYS = ["athlete_id", "visit", "task", "limb", "side", "landing", "metric", "sensor"]


def summarise(metrics: pd.DataFrame) -> pd.DataFrame:
    """Summarise the valid trials of each athlete, visit, task, limb, side, landing and metric.

    The mean of the valid trials is the primary summary; the best trial never is, for a metric of
    impact has no best. A group without a valid trial keeps its row, with empty statistics, so that
    what was measured and what was usable stay countable. The SD has n - 1 in the denominator and
    is empty for one trial.

    Parameters
    ----------
    metrics
        The table `metrics`; different sensors are different rows and never pooled.

    Returns
    -------
    pd.DataFrame
        The table `summaries`, sorted by its key.
    """
    keys = [metrics[key].astype("category") for key in KEYS]
    valid = metrics["value"].where(metrics["valid"])
    groups = valid.groupby(keys, sort=True, observed=True)
    rows = metrics.groupby(keys, sort=True, observed=True)
    table = pd.DataFrame(
        {
            "mean": groups.mean(),
            "sd": groups.std(ddof=1),
            "median": groups.median(),
            "minimum": groups.min(),
            "maximum": groups.max(),
            "n_valid": groups.count(),
            "n_total": groups.size(),
            "site": rows["site"].first(),
            "unit": rows["unit"].first(),
        }
    ).reset_index()
    for key in KEYS:
        table[key] = table[key].astype(metrics[key].dtype)
    return table[schema_of("summaries").names]
