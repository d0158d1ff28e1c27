"""Which limb a side is: involved, uninvolved, or the whole body."""

from __future__ import annotations


def limb_of(side: str, injured_side: str) -> str:
    """Return the limb that a side (left, right, both) is for an athlete.

    After injuries of both knees each limb is involved: such an athlete has no uninvolved limb, and
    contrasts between limbs are not defined.

    Raises
    ------
    ValueError
        A side that is not left, right or both.
    """
    for value in (side, injured_side):
        if value not in ("left", "right", "both"):
            raise ValueError(f"side {value!r} is not left, right or both")
    if side == "both":
        return "both"
    return "involved" if injured_side in (side, "both") else "uninvolved"


def is_dominant(side: str, dominant_side: str) -> bool | None:
    """Tell whether a side is the dominant one; undefined (None) for the whole body."""
    return None if side == "both" else side == dominant_side
