"""Units of measurement: one registry, the factor between two, the constants of the trade."""

from __future__ import annotations

from functools import cache
from tokenize import TokenError
from typing import Any

STANDARD_GRAVITY = 9.80665
"""Standard gravity in m/s² (3rd General Conference on Weights and Measures, 1901)."""

# How data dictionaries of instruments write units, in the spelling of the registry.
_SPELLINGS = {
    "g": "standard_gravity",
    "deg": "degree",
    "deg/s": "degree/second",
    "°": "degree",
    "°/s": "degree/second",
    "rad/s": "radian/second",
    "rad": "radian",
    "m/s2": "meter/second**2",
    "m/s^2": "meter/second**2",
    "m/s²": "meter/second**2",
    "mg": "millistandard_gravity",
}


@cache
def _registry() -> Any:  # pint ships no precise type for its registry
    import pint

    return pint.UnitRegistry()


def _spell(unit: str) -> str:
    return _SPELLINGS.get(unit, unit)


@cache
def conversion_factor(from_unit: str, to_unit: str) -> float:
    """Return the factor that takes a value in `from_unit` to `to_unit`.

    Raises
    ------
    ValueError
        A unit is unknown, or the two do not measure the same quantity.
    """
    import pint

    registry = _registry()
    try:
        return float(registry.Quantity(1.0, _spell(from_unit)).to(_spell(to_unit)).magnitude)
    except pint.UndefinedUnitError as error:
        raise ValueError(f"unit {error.unit_names!r} is unknown") from error
    except pint.DimensionalityError as error:
        raise ValueError(f"{from_unit!r} cannot be converted to {to_unit!r}") from error
    except (AssertionError, TokenError, TypeError, ArithmeticError) as error:
        # What the registry's parser raises for texts that are no unit at all, such as "%)".
        raise ValueError(f"unit {from_unit!r} is unknown") from error
