"""No value may stand in the tables that its sensor cannot give.

Extraction asks the metric dictionary before it measures. This asks again, of the finished table: a
limb of a two-leg landing must never have a value from a unit at the waist, whatever the code does.
"""

from __future__ import annotations

import pandas as pd

from shared.metric_dictionary import Metric, kind_of_limb, metrics
from shared.tables import TableError

_WHERE = ["task", "landing", "side", "metric", "sensor"]


def _is_possible(
    metric: Metric | None, task: str, landing: int, side: str, sensor: str, trial_side: str
) -> bool:
    kind = kind_of_limb(trial_side, side)
    return metric is not None and metric.valid_for_limb(task, landing, sensor, kind)


def require_possible(values: pd.DataFrame) -> None:
    """Refuse a table `metrics` with a value that the dictionary does not allow for its landing.

    Raises
    ------
    TableError
        A metric, sensor, task, landing and limb that do not go together (a fault of the code).
    """
    # The name of a landing is that of its trial, with the side of the trial, and its own side.
    trial_side = values["landing_id"].str.rsplit(".", n=4).str[1]
    kinds = values[_WHERE].assign(trial_side=trial_side).drop_duplicates()
    for row in kinds.to_dict("records"):
        name = row.pop("metric")
        if not _is_possible(metrics().get(name), **row):
            raise TableError(
                f"table metrics: {name} by {row['sensor']} of the side {row['side']} in landing "
                f"{row['landing']} of a trial of {row['task']} ({row['trial_side']}) is not in the "
                "metric dictionary"
            )
