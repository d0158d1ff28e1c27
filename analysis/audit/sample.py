"""Which landings are derived a second time: a seeded share of each site's landings."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd


def draw(landings: pd.DataFrame, share: float, fewest: int, seed: int) -> list[str]:
    """Return the ids of the drawn landings, sorted.

    Each site gives its share, rounded up, so that no site and none of its devices is left out; a
    small study gives more, until `fewest` are drawn. The order of the rows does not matter.

    Parameters
    ----------
    landings
        Columns landing_id and site, one row per landing.
    """
    ordered = landings.sort_values("landing_id", kind="stable")
    wanted = max(share, min(fewest / max(len(ordered), 1), 1.0))
    generator = np.random.default_rng(seed)
    drawn: list[str] = []
    for _, group in ordered.groupby("site", sort=True):
        number = min(math.ceil(wanted * len(group) - 1e-9), len(group))
        drawn += generator.choice(group["landing_id"].to_numpy(), number, replace=False).tolist()
    return sorted(str(name) for name in drawn)
