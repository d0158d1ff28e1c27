"""Recordings with clocks of their own: when each begins, how fast it runs, and what a stomp shows.

Time zero is that of the movement, as if a trigger had started it. Where athletes stomp, recording
begins `stretch_s` before it and ends as long after its end, with a stomp in each stretch.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.simulate.columns import INSTRUMENTS
from pipeline.simulate.contact import DENSE_RATE_HZ
from pipeline.simulate.people import SIDES
from pipeline.simulate.settings import Stomps
from pipeline.simulate.signals import Signals
from pipeline.simulate.waist import through_tissue
from shared.units import STANDARD_GRAVITY

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Clock:
    """The clock of one recording.

    Parameters
    ----------
    begin_s : when its first sample is taken, in s from the movement's time zero
    drift : share by which it runs too fast
    """

    begin_s: float
    drift: float = 0.0

    def instants(self, samples: int, rate_hz: float) -> Array:
        """Return when its samples are taken, in s from the movement's time zero."""
        return self.begin_s + np.arange(samples) / (rate_hz * (1.0 + self.drift))

    def sample_at(self, instant_s: float, rate_hz: float) -> int:
        """Return the sample nearest to an instant."""
        return round((instant_s - self.begin_s) * rate_hz * (1.0 + self.drift))


ON_TRIGGER = Clock(0.0)
"""The clock of a recording that a trigger has started."""


@dataclass(frozen=True)
class Stomp:
    """A stomp: when the foot strikes, in s from the movement's time zero, and its size."""

    instant_s: float
    size: float


def draw_clock(how: Stomps, device: str, rng: np.random.Generator) -> Clock:
    """Return the clock of a recording; plates, and a camera on their clock, begin on time."""
    instrument = INSTRUMENTS[device]
    if instrument.plates or instrument.camera:
        return Clock(-how.stretch_s)
    offset_s = float(rng.uniform(-how.largest_offset_s, how.largest_offset_s))
    return Clock(offset_s - how.stretch_s, float(rng.normal(0.0, how.drift_sd)))


def draw_stomps(how: Stomps, duration_s: float, rng: np.random.Generator) -> tuple[Stomp, Stomp]:
    """Return the stomps before and after a movement."""
    start_s, end_s = (float(rng.uniform(*how.after_begin_s)) for _ in range(2))
    sizes = [float(np.exp(rng.normal(np.log(how.force_bw), how.force_sd))) for _ in range(2)]
    end_s = duration_s + how.stretch_s - end_s
    return Stomp(start_s - how.stretch_s, sizes[0]), Stomp(end_s, sizes[1])


def _half_sine(t: Array, length_s: float) -> Array:
    return np.where((t > 0.0) & (t < length_s), np.sin(np.pi * t / length_s), 0.0)


def _force(t: Array, how: Stomps) -> Array:
    """Return the force of a stomp of size 1 at times from the strike: a shock and its rebound."""
    shock_s = how.shock_s
    return _half_sine(t, shock_s) + 0.33 * _half_sine(t - 0.9 * shock_s, 2.0 * shock_s)


def with_stomps(
    signals: Signals, stomps: tuple[Stomp, ...], how: Stomps, body: dict[str, float]
) -> Signals:
    """Return the signals with a stretch of standing before and after, and the stomps in them.

    The foot that is not tested stamps (the left one in two-leg trials) on its plate; the shock
    reaches the waist through the athlete's tissue, which rings less than in a landing.

    Parameters
    ----------
    body : tissue_gain, tissue_frequency_hz and tissue_delay_s of the athlete in this trial
    """
    room = round(how.stretch_s * DENSE_RATE_HZ)
    t = np.arange(signals.samples + 2 * room) / DENSE_RATE_HZ - how.stretch_s
    felt = np.zeros(len(t))
    for stomp in stomps:
        felt += stomp.size * _force(t - stomp.instant_s, how)
    side = signals.performance.side
    foot = "left" if side == "both" else SIDES[1 - SIDES.index(side)]
    force = {place: np.pad(values, room, mode="edge") for place, values in signals.force.items()}
    for place in ("single", foot):
        force[place] = force[place] + signals.body_weight_n * felt
    gain = 1.0 + how.tissue_share * (body["tissue_gain"] - 1.0)
    shock = how.felt_share * STANDARD_GRAVITY * felt
    at_waist = through_tissue(shock, gain, body["tissue_frequency_hz"], body["tissue_delay_s"])
    waist = np.pad(signals.waist, ((0, 0), (room, room)), mode="edge")
    waist[1] += at_waist
    return replace(signals, force=force, waist=waist, before_s=how.stretch_s)
