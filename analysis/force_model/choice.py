"""Which model is kept: the simplest within one standard error of the best.

Breiman, Friedman, Olshen & Stone 1984, Classification and regression trees, section 3.4.3.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

ERROR = tuple[float, float]
"""Root mean square error and its standard error."""


def simplest_within_one_error(ladder: Sequence[str], errors: Mapping[str, ERROR]) -> str:
    """Return the first model of `ladder`, simple to complicated, that is nearly the best.

    Nearly: its error is no larger than the smallest error plus the standard error of that one.
    Models without errors could not be trained and do not take part.

    Raises
    ------
    ValueError
        No model has an error.
    """
    judged = [name for name in ladder if name in errors]
    if not judged:
        raise ValueError("no model of the ladder could be judged")
    best = min(judged, key=lambda name: errors[name][0])
    limit = sum(errors[best])
    return next(name for name in judged if errors[name][0] <= limit)


def kept_model(ladder: Sequence[str], validations: Sequence[Mapping[str, ERROR]]) -> str:
    """Return the model to keep: the simplest of those that the validations ask for.

    A more complicated model must win with athletes left out and with sites left out.

    Raises
    ------
    ValueError
        No model could be judged by any validation.
    """
    chosen = {simplest_within_one_error(ladder, errors) for errors in validations if errors}
    if not chosen:
        raise ValueError("no model of the ladder could be judged")
    return next(name for name in ladder if name in chosen)
