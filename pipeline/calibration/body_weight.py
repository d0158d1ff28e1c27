"""Body weight from quiet standing on the plates, and quiet stances inside a trial.

Source: Owen et al. 2014, J Strength Cond Res 28:1552 (mean vertical force over 1 s of quiet
standing). Its accuracy matters: 0.5 % of body weight, integrated over 0.8 s, is 0.039 m/s.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.calibration.stillness import Window, moving_mean_and_sd, window_samples
from shared.units import STANDARD_GRAVITY

Signal = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class BodyWeight:
    """Body weight in N, with the spread of the force in the window.

    `drift_share` is the change of the mean from the first to the second half of the window, as a
    share of body weight. `reason` is empty when accepted.
    """

    weight_n: float
    spread_n: float
    drift_share: float
    window: Window
    reason: str
    gravity: float = STANDARD_GRAVITY

    @property
    def mass_kg(self) -> float:
        """Body mass, weight divided by gravity."""
        return self.weight_n / self.gravity

    @property
    def accepted(self) -> bool:
        """True when every limit holds."""
        return not self.reason


def quiet_stance(
    force: Signal,
    rate_hz: float,
    *,
    window_s: float,
    smallest_load_n: float,
    first_sample: int = 0,
    end_sample: int | None = None,
) -> Window | None:
    """Return the stillest loaded window of a stretch, or None when there is no such window.

    How still it is, is for the caller to judge. An unloaded plate is stiller than any person, so
    windows below `smallest_load_n` do not count.

    Parameters
    ----------
    force
        Vertical force, summed over the plates, offset removed, shape (samples,).
    first_sample, end_sample
        Stretch to be searched (end exclusive).
    """
    stretch = force[first_sample:end_sample]
    try:
        width = window_samples(window_s, rate_hz, len(stretch))
    except ValueError:
        return None
    mean, spread = moving_mean_and_sd(stretch, width)
    restlessness = np.where(mean >= smallest_load_n, spread, np.inf)
    first = int(np.argmin(restlessness))
    if not np.isfinite(restlessness[first]):
        return None
    return Window(first_sample + first, first_sample + first + width - 1)


def body_weight(
    force: Signal,
    rate_hz: float,
    *,
    window_s: float,
    force_spread_share: float,
    mass_difference_share: float,
    scale_mass_kg: float | None,
    drift_share: float,
    smallest_load_n: float,
    gravity: float = STANDARD_GRAVITY,
) -> BodyWeight | None:
    """Weigh a person in the stillest window of standing; None when nobody stands on the plates.

    Parameters
    ----------
    force
        Vertical force, summed over the plates, offset removed, N, shape (samples,).
    force_spread_share
        Largest standard deviation, as a share of body weight.
    mass_difference_share
        Largest difference from `scale_mass_kg`, as a share (not checked when that is None).
    drift_share
        Largest change between the halves of the window, as a share of body weight.
    smallest_load_n
        Plates that carry less than this carry no person.
    """
    window = quiet_stance(force, rate_hz, window_s=window_s, smallest_load_n=smallest_load_n)
    if window is None:
        return None
    still = force[window.samples]
    weight, spread = float(still.mean()), float(still.std())
    half = len(still) // 2
    drift = float(still[half:].mean() - still[:half].mean()) / weight
    faults = []
    if spread > force_spread_share * weight:
        faults.append(
            f"force varies by {spread / weight:.1%} of body weight, limit {force_spread_share:.1%}"
        )
    if abs(drift) > drift_share:
        faults.append(f"force drifts by {drift:.1%} of body weight, limit {drift_share:.1%}")
    if scale_mass_kg is not None:
        difference = weight / gravity / scale_mass_kg - 1.0
        if abs(difference) > mass_difference_share:
            faults.append(
                f"mass on the plates is {weight / gravity:.1f} kg, on the scale "
                f"{scale_mass_kg:.1f} kg ({difference:+.1%}, limit {mass_difference_share:.1%})"
            )
    return BodyWeight(weight, spread, drift, window, "; ".join(faults), gravity)


def weight_supported(force: Signal, window: Window, body_weight_n: float) -> float:
    """Return the mean force in a quiet stance as a share of body weight.

    Far from 1, a foot stands beside the plate (or the body weight is not this person's).
    """
    return float(force[window.samples].mean()) / body_weight_n
