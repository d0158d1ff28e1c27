"""What came of calibrating one place of a device (plate, waist, thigh.left ...) at a visit."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.calibration.stillness import Window
from pipeline.extraction.signals import Signals
from pipeline.extraction.units import NOT_CALIBRATED, Verdict
from pipeline.extraction.values import Source
from pipeline.reasons import Reason

STANDING, STANDING_END, FLEXION = "standing", "standing_end", "functional_flexion"
"""Kinds of calibration recordings in a session."""


@dataclass(frozen=True, slots=True)
class Calibrated:
    """Result for one place of a device (plate, waist, thigh.left ...).

    Parameters
    ----------
    offset : mean in quiet stance per axis: gravity m/s², bias rad/s, knee angle rad; for plates
        force in N (unloaded, of single plates); for functional_flexion the flexion axis
    spread : standard deviation over the stance, same unit
    window : the stance, in slots of the recording
    body_weight_n : all plates together only
    reason : why it is not accepted; '' when it is
    kind : standing, standing_end or functional_flexion
    change : largest change of an axis since the start of the session
    explained_share : of the rates' mean square, by the flexion axis
    stance_share : of the weight, by this plate
    zero_source : of the knee angle: standing (declared) or measured; '' elsewhere
    bench : what became of the unit's bench calibration
    rule : machine-readable name of what is wrong when it is not accepted
    """

    location: str
    signals: Signals
    offset: tuple[float, ...]
    spread: float | None
    window: Window | None
    body_weight_n: float | None = None
    reason: str = ""
    kind: str = STANDING
    change: float | None = None
    explained_share: float | None = None
    stance_share: float | None = None
    zero_source: str = ""
    bench: Verdict = NOT_CALIBRATED
    rule: str = Reason.CALIBRATION_REJECTED.value

    @property
    def usable(self) -> bool:
        """Tell whether its numbers are used: accepted, or flagged for a large change only."""
        return not self.reason or self.rule == str(Reason.BIAS_CHANGE)

    @property
    def source(self) -> Source:
        """The samples that the calibration used."""
        if self.window is None:
            return Source(self.signals.recording_id, None, None)
        return Source(
            self.signals.recording_id,
            self.signals.raw_sample(self.window.first_sample),
            self.signals.raw_sample(self.window.last_sample),
        )


Places = dict[tuple[str, str], Calibrated]
"""Calibrations by (device, place)."""
