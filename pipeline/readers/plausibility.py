"""Checks of unit and sign: what is declared against the physics of standing."""

from __future__ import annotations

import numpy as np

from pipeline.readers.recording import Samples
from shared.channels import AXES, SIDES
from shared.errors import Problem, refusal
from shared.settings.device import DeviceProfile
from shared.units import STANDARD_GRAVITY

_LEAST_SIZE_G, _MOST_SIZE_G = 0.5, 2.0  # bounds of the usual acceleration of waist, thigh or shank
_LEAST_UPWARD_G = -0.5
_SEGMENTS = tuple((segment, f".{side}") for segment in ("thigh", "shank") for side in SIDES)
_DEEPEST_N = -200.0  # an offset or the swing of a plate that was stepped off stays above
_STRIDE = 7  # a median over every seventh sample tells unit and sign as well as over all


def _median(values: Samples) -> float:
    known = values[~np.isnan(values)]
    return float(np.median(known)) if known.size else float("nan")


def _mostly_one_g_upright(x: Samples, y: Samples, z: Samples) -> bool:
    """Tell whether more than half of the samples are right: then the medians are right, too.

    Counting is several times faster than sorting, and almost every recording passes.
    """
    g = STANDARD_GRAVITY
    squares = x * x + y * y + z * z
    right = np.count_nonzero(
        (squares > (_LEAST_SIZE_G * g) ** 2) & (squares < (_MOST_SIZE_G * g) ** 2)
    )
    upright = np.count_nonzero(y > _LEAST_UPWARD_G * g)
    # One more than half: an even number of samples has two in the middle.
    return 2 * min(right, upright) > y.size + 1


def _acceleration_problems(
    place: str, side: str, channels: dict[str, Samples], columns: dict[str, str], file: str
) -> list:
    """Specific force of a person is 1 g upright most of the time, and free fall is short."""
    names = [f"{place}_acceleration{side}.{axis}" for axis in AXES]
    axes = [channels[name][::_STRIDE] for name in names if name in channels]
    if len(axes) < len(names) or _mostly_one_g_upright(*axes):
        return []
    if any(np.isnan(axis).all() for axis in axes):
        return []
    x, y, z = axes
    size = _median(np.sqrt(x * x + y * y + z * z)) / STANDARD_GRAVITY
    upright = _median(y) / STANDARD_GRAVITY
    column = columns[names[1]]
    if not _LEAST_SIZE_G < size < _MOST_SIZE_G:
        return [
            refusal(
                "unit_contradicts_signal",
                file,
                column=column,
                found=f"a usual {place} acceleration of {size:.3g} g",
                expected="about 1 g, gravity included",
                mend="correct the unit in the device profile: g and m/s2 differ by 9.80665; "
                "a sensor without gravity in its output is not supported",
            )
        ]
    if upright < _LEAST_UPWARD_G:
        return [
            refusal(
                "sign_contradicts_signal",
                file,
                column=column,
                found=f"a usual upward acceleration of {upright:.3g} g",
                expected="about +1 g: specific force points up while standing",
                mend="set sign: -1 for this column, or map the axes anew in the device profile",
            )
        ]
    return []


def _force_problems(channels: dict[str, Samples], columns: dict[str, str], file: str) -> list:
    """A plate pushes a person upward only."""
    problems = []
    for name, values in channels.items():
        # A minimum is found several times faster than one that skips empty cells.
        if not name.startswith("vertical_force") or values.min() >= _DEEPEST_N:
            continue
        # Extremes of the numbers there are; without any, not a number, and so no problem.
        low, high = float(np.fmin.reduce(values)), float(np.fmax.reduce(values))
        if low < _DEEPEST_N and -low > 2.0 * high:
            problems.append(
                refusal(
                    "sign_contradicts_signal",
                    file,
                    column=columns[name],
                    found=f"vertical force from {low:.5g} to {high:.5g} N",
                    expected="force on the body, positive upward",
                    mend="set sign: -1 for this column in the device profile",
                )
            )
    return problems


def signal_problems(
    channels: dict[str, Samples], profile: DeviceProfile, file: str
) -> list[Problem]:
    """Return contradictions between the declared units and signs and the physics of standing."""
    columns = {channel.channel: channel.column for channel in profile.channels}
    problems = _acceleration_problems("waist", "", channels, columns, file)
    for place, side in _SEGMENTS:
        if f"{place}_acceleration{side}.y" in channels:
            problems += _acceleration_problems(place, side, channels, columns, file)
    return problems + _force_problems(channels, columns, file)
