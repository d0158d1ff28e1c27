"""Small data sets, each with one thing wrong, for every estimator of time to event."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

ROWS = 60
TIED = 2000


@dataclass(frozen=True)
class Data:
    """Columns of a small cohort; cause 1 is the event, 2 a competing one, 0 censored."""

    covariates: np.ndarray
    names: tuple[str, ...]
    start: np.ndarray
    stop: np.ndarray
    cause: np.ndarray
    group: np.ndarray
    athlete: np.ndarray


def sound(rows: int = ROWS, athletes: int = 6) -> Data:
    """Return data with nothing wrong."""
    generator = np.random.default_rng(5)
    stop = np.ceil(generator.exponential(300.0, rows))
    cause = generator.choice([0, 1, 2], rows, p=[0.4, 0.35, 0.25])
    group = np.arange(rows) % 2
    return Data(
        covariates=np.column_stack([generator.normal(size=rows), group.astype(float)]),
        names=("age", "limb"),
        start=np.zeros(rows),
        stop=stop,
        cause=cause,
        group=group,
        athlete=np.arange(rows) % athletes,
    )


def _changed(values: np.ndarray, place: object, value: float) -> np.ndarray:
    values = values.astype(float)
    values[place] = value
    return values


def no_events() -> Data:
    return replace(sound(), cause=np.zeros(ROWS, dtype=int))


def one_event() -> Data:
    cause = np.zeros(ROWS, dtype=int)
    cause[np.argsort(sound().stop)[20]] = 1
    return replace(sound(), cause=cause)


def all_events_in_one_group() -> Data:
    return replace(sound(), cause=np.where(sound().group == 1, sound().cause, 0))


def constant_covariate() -> Data:
    covariates = _changed(sound().covariates, (slice(None), 1), 1.7)
    return replace(sound(), covariates=covariates, group=np.ones(ROWS, dtype=int))


def perfect_collinearity() -> Data:
    age, limb = sound().covariates.T
    covariates = np.column_stack([age, limb, age - 2 * limb])
    return replace(sound(), covariates=covariates, names=("age", "limb", "both"))


def negative_time() -> Data:
    return replace(sound(), stop=_changed(sound().stop, 7, -3.0))


def entry_after_exit() -> Data:
    return replace(sound(), start=_changed(sound().start, 4, sound().stop[4] + 2))


def infinite_covariate() -> Data:
    return replace(sound(), covariates=_changed(sound().covariates, (11, 0), np.inf))


def infinite_time() -> Data:
    return replace(sound(), stop=_changed(sound().stop, 11, np.inf))


def one_athlete() -> Data:
    data = sound()
    alone = {name: getattr(data, name)[:1] for name in ("covariates", "start", "stop", "group")}
    return Data(**alone, names=data.names, cause=np.array([1]), athlete=np.array([0]))


def one_row_per_athlete() -> Data:
    return replace(sound(), athlete=np.arange(ROWS))


def tied_times() -> Data:
    """2,000 events and competing events at one time, as many censored later."""
    data = sound(2 * TIED)
    place = np.arange(2 * TIED)
    return replace(
        data,
        stop=np.where(place < TIED, 5.0, 9.0),
        cause=np.where(place < TIED, 1 + place // 2 % 2, 0),
    )


BAD: dict[str, Callable[[], Data]] = {
    "no events": no_events,
    "one event": one_event,
    "all events in one group": all_events_in_one_group,
    "constant covariate": constant_covariate,
    "perfect collinearity": perfect_collinearity,
    "negative time": negative_time,
    "entry after exit": entry_after_exit,
    "infinite covariate": infinite_covariate,
    "infinite time": infinite_time,
    "one athlete": one_athlete,
    "one row per athlete": one_row_per_athlete,
    "2,000 tied times": tied_times,
}
