"""The exclusions that follow from flags: landings, and values of otherwise good landings."""

from __future__ import annotations

from collections.abc import Collection

import pandas as pd

from pipeline.quality.explanations import explain
from pipeline.quality.flags import one_row_per_flag
from shared.schemas import schema_of

STEP = "extract"


def _rows(level: str, ids: pd.Series, flagged: pd.DataFrame) -> pd.DataFrame:
    table = pd.DataFrame(
        {
            "level": level,
            "id": ids,
            "site": flagged["site"],
            "step": STEP,
            "reason": flagged["flag"],
            "detail": flagged["flag"].map(explain),
        }
    )
    return table[schema_of("exclusions").names].astype("object")


def exclusions_of_values(
    landings: pd.DataFrame, metrics: pd.DataFrame, excluding: Collection[str]
) -> pd.DataFrame:
    """Return one row per landing and excluding flag, then per value and flag of its own.

    A flag that a value has from its landing is counted once, with the landing.
    """
    landing_flags = one_row_per_flag(landings, excluding)
    metric_flags = one_row_per_flag(metrics, excluding)
    seen = pd.MultiIndex.from_frame(landing_flags[["landing_id", "flag"]])
    own = metric_flags.loc[
        ~pd.MultiIndex.from_frame(metric_flags[["landing_id", "flag"]]).isin(seen)
    ].reset_index(drop=True)
    names = own["landing_id"] + "." + own["metric"] + "." + own["sensor"]
    return pd.concat(
        [_rows("landing", landing_flags["landing_id"], landing_flags), _rows("metric", names, own)],
        ignore_index=True,
    )
