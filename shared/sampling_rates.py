"""Ratios between sampling rates: which common rate a rate can be brought to."""

from __future__ import annotations

from fractions import Fraction

_LARGEST_DENOMINATOR = 25
_LARGEST_CLOCK_ERROR = 0.005


def ratio_to(common_rate_hz: float, rate_hz: float) -> Fraction:
    """Return the ratio of small integers that leads from a rate to a common one.

    A clock that runs a little fast or slow keeps its own time: the ratio is that of the nominal
    rates, and the result runs as fast or slow.

    Raises
    ------
    ValueError
        No ratio of small integers comes within 0.5 % of the common rate.
    """
    ratio = Fraction(common_rate_hz / rate_hz).limit_denominator(_LARGEST_DENOMINATOR)
    if abs(float(ratio) * rate_hz / common_rate_hz - 1.0) > _LARGEST_CLOCK_ERROR:
        raise ValueError(f"no small ratio leads from {rate_hz:g} to {common_rate_hz:g} per second")
    return ratio
