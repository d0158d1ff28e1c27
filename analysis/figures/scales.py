"""Horizontal axes of forest plots: ratios on a log axis around one, differences around zero."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.figures.style import BLACK

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# An interval wider than this is cut, with an arrow, so that it does not flatten all others.
_WIDEST_RATIO = 5.0
_RATIO_TICKS = (
    (1.12, (0.9, 0.95, 1.0, 1.05, 1.1)),
    (1.35, (0.75, 0.8, 0.9, 1.0, 1.1, 1.25)),
    (2.2, (0.5, 0.67, 0.8, 1.0, 1.25, 1.5, 2.0)),
    (np.inf, (0.2, 0.33, 0.5, 1.0, 2.0, 3.0, 5.0)),
)


@dataclass(frozen=True)
class Scale:
    """A horizontal axis: its label, the value of no difference, its limits and ticks."""

    label: str
    reference: float
    logarithmic: bool
    limits: tuple[float, float]
    ticks: tuple[float, ...]


def ratio_scale(label: str, values: Sequence[float]) -> Scale:
    """Return a log axis, symmetric around 1, that holds `values`; at most a fifth to five times."""
    finite = [value for value in values if np.isfinite(value) and value > 0]
    reach = max([1.08, *(max(value, 1 / value) for value in finite)]) * 1.03
    reach = min(reach, _WIDEST_RATIO)
    ticks = next(ticks for widest, ticks in _RATIO_TICKS if reach <= widest)
    inside = tuple(tick for tick in ticks if 1 / reach <= tick <= reach)
    return Scale(label, 1.0, True, (1 / reach, reach), inside)


def difference_scale(label: str, values: Sequence[float]) -> Scale:
    """Return a linear axis that holds `values` and zero."""
    from matplotlib.ticker import MaxNLocator

    finite = [0.0, *(value for value in values if np.isfinite(value))]
    low, high = min(finite), max(finite)
    margin = 0.06 * (high - low or 1.0)
    limits = (low - margin, high + margin)
    ticks = MaxNLocator(5).tick_values(*limits)
    inside = tuple(float(tick) for tick in ticks if limits[0] <= tick <= limits[1])
    return Scale(label, 0.0, False, limits, inside)


def apply_scale(axes: Axes, scale: Scale) -> None:
    """Set up the horizontal axis of a forest plot; rows have no vertical axis."""
    from matplotlib.ticker import NullLocator

    if scale.logarithmic:
        axes.set_xscale("log")
    axes.set_xlim(*scale.limits)
    axes.xaxis.set_minor_locator(NullLocator())
    axes.set_xticks(scale.ticks, [f"{tick:g}".replace("-", "\u2212") for tick in scale.ticks])
    axes.axvline(scale.reference, color=BLACK, lw=0.9)
    axes.set_xlabel(scale.label)
    axes.spines["left"].set_visible(False)
    axes.set_yticks([])
