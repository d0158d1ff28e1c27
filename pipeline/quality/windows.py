"""What went wrong inside the window of one value, as opposed to somewhere in its recording."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.calibration.saturation import Clipping, clipping
from pipeline.filtering.gaps import Gap, unusable_gaps
from pipeline.reasons import Reason
from shared.settings.processing import Quality

_NONE: frozenset[str] = frozenset()


class FullScale(NamedTuple):
    """Where a channel saturates, infinite where it cannot, and the step of its converter (or 0)."""

    value: float
    step: float = 0.0


def may_clip(largest: Iterable[float], full_scales: Iterable[FullScale], limits: Quality) -> bool:
    """Tell whether a channel comes near its range, given the largest magnitude of each.

    Below both shares of the range nothing can be clipped: the search is spared.
    """
    near = min(limits.clip_share_of_range, limits.flat_top_share_of_range)
    return any(high >= near * full.value for high, full in zip(largest, full_scales, strict=True))


def saturation(
    signals: Sequence[NDArray[np.float64]],
    full_scales: Sequence[FullScale],
    rate_hz: float,
    limits: Quality,
) -> Clipping | None:
    """Return the clipped samples of raw channels; None where no channel comes near its range.

    All is in the unit of the channel. One whose range is infinite cannot clip.
    """
    if not may_clip((max(float(s.max()), -float(s.min())) for s in signals), full_scales, limits):
        return None
    shares = np.stack([s / f.value for s, f in zip(signals, full_scales, strict=True)])
    return clipping(
        shares,
        rate_hz,
        full_scale=1.0,
        clip_share_of_range=limits.clip_share_of_range,
        flat_top_share_of_range=limits.flat_top_share_of_range,
        flat_top_samples=limits.flat_top_samples,
        resolution=np.array([f.step / f.value for f in full_scales]),
    )


def clip_flags(clipped: Clipping | None, first: int, last: int, *, bounded: bool) -> frozenset[str]:
    """Return what a clipped sample in a window (slots, both ends included) says of a value.

    `clipped` stands for every value; where the true value is neither the same nor known to be
    larger (not `bounded`), `clipped_unbounded` takes the value out.
    """
    if clipped is None or not clipped.samples_between(first, last):
        return _NONE
    flags = frozenset({str(Reason.CLIPPED)})
    return flags if bounded else flags | {str(Reason.CLIPPED_UNBOUNDED)}


def gap_flags(
    gaps: Sequence[Gap],
    first: int,
    last: int,
    contact: float,
    rate_hz: float,
    limits: Quality,
) -> frozenset[str]:
    """Return the flags of missing samples in a window (slots, both ends included).

    `gap` where they must not be bridged (too many, or close to the contact), `missing_samples`
    where a straight line bridges them.
    """
    inside = tuple(gap for gap in gaps if gap.overlaps(first, last))
    if not inside:
        return _NONE
    unusable = unusable_gaps(
        inside,
        (contact,),
        rate_hz,
        maximum_gap_samples=limits.maximum_gap_samples,
        gap_guard_s=limits.gap_guard_s,
    )
    return frozenset({str(Reason.GAP if unusable else Reason.MISSING_SAMPLES)})


def range_flags(value: float, limits: tuple[float, float]) -> frozenset[str]:
    """Return `out_of_range` for a value outside of its hard limits."""
    return _NONE if limits[0] <= value <= limits[1] else frozenset({str(Reason.OUT_OF_RANGE)})
