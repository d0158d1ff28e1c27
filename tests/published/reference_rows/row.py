"""One row of the check values, which remembers which of its numbers have been compared."""

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

DEMANDED = 1e-6
"""Relative tolerance demanded of deterministic numbers."""

Place = tuple[str | int, ...]


class ReferenceRow:
    """Numbers of one row; each must be compared, or left out with a reason."""

    def __init__(self, values: Any) -> None:
        self.values = values
        self._open = set(_numbers(values, ()))

    def at(self, path: str) -> Any:
        """Return what stands at a path such as ``fit/coef/age``; list places are numbers."""
        return _walk(self.values, _place(path))

    def same(
        self, path: str, found: ArrayLike, rel: float = DEMANDED, absolute: float = 0.0
    ) -> None:
        """Compare all numbers below ``path``, in their order; an empty value is infinite."""
        node = self.at(path)
        expected = np.array(list(_flat(node)), dtype=float)
        np.testing.assert_allclose(
            np.asarray(found, dtype=float).ravel(),
            expected,
            rtol=rel,
            atol=absolute,
            err_msg=f"at {path}",
        )
        self._close(path)

    def column(
        self, path: str, key: str, found: ArrayLike, rel: float = DEMANDED, absolute: float = 0.0
    ) -> None:
        """Compare one column of a list of records."""
        found = np.asarray(found, dtype=float).ravel()
        assert found.size == len(self.at(path))
        for place, value in enumerate(found):
            self.same(f"{path}/{place}/{key}", value, rel, absolute)

    def leave(self, path: str, reason: str) -> None:
        """Leave out all numbers below ``path``; the reason stands in the test."""
        assert reason
        self.at(path)
        self._close(path)

    def not_compared(self) -> list[str]:
        """Return the paths of numbers that were neither compared nor left out."""
        return sorted("/".join(map(str, place)) for place in self._open)

    def _close(self, path: str) -> None:
        place = _place(path)
        self._open = {number for number in self._open if number[: len(place)] != place}


def _place(path: str) -> Place:
    parts = path.split("/") if path else []
    return tuple(int(part) if part.isdigit() else part for part in parts)


def _walk(values: Any, place: Place) -> Any:
    for part in place:
        values = values[part]
    return values


def _numbers(values: Any, place: Place) -> Iterator[Place]:
    if isinstance(values, dict):
        for key, value in values.items():
            yield from _numbers(value, (*place, key))
    elif isinstance(values, list):
        for index, value in enumerate(values):
            yield from _numbers(value, (*place, index))
    elif isinstance(values, int | float) and not isinstance(values, bool):
        yield place


def _flat(values: Any) -> Iterator[float]:
    if isinstance(values, dict):
        for value in values.values():
            yield from _flat(value)
    elif isinstance(values, list):
        for value in values:
            yield from _flat(value)
    elif values is None:
        yield np.inf
    else:
        yield float(values)
