"""The last level of the way back: the raw samples themselves, as they were recorded."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analysis.audit.level import Level
from analysis.audit.raw_files import NotReadableError, RawSignals, read_signals
from analysis.audit.study_folder import StudyFolder
from analysis.audit.waveform import CHANNELS, shown_channels
from shared.settings.device import DeviceProfile

_WIDTH = 34  # of the name of a column with its unit


def _cells(words: str, values: list[str]) -> str:
    return words.ljust(_WIDTH) + "".join(value.rjust(14) for value in values)


def _excerpt(signals: RawSignals, row: pd.Series, profile: DeviceProfile) -> list[str]:
    channels = shown_channels(signals, row)
    size = min(len(values) for values in channels.values())
    first, last = (
        int(np.clip(round(row[end]), 0, size - 1)) for end in ("first_sample", "last_sample")
    )
    window = np.stack([values[first : last + 1] for values in channels.values()])
    largest = first + int(np.linalg.norm(window, axis=0).argmax())
    places = [first, largest, last]
    lines = [
        _cells("", ["first", "largest", "last"]),
        _cells("sample", [str(place) for place in places]),
        _cells("time, s", [f"{signals.seconds(place):.4f}" for place in places]),
    ]
    described = {item.channel: item for item in profile.channels}
    for name, values in channels.items():
        item = described[name]
        as_filed = [f"{values[place] / item.factor:.6g}" for place in places]
        lines.append(_cells(f"{item.column}, {item.unit}", as_filed))
        if item.factor != 1.0:
            lines.append(_cells(f"  = {name}, SI", [f"{values[place]:.6g}" for place in places]))
    return lines


def samples_level(study: StudyFolder, row: pd.Series) -> Level:
    """Return the raw values at the first, largest and last sample of a value's window.

    They are as recorded, before calibration and filters; `largest` is the sample of the window
    at which the shown channels together are largest.
    """
    recording = study.table("recordings", [("recording_id", "==", row["recording_id"])]).iloc[0]
    profile = study.settings.devices[recording["device"]]
    try:
        signals = read_signals(study.raw / recording["path"], profile, CHANNELS[row["sensor"]])
        lines = _excerpt(signals, row, profile)
    except NotReadableError as error:
        lines = [f"{recording['path']}: {error}"]
    return Level("Raw samples, as recorded", tuple(lines))
