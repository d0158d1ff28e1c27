"""Recordings of one trial belong together: they share athlete, visit, task, side, number, clock."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from pipeline.calibration.accelerometer import Accelerometer
from pipeline.extraction.signals import Signals
from shared.channels import AXES

WAIST = tuple(f"waist_acceleration.{axis}" for axis in AXES)
REFERENCE = tuple(f"reference_acceleration.{axis}" for axis in AXES)


@dataclass(frozen=True, slots=True)
class Trial:
    """One performance of a task and the signals that were recorded of it.

    Parameters
    ----------
    session_share : place in the session, 0 at its start, 1 at its end; None when not known
    accelerometers : (device, place) -> accepted bench calibration of an accelerometer
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

    @property
    def name(self) -> str:
        """Readable key of the trial."""
        return f"{self.athlete_id}.{self.visit}.{self.task}.{self.side}.{self.number}"

    @property
    def sides(self) -> tuple[str, ...]:
        """The limbs that take part."""
        return ("left", "right") if self.side == "both" else (self.side,)

    def with_channels(self, *channels: str) -> Signals | None:
        """Return the first recording (by its name) that has all of these channels."""
        return next((r for r in self.recordings if r.has(*channels)), None)

    def plate_channels(self) -> tuple[Signals, list[str]] | None:
        """Return the recording of the force plates and its channels, left before right."""
        for recording in self.recordings:
            if recording.has("vertical_force.left", "vertical_force.right"):
                return recording, ["vertical_force.left", "vertical_force.right"]
            if recording.has("vertical_force.single"):
                return recording, ["vertical_force.single"]
        return None
