"""Leave out what no value of a trial reads, before work is spent on it.

A unit on each segment of both legs records twelve rates; a landing on one leg reads two of them,
or six where the flexion axis of the segments is known, and the accelerometers beside them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from pipeline.extraction.knee_tilt import TILT_CHANNELS
from pipeline.extraction.signals import Signals
from pipeline.extraction.standing import Standing
from shared.channels import sensor_of


def without_idle_rates(signals: Signals, sides: Sequence[str], standing: Standing) -> Signals:
    """Return a recording without the signals of segments that nothing reads.

    Those are the signals of a leg that takes no part in the task, and the rates about other axes
    than z where no flexion axis is known. A recording of nothing else stays as it is.

    Parameters
    ----------
    sides
        The legs that take part.
    """
    read = {name for side in sides for name in standing.rate_channels(signals.device, side)}
    read.update(name for side in sides for name in TILT_CHANNELS[side])
    kept = {
        name: values
        for name, values in signals.channels.items()
        if name in read or sensor_of(name) != "gyro"
    }
    return replace(signals, channels=kept) if kept else signals
