"""What goes into a bench calibration and what comes out of it, whatever its kind."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from pipeline.extraction.signals import Signals
from pipeline.extraction.trials import REFERENCE, WAIST
from shared.channels import SIDES

ACCELEROMETERS = {"waist": WAIST, "reference": REFERENCE}
"""Place of an accelerometer -> its channels."""

SEGMENTS = tuple(f"{segment}.{side}" for side in SIDES for segment in ("thigh", "shank"))


@dataclass(frozen=True, slots=True)
class Bench:
    """A recording of a unit on the bench.

    Parameters
    ----------
    position, known_value : as in the study table unit_calibrations
    signals : the recording; None when it cannot be used
    trouble : why it cannot be used
    """

    position: str
    known_value: float
    signals: Signals | None
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class Result:
    """Numbers of one place of a unit; `values` are (number, unit) by quantity."""

    location: str
    values: dict[str, tuple[float, str]] = field(default_factory=dict)
    reason: str = ""


def usable_of(recordings: Sequence[Bench]) -> list[tuple[Bench, Signals]]:
    """Return the recordings that can be used, each with its signals."""
    return [(item, item.signals) for item in recordings if item.signals is not None]


def unreadable(recordings: Sequence[Bench]) -> list[str]:
    """Return why the other recordings cannot be used."""
    return [
        f"a recording{f' ({item.position})' if item.position else ''} cannot be used: "
        f"{item.trouble}"
        for item in recordings
        if item.signals is None
    ]
