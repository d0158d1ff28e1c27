"""Draw the raw signal behind a value, with its events and the samples that were used."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from analysis.audit.raw_files import NotReadableError, RawSignals, read_signals
from analysis.audit.study_folder import StudyFolder, TraceError

CHANNELS = {
    "plate": ("vertical_force.",),
    "waist": ("waist_acceleration.",),
    "reference_accelerometer": ("reference_acceleration.",),
    "gyro": ("thigh_rate.", "shank_rate."),
    "camera": ("knee_flexion.",),
}
"""Sensor -> how its canonical channels begin."""

_LABELS = {
    "plate": "vertical force, N",
    "waist": "specific force at the waist, m/s²",
    "reference_accelerometer": "specific force at the waist, m/s²",
    "gyro": "angular rate, rad/s",
    "camera": "knee flexion, rad",
}
_MARGIN_S = 0.5  # beside the window, so that flight and landing are seen whole


def shown_channels(signals: RawSignals, row: pd.Series) -> dict[str, np.ndarray]:
    """Return the channels that show a metric row: gyroscopes by the axis of flexion of its limb."""
    if row["sensor"] != "gyro":
        return dict(signals.channels)
    side = row["side"]
    return {name: s for name, s in signals.channels.items() if name.endswith(f".{side}.z")}


def draw(study: StudyFolder, row: pd.Series, path: Path) -> None:
    """Draw the recording of a metric row as it was recorded, to a file (PNG, SVG or PDF).

    Raises
    ------
    TraceError
        The raw file cannot be read.
    """
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib import pyplot as plt

    recording = study.table("recordings", [("recording_id", "==", row["recording_id"])]).iloc[0]
    landing = study.table("landings", [("landing_id", "==", row["landing_id"])]).iloc[0]
    profile = study.settings.devices[recording["device"]]
    try:
        signals = read_signals(study.raw / recording["path"], profile, CHANNELS[row["sensor"]])
    except NotReadableError as error:
        raise TraceError(f"{recording['path']}: {error}") from error
    figure, axes = plt.subplots(figsize=(9.0, 5.0), layout="constrained")
    styles = ("-", "--", ":", "-.")
    for number, (name, values) in enumerate(shown_channels(signals, row).items()):
        time_s = signals.start_s + np.arange(len(values)) / signals.rate_hz
        shade = str(0.15 + 0.2 * (number % 3))
        axes.plot(time_s, values, styles[number % 4], color=shade, lw=1.2, label=name)
    first, last = (signals.seconds(row[end]) for end in ("first_sample", "last_sample"))
    axes.axvspan(first, last, color="0.85", label=f"samples {row['first_sample']:g} to "
                 f"{row['last_sample']:g}")  # fmt: skip
    events = {"initial contact": "initial_contact_s", "take-off": "takeoff_s",
              "lowest centre of mass": "lowest_com_s"}  # fmt: skip
    moments = {word: landing[column] for word, column in events.items()}
    for (word, moment), style in zip(moments.items(), styles, strict=False):
        if not pd.isna(moment):
            axes.axvline(moment, color="black", lw=0.9, ls=style, label=f"{word}, {moment:.3f} s")
    around = [first, last, *(m for m in moments.values() if not pd.isna(m))]
    axes.set_xlim(min(around) - _MARGIN_S, max(around) + _MARGIN_S)
    axes.set_xlabel("time on the clock of the trial, s")
    axes.set_ylabel(_LABELS[row["sensor"]])
    axes.set_title(f"{row['landing_id']}\n{row['metric']} by {row['sensor']}: {row['value']:.6g} "
                   f"{row['unit']}", fontsize=10, loc="left")  # fmt: skip
    figure.legend(fontsize=8, loc="outside lower center", ncols=3, frameon=False)
    path.parent.mkdir(parents=True, exist_ok=True)
    figure.savefig(path, dpi=150, metadata={"Software": None} if path.suffix == ".png" else None)
    plt.close(figure)
