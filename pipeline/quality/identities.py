"""What must be equal if a landing was measured right, and how far it may be apart.

An identity tells something only where its two sides come from different samples: from one and the
same integration it closes whatever the error.
"""

from __future__ import annotations

from pipeline.events.centre_of_mass import impact_speed_from_drop
from pipeline.reasons import Reason
from shared.settings.processing import Quality
from shared.units import STANDARD_GRAVITY

_NONE: frozenset[str] = frozenset()


def fall_time_share(
    impact_speed: float, box_height_m: float, *, gravity: float = STANDARD_GRAVITY
) -> float:
    """Return the fall time that a speed at contact implies, over that of a free fall from the box.

    Both are speed over gravity, so gravity's part is that of the box alone.
    """
    return impact_speed / impact_speed_from_drop(box_height_m, gravity=gravity)


def fall_flags(share: float, limits: Quality) -> frozenset[str]:
    """Return `bad_fall_time` where the implied fall is not one from this box.

    Real falls are shorter than free ones, by up to 20 %: people lower themselves from the edge.
    """
    if limits.smallest_fall_time_share <= share <= limits.largest_fall_time_share:
        return _NONE
    return frozenset({str(Reason.BAD_FALL_TIME)})


def impulse_flags(mismatch_m_s: float, limits: Quality) -> frozenset[str]:
    """Return `impulse_mismatch` where net impulse and flight time tell different speeds."""
    if abs(mismatch_m_s) <= limits.largest_speed_mismatch_m_s:
        return _NONE
    return frozenset({str(Reason.IMPULSE_MISMATCH)})
