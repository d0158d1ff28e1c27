"""Recordings of one trial belong together: they share athlete, visit, task, side, number, clock."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from pipeline.calibration.accelerometer import Accelerometer
from pipeline.extraction.signals import Signals
from shared.channels import AXES

WAIST = tuple(f"waist_acceleration.{axis}" for axis in AXES)
REFERENCE = tuple(f"reference_acceleration.{axis}" for axis in AXES)

SharedClocks = tuple[tuple[str, ...], ...]
"""Groups of devices whose files count from the same instant, whatever other devices do."""


def sides_of(side: str) -> tuple[str, ...]:
    """Return the limbs that take part in a trial of a side (left, right, both)."""
    return ("left", "right") if side == "both" else (side,)


@dataclass(frozen=True, slots=True)
class Trial:
    """One performance of a task and the signals that were recorded of it.

    Parameters
    ----------
    session_share : place in the session, 0 at its start, 1 at its end; None when not known
    accelerometers : (device, place) -> accepted bench calibration of an accelerometer
    shared_clocks : as declared for the site
    elsewhere : further recordings of the same performance, on clocks of their own
    """

    athlete_id: str
    site: str
    visit: str
    task: str
    side: str
    number: int
    box_height_m: float | None
    recordings: tuple[Signals, ...]
    session_share: float | None = None
    accelerometers: Mapping[tuple[str, str], Accelerometer] = field(default_factory=dict)
    shared_clocks: SharedClocks = ()
    elsewhere: tuple[Signals, ...] = ()

    @property
    def name(self) -> str:
        """Readable key of the trial."""
        return f"{self.athlete_id}.{self.visit}.{self.task}.{self.side}.{self.number}"

    @property
    def sides(self) -> tuple[str, ...]:
        """The limbs that take part."""
        return sides_of(self.side)

    def with_channels(self, *channels: str) -> Signals | None:
        """Return the first recording (by its name) that has all of these channels."""
        return next((r for r in self.recordings if r.has(*channels)), None)

    def plate_channels(self) -> tuple[Signals, list[str]] | None:
        """Return the recording of the force plates and its channels, left before right."""
        return _plate_channels(self.recordings)

    @property
    def plates_elsewhere(self) -> bool:
        """Tell whether plates have recorded the performance on another clock."""
        return bool(self.elsewhere) and _plate_channels(self.elsewhere) is not None


def _plate_channels(recordings: tuple[Signals, ...]) -> tuple[Signals, list[str]] | None:
    for recording in recordings:
        if recording.has("vertical_force.left", "vertical_force.right"):
            return recording, ["vertical_force.left", "vertical_force.right"]
        if recording.has("vertical_force.single"):
            return recording, ["vertical_force.single"]
    return None
