"""From where the knee angle of the gyroscopes counts: the standing posture, or a measured angle.

A gyroscope knows no absolute angle. Standing declared as zero hides an extension deficit; the
angle that a camera measures in the same stance shows it (`calibration.knee_zero`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from pipeline.extraction.knee_values import FROM_ZERO
from pipeline.extraction.standing import Standing
from pipeline.extraction.values import Carrier, Source, covering
from pipeline.metrics.outcome import Measured, Outcome
from pipeline.reasons import Reason
from shared.settings.processing import ProcessingSettings


@dataclass(frozen=True, slots=True)
class KneeZero:
    """The angle of a knee in quiet standing, degrees, and what measured it; None: declared 0."""

    angle_deg: float = 0.0
    source: Source | None = None

    def counted(self, outcomes: Mapping[str, Outcome]) -> dict[str, Outcome]:
        """Return the values of a landing with the angles that count from the zero moved by it."""
        return {
            metric: outcome._replace(value=outcome.value + self.angle_deg)
            if metric in FROM_ZERO and isinstance(outcome, Measured)
            else outcome
            for metric, outcome in outcomes.items()
        }

    def carrier(self, carrier: Carrier) -> Carrier:
        """Return the carrier of the angles that count from the zero: it names what measured it."""
        if self.source is None:
            return carrier
        return replace(
            carrier,
            calibrations=_with(carrier.calibrations, self.source),
            flags=carrier.flags | {str(Reason.KNEE_ZERO_MEASURED)},
        )


def _with(sources: Sequence[Source], further: Source) -> tuple[Source, ...]:
    """Add a source; a recording stands once, with the stretch that holds all that was used."""
    same = [source for source in (*sources, further) if source.recording_id == further.recording_id]
    others = (source for source in sources if source.recording_id != further.recording_id)
    return (*others, covering(same))


DECLARED = KneeZero()
"""Standing is zero."""


def knee_zero(standing: Standing, side: str, settings: ProcessingSettings) -> KneeZero:
    """Return the zero of a leg's angle; declared where no accepted stance measures it."""
    if settings.calibration.knee_zero == "standing":
        return DECLARED
    place = f"knee.{side}"
    found = [c for (_, location), c in standing.places.items() if location == place]
    measured = next((calibrated for calibrated in found if not calibrated.reason), None)
    if measured is None:
        return DECLARED
    return KneeZero(math.degrees(measured.offset[0]), measured.source)
