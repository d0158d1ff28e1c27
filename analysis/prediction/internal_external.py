"""Internal-external validation: build without one site, judge at that site, for each site.

Performance is given per site and not pooled: with a handful of sites their spread is the message.
A property of a model in each group.

Sources: Royston, Parmar & Sylvester 2004; Steyerberg & Harrell 2016.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.prediction.model_building import (
    Builder,
    Measure,
    clusters_of,
    judge_of,
    performance,
)
from analysis.survival.errors import SurvivalDataError


@dataclass(frozen=True)
class SitePerformance:
    """Performance at one site of a model built at the others.

    Attributes
    ----------
    values : by measure; a measure that could not be taken is missing here
    refused : why, by measure; all measures when the model could not be built without the site
    """

    site: object
    rows: int
    rows_elsewhere: int
    values: Mapping[str, float]
    refused: Mapping[str, str]


def leave_site_out(
    sites: ArrayLike, build: Builder, measures: Mapping[str, Measure]
) -> tuple[SitePerformance, ...]:
    """Return the performance at each site, in the order of the labels.

    Parameters
    ----------
    sites : (n,) label of each row
    build, measures : see `model_building`

    Raises
    ------
    SurvivalDataError : fewer than two sites, or a missing label
    """
    labels = np.asarray(sites)
    clusters = clusters_of(labels, labels.size)
    everyone = np.arange(labels.size, dtype=np.intp)
    results = []
    for here in clusters:
        elsewhere = np.setdiff1d(everyone, here)
        values: dict[str, float] = {}
        refused: dict[str, str] = {}
        try:
            predict = build(elsewhere, elsewhere)
        except SurvivalDataError as error:
            refused = dict.fromkeys(measures, f"not built without this site: {error}")
        else:
            for name, measure in measures.items():
                try:
                    alone = judge_of({name: measure})
                    values[name] = performance(predict, alone, here, here)[name]
                except SurvivalDataError as error:
                    refused[name] = str(error)
        results.append(
            SitePerformance(labels[here[0]].item(), here.size, elsewhere.size, values, refused)
        )
    return tuple(results)
