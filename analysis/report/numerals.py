"""How numbers are written, and whether a written number is its value after rounding."""

from __future__ import annotations

import math
import re
from collections.abc import Callable

NOT_ESTIMATED = "not estimated"
HIDDEN = "[hidden]"
"""What stands for a number that must not leave the team."""

MINUS = "\u2212"
THIN_SPACE = "\u202f"
NO_BREAK_HYPHEN = "\u2011"
NO_BREAK_SPACE = "\u00a0"

_SMALLEST_P = 0.001
_LARGEST_P = 0.999
_SIGNIFICANT = 3
_CORRELATION = 3

LARGEST_RATIO = 1000
SMALLEST_RATIO = 0.01
LARGEST_SHARE = 10
MOST_TRIALS = 100
"""Values beyond are printed as "larger than" or "smaller than": the data set no useful limit there.

Bounds of print only, by common practice, no source; the table of estimates holds every value.
"""


def _signed(text: str) -> str:
    # "-0.00" would claim a direction that the digits do not show.
    if text.startswith("-") and not re.search("[1-9]", text):
        text = text[1:]
    return text.replace("-", MINUS)


def decimals(value: float, digits: int) -> str:
    """Return `value` with a fixed number of decimals and a thin space between thousands."""
    return _signed(f"{value:,.{digits}f}").replace(",", THIN_SPACE)


def count(value: float) -> str:
    """Return a whole number.

    Raises
    ------
    ValueError
        The value is not whole, so it counts nothing.
    """
    if value != round(value):
        raise ValueError(f"{value} is not a count")
    return decimals(value, 0)


def measure(value: float) -> str:
    """Return a measured quantity with three significant digits, never fewer than its integer."""
    if value == 0:
        return "0"
    magnitude = math.floor(math.log10(abs(float(f"{value:.2e}"))))
    return decimals(value, max(0, _SIGNIFICANT - 1 - magnitude))


def style_with_precision_of(value: float) -> str:
    """Return the style that writes `value` with three significant digits, for its companions.

    A standard deviation stands beside its mean with the same decimals. A value that is not known
    has none.
    """
    if math.isnan(value):
        return "whole"
    _, _, fraction = measure(value).partition(".")
    return ("whole", "one_decimal", "two_decimals", "three_decimals")[min(len(fraction), 3)]


def _beyond(bound: float) -> str:
    return f">{NO_BREAK_SPACE}{decimals(bound, 0)}"


def ratio(value: float) -> str:
    """Return a ratio with two decimals, from ten on with three significant digits.

    Beyond `LARGEST_RATIO`, and where two decimals would make it zero, only the bound is printed.
    """
    if value > LARGEST_RATIO:
        return _beyond(LARGEST_RATIO)
    if 0 < value < SMALLEST_RATIO / 2:
        return f"<{NO_BREAK_SPACE}{SMALLEST_RATIO}"
    return decimals(value, 2) if value < 9.995 else decimals(value, 1 if value < 99.95 else 0)


def percent(value: float) -> str:
    """Return a share as a percentage with one decimal, beyond `LARGEST_SHARE` only the bound."""
    if value > LARGEST_SHARE:
        return f"{_beyond(100 * LARGEST_SHARE)}{NO_BREAK_SPACE}%"
    return f"{decimals(100 * value, 1)}{NO_BREAK_SPACE}%"


def trials(value: float) -> str:
    """Return a number of trials; beyond `MOST_TRIALS` nobody would jump, so only the bound."""
    return _beyond(MOST_TRIALS) if value > MOST_TRIALS else count(value)


def p_value(value: float) -> str:
    """Return a p-value: two significant digits at least, three decimals at most."""
    if value < _SMALLEST_P:
        return f"<{NO_BREAK_SPACE}{_SMALLEST_P}"
    if value > _LARGEST_P:
        return f">{NO_BREAK_SPACE}{_LARGEST_P}"
    return decimals(value, 3 if value < 0.1 else 2)


def correlation(value: float) -> str:
    """Return a correlation with three decimals; what would round to one is a bound."""
    bound = 1.0 - 10.0**-_CORRELATION
    return f">{NO_BREAK_SPACE}{bound}" if bound < value < 1.0 else decimals(value, _CORRELATION)


def scientific(value: float) -> str:
    """Return a small difference with two significant digits and a power of ten, as 2.1e−7."""
    if value == 0:
        return "0"
    digits, exponent = f"{value:.1e}".split("e")
    return _signed(f"{digits}e{int(exponent)}")


STYLES: dict[str, Callable[[float], str]] = {
    "count": count,
    "measure": measure,
    "ratio": ratio,
    "percent": percent,
    "p": p_value,
    "correlation": correlation,
    "trials": trials,
    "scientific": scientific,
    "whole": lambda value: decimals(value, 0),
    "one_decimal": lambda value: decimals(value, 1),
    "two_decimals": lambda value: decimals(value, 2),
    "three_decimals": lambda value: decimals(value, 3),
}
"""Name of a style -> function from a value to its text."""


def write(value: float | None, style: str) -> str:
    """Return the text of a value in a named style; an empty value is written in words."""
    if value is None or math.isnan(value):
        return NOT_ESTIMATED
    if math.isinf(value):
        return f"{MINUS if value < 0 else ''}\u221e"
    return STYLES[style](float(value))


def is_rounding_of(text: str, value: float | None) -> bool:
    """Tell whether `text` shows `value` correctly: rounded, as a bound, or as not estimated."""
    if value is None or math.isnan(value):
        return text == NOT_ESTIMATED
    if math.isinf(value):
        return text == write(value, "ratio")
    plain = text.replace(THIN_SPACE, "").replace(MINUS, "-").replace(NO_BREAK_SPACE, " ").strip()
    found = re.fullmatch(r"([<>]?) ?(-?\d+(?:\.(\d+))?)(?:e(-?\d+))?( %)?", plain)
    if found is None:
        return False
    relation, digits, fraction, power, share = found.groups()
    unit = 10.0 ** int(power or 0)
    shown = float(digits) * unit
    true = value * 100 if share else value
    if relation:
        return true < shown if relation == "<" else true > shown
    half = 0.5 * unit * 10.0 ** -len(fraction or "")
    return abs(true - shown) <= half * (1 + 1e-9)
