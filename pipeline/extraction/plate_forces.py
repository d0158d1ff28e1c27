"""Forces on each limb and on the whole body: as recorded, and filtered around the landings."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.extraction.plates import Plates
from pipeline.extraction.stretch import filtered_between, unfit_for
from pipeline.extraction.values import SideLanding
from pipeline.metrics.outcome import Refused
from shared.settings.processing import ProcessingSettings

Signal = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Forces:
    """Force on a limb or on the whole body, N, shape (samples,).

    `smooth` is filtered around the landings and NaN elsewhere, or the reason why it is not there.
    """

    raw: Signal
    smooth: Signal | Refused


def forces_by_side(
    plates: Plates, side: str, landings: list[SideLanding], settings: ProcessingSettings
) -> dict[str, Forces]:
    """Filter the forces around all landings at once; by limb, and by `side` for the whole body.

    Without any landing there is nothing to filter, and nothing is returned.
    """
    contacts = [landing.contact for landing in landings if landing.contact is not None]
    if not contacts:
        return {}
    rate_hz, cutoff = plates.signals.rate_hz, settings.filtering.force_hz
    if (unfit := unfit_for(cutoff, plates.signals)) is not None:
        limbs = {limb: Forces(plates.force_of(limb), unfit) for limb in plates.sides}
        return limbs | {side: Forces(plates.total, unfit)}
    reach = settings.windows.peak_force_s * rate_hz
    smooth = filtered_between(
        plates.forces,
        rate_hz,
        math.floor(min(contacts)) - 1,
        math.ceil(max(contacts) + reach) + 1,
        cutoff_hz=cutoff,
        order_per_pass=settings.filtering.order_per_pass,
    )
    rows = zip(plates.sides, plates.forces, smooth, strict=True)
    forces = {limb: Forces(raw, filtered) for limb, raw, filtered in rows}
    return forces | {side: Forces(plates.total, smooth.sum(axis=0))}
