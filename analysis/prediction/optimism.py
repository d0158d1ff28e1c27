"""Optimism of a model that is judged in the group it was built in, by Harrell's bootstrap.

The whole model building is repeated in each resample; the optimism is the mean of the performance
in the resample minus that of the same model in the original group. A property of a model in a
group.

Where events are few the correction does not take all optimism away: with five predictors of pure
noise and 15 events the apparent C is about 0.66 and the corrected 0.55, not 0.50. Always show the
permutation null beside it: what the same building finds when outcomes are shuffled.

Sources: Harrell, Lee & Mark 1996; Efron 1983; interval: Noma, Shinozaki, Iba et al. 2021
(location-shifted bootstrap, from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.prediction.model_building import (
    Builder,
    Judge,
    Measure,
    clusters_of,
    judge_of,
    performance,
)
from analysis.survival.checks import Floats, Integers, confidence_level
from analysis.survival.errors import SurvivalDataError


@dataclass(frozen=True)
class Optimism:
    """One measure, corrected.

    Attributes
    ----------
    apparent : in the group that the model was built in
    optimism, corrected : mean over resamples; apparent - optimism
    lower, upper : percentiles of the resamples' own performance, shifted by the optimism; they
        show sampling of the group, and are too narrow when models are refitted to few events
    monte_carlo_error : of the optimism, from the finite number of resamples
    resamples, failed : those that counted, and those in which the building or a measure was
        refused
    """

    apparent: float
    optimism: float
    corrected: float
    lower: float
    upper: float
    level: float
    monte_carlo_error: float
    resamples: int
    failed: int


@dataclass(frozen=True)
class PermutationNull:
    """Apparent performance of the same building with shuffled outcomes.

    ``p_value`` is (1 + permutations at least as high) / (1 + permutations): higher must be better.
    """

    apparent: float
    mean: float
    lower: float
    upper: float
    level: float
    p_value: float
    permutations: int
    failed: int


def optimism_bootstrap(
    rows: int,
    build: Builder,
    measures: Mapping[str, Measure] | Judge,
    *,
    resamples: int,
    seed: int,
    groups: NDArray | None = None,
    level: float = 0.95,
    largest_failed_share: float = 0.1,
) -> dict[str, Optimism]:
    """Return apparent, optimism and corrected performance, by measure.

    Parameters
    ----------
    rows : number of rows of the group
    build, measures : see `model_building`; all measures are taken of the same resamples. Of two
        models built together, a measure may be the difference: its interval is then paired
    resamples, seed : 200 or more; the same seed gives the same result
    groups : (rows,) labels, e.g. the athlete of each knee; whole clusters are then drawn
    largest_failed_share : of resamples; above it the result is refused

    Raises
    ------
    SurvivalDataError : the model cannot be built in the group itself, or in too many resamples
    """
    _enough(resamples, "resamples")
    everyone = np.arange(rows, dtype=np.intp)
    clusters = clusters_of(groups, rows)
    judge = measures if callable(measures) else judge_of(measures)
    at_first = performance(build(everyone, everyone), judge, everyone, everyone)
    names, apparent = tuple(at_first), np.array(list(at_first.values()))
    generator = np.random.default_rng(seed)
    in_resample, in_group, reasons = [], [], []
    for _ in range(resamples):
        drawn = _draw(generator, clusters)
        try:
            model = build(drawn, drawn)
            own = performance(model, judge, drawn, drawn)
            original = performance(model, judge, everyone, everyone)
        except SurvivalDataError as error:
            reasons.append(str(error))
            continue
        in_resample.append([own[name] for name in names])
        in_group.append([original[name] for name in names])
    _refuse_many_failures(reasons, resamples, largest_failed_share, "resamples")
    own_values, differences = np.array(in_resample), np.array(in_resample) - np.array(in_group)
    optimism = differences.mean(axis=0)
    lower, upper = _limits(own_values, level)
    monte_carlo = differences.std(axis=0, ddof=1) / np.sqrt(len(differences))
    return {
        name: Optimism(
            apparent=float(apparent[k]),
            optimism=float(optimism[k]),
            corrected=float(apparent[k] - optimism[k]),
            lower=float(lower[k] - optimism[k]),
            upper=float(upper[k] - optimism[k]),
            level=level,
            monte_carlo_error=float(monte_carlo[k]),
            resamples=len(differences),
            failed=len(reasons),
        )
        for k, name in enumerate(names)
    }


def permutation_null(
    rows: int,
    build: Builder,
    measures: Mapping[str, Measure] | Judge,
    *,
    permutations: int,
    seed: int,
    level: float = 0.95,
    largest_failed_share: float = 0.1,
) -> dict[str, PermutationNull]:
    """Return what the building finds when the rows' outcomes are shuffled, by measure.

    Arguments and refusals as for :func:`optimism_bootstrap`; rows must be exchangeable (one per
    athlete).
    """
    _enough(permutations, "permutations")
    everyone = np.arange(rows, dtype=np.intp)
    clusters_of(None, rows)
    judge = measures if callable(measures) else judge_of(measures)
    at_first = performance(build(everyone, everyone), judge, everyone, everyone)
    names, apparent = tuple(at_first), np.array(list(at_first.values()))
    generator = np.random.default_rng(seed)
    found, reasons = [], []
    for _ in range(permutations):
        shuffled = generator.permutation(everyone)
        try:
            model = build(everyone, shuffled)
            values = performance(model, judge, everyone, shuffled)
            found.append([values[name] for name in names])
        except SurvivalDataError as error:
            reasons.append(str(error))
    _refuse_many_failures(reasons, permutations, largest_failed_share, "permutations")
    drawn = np.array(found)
    lower, upper = _limits(drawn, level)
    as_high = (drawn >= apparent).sum(axis=0)
    return {
        name: PermutationNull(
            apparent=float(apparent[k]),
            mean=float(drawn[:, k].mean()),
            lower=float(lower[k]),
            upper=float(upper[k]),
            level=level,
            p_value=float((1 + as_high[k]) / (1 + len(drawn))),
            permutations=len(drawn),
            failed=len(reasons),
        )
        for k, name in enumerate(names)
    }


def _draw(generator: np.random.Generator, clusters: list[Integers]) -> Integers:
    chosen = generator.integers(len(clusters), size=len(clusters))
    return np.concatenate([clusters[k] for k in chosen])


def _limits(values: Floats, level: float) -> tuple[Floats, Floats]:
    tail = (1 - confidence_level(level)) / 2
    lower, upper = np.quantile(values, [tail, 1 - tail], axis=0)
    return lower, upper


def _enough(repetitions: int, name: str) -> None:
    if repetitions < 2:
        raise SurvivalDataError(f"{name}: expected at least 2, found {repetitions}")


def _refuse_many_failures(
    reasons: list[str], repetitions: int, largest_share: float, name: str
) -> None:
    if len(reasons) > largest_share * repetitions or repetitions - len(reasons) < 2:
        raise SurvivalDataError(
            f"{name}: the model could not be built or judged in {len(reasons)} of {repetitions} "
            f"(at most a share of {largest_share:g} may fail); the first reason was: {reasons[0]}"
        )
