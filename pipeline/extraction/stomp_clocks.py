"""How far the clock of a recording is from the reference's, told by the stomp in both."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.events.stomp import Shock, StompLag, no_stomp, shock, shock_of_rates, stomp_lag
from pipeline.events.waist import resultant
from pipeline.extraction.signals import Signals
from pipeline.extraction.trials import REFERENCE, WAIST
from pipeline.metrics.outcome import Refused
from pipeline.reasons import Reason
from shared.settings.processing import ProcessingSettings, Synchronisation

_COMPARED = {"BW": "force", "g": "acceleration", "": "angular_acceleration"}
START, END = "start", "end"


@dataclass(frozen=True, slots=True)
class Clock:
    """What came of comparing a recording with the reference.

    Parameters
    ----------
    lag_s : what its clock shows beyond the reference's; None when not found
    residual_s : lag at the end minus lag at the start; None without both
    reason : why there is no lag; '' when there is
    """

    recording_id: str
    reference_id: str
    device: str
    compared: str = ""
    place: str = ""
    lag_s: float | None = None
    correlation: float | None = None
    second_peak: float | None = None
    residual_s: float | None = None
    reason: str = ""


def _forces(signals: Signals) -> list[str]:
    return [name for name in signals.channels if name.startswith("vertical_force.")]


def _shanks(signals: Signals) -> list[str]:
    return [name for name in signals.channels if name.startswith("shank_rate.")]


def _signal(
    signals: Signals, body_weight_n: float, gravity: float
) -> tuple[NDArray[np.float64], str] | None:
    """Return the force on all plates (BW), else the resultant at the waist (g); None without."""
    if forces := _forces(signals):
        return signals.stack(forces).sum(axis=0) / body_weight_n, "BW"
    for axes in (WAIST, REFERENCE):
        if signals.has(*axes):
            return resultant(signals.stack(list(axes))) / gravity, "g"
    return None


def reference_of(recordings: Sequence[Signals]) -> Signals | None:
    """Return the recording whose clock is that of the trial: plates, else an accelerometer."""
    for fits in (_forces, lambda x: x.has(*WAIST), lambda x: x.has(*REFERENCE)):
        for recording in recordings:
            if fits(recording):
                return recording
    return None


def _shocks(
    reference: Signals, other: Signals, body_weight_n: float, settings: ProcessingSettings
) -> tuple[Shock, Shock] | None:
    """Return what a stomp does to both recordings; None where one of them cannot show it."""
    chosen = {
        "order_per_pass": settings.filtering.order_per_pass,
        "settings": settings.synchronisation,
    }
    signal, felt = (
        _signal(signals, body_weight_n, settings.standard_gravity) for signals in (reference, other)
    )
    if signal is None:
        return None
    stomp = shock(signal[0], reference.rate_hz, signal[1], **chosen)
    if felt is not None:
        return stomp, shock(felt[0], other.rate_hz, felt[1], **chosen)
    if shanks := _shanks(other):
        return stomp, shock_of_rates(other.stack(shanks), other.rate_hz, **chosen)
    return None


def duration_s(signals: Signals) -> float:
    """Return the time from the first to the last sample."""
    return (next(iter(signals.channels.values())).size - 1) / signals.rate_hz


def _stretch(place: str, seen: Shock, settings: Synchronisation) -> tuple[float, float]:
    """Return from when to when a stomp is sought, in s from the first sample."""
    first_s = 0.0 if place == START else seen.duration_s - settings.search_s
    return first_s, first_s + settings.search_s


def _lag_at(
    place: str, reference: Shock, other: Shock, settings: Synchronisation
) -> StompLag | Refused:
    """Return the lag by the stomp at one end of the reference."""
    first_s, until_s = _stretch(place, reference, settings)
    margin_s = settings.largest_lag_s
    return (
        no_stomp(reference, first_s, until_s, settings)
        or no_stomp(other, first_s - margin_s, until_s + margin_s, settings)
        or stomp_lag(reference, other, first_s, settings)
    )


def unknown_clock(reference: Signals, other: Signals, reason: str) -> Clock:
    """Return the clock of a recording that cannot be compared with the reference, and why."""
    return Clock(other.recording_id, reference.recording_id, other.device, reason=reason)


def clock_by_stomp(
    reference: Signals,
    other: Signals,
    places: Sequence[str],
    body_weight_n: float,
    settings: ProcessingSettings,
) -> Clock:
    """Compare a recording with the reference, which shows a stomp at these places."""
    unknown = unknown_clock(reference, other, "")
    if reason := _too_short(reference, other, len(places), settings):
        return replace(unknown, reason=reason)
    try:
        shocks = _shocks(reference, other, body_weight_n, settings)
    except ValueError as error:  # the filter says which rate does not fit the band
        return replace(unknown, reason=str(error))
    if shocks is None:
        reason = "no stomp can be seen: expected a plate or an accelerometer in one recording, and "
        reason += "a plate, an accelerometer or a gyroscope on the shank in the other"
        return replace(unknown, reason=reason)
    unknown = replace(unknown, compared=_COMPARED[shocks[1].unit])
    found = {place: _lag_at(place, *shocks, settings.synchronisation) for place in places}
    lags = {place: lag for place, lag in found.items() if isinstance(lag, StompLag)}
    if not lags:
        reasons = [lag.detail for lag in found.values() if isinstance(lag, Refused)]
        return replace(unknown, reason=reasons[0])
    place, lag = next(iter(lags.items()))
    return replace(
        unknown,
        place=place,
        lag_s=other.start_s - reference.start_s + lag.lag_s,
        correlation=lag.correlation,
        second_peak=lag.second_peak,
        residual_s=lags[END].lag_s - lags[START].lag_s if len(lags) == 2 else None,
    )


def _comes_from_the_air(
    signal: NDArray[np.float64], seen: Shock, settings: Synchronisation
) -> Refused | None:
    """Say that the largest shock of the last stretch is a landing; None where it is a stomp."""
    begin = max(signal.size - math.ceil(settings.search_s * seen.rate_hz), 0)
    strike = begin + int(np.abs(seen.values[begin:]).argmax())
    before = signal[max(strike - math.ceil(settings.end_support_s * seen.rate_hz), 0) : strike]
    lowest, after = float(before.min(initial=math.inf)), float(signal[strike:].mean())
    if not lowest < settings.end_support <= after:
        return None
    return Refused(
        Reason.SYNC_FAIL,
        f"no stomp at the end: the last shock is a landing, out of {lowest:.2f} {seen.unit} into "
        f"{after:.2f} {seen.unit}; the recording may have stopped early",
    )


def stomps_of(
    reference: Signals, body_weight_n: float, settings: ProcessingSettings
) -> tuple[tuple[str, ...], str]:
    """Return where the reference shows a stomp, of the places where one is expected.

    Where none is, the second says why, else it is ''. A recording that cannot tell (no plate or
    accelerometer, too slow for the band, too short for its filter) is taken to show all.
    """
    chosen, order = settings.synchronisation, settings.filtering.order_per_pass
    expected = tuple(place for place in (START, END) if place in chosen.stomp_at)
    signal = _signal(reference, body_weight_n, settings.standard_gravity)
    if signal is None:
        return expected, ""
    try:
        seen = shock(signal[0], reference.rate_hz, signal[1], order_per_pass=order, settings=chosen)
    except ValueError:
        return expected, ""
    refused = {place: no_stomp(seen, *_stretch(place, seen, chosen), chosen) for place in expected}
    if END in refused and refused[END] is None:
        refused[END] = _comes_from_the_air(signal[0], seen, chosen)
    reasons = [found.detail for found in refused.values() if found is not None]
    shown = tuple(place for place, found in refused.items() if found is None)
    return shown, "" if shown else reasons[0]


def _too_short(
    reference: Signals, other: Signals, stomps: int, settings: ProcessingSettings
) -> str:
    """Say which recording does not hold its stomps and what any recording needs; '' if none."""
    chosen = settings.synchronisation
    shortest_s = stomps * chosen.search_s + settings.calibration.window_s
    for signals, word in ((reference, "reference"), (other, "recording")):
        if (found_s := duration_s(signals)) < shortest_s:
            return (
                f"too short for stomp and task: the {word} lasts {found_s:.2f} s, expected "
                f"{shortest_s:g} s or more"
            )
    return ""
