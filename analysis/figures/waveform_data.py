"""The example landings that a figure shows: signals, events and measured peaks, without codes."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from shared.metric_dictionary import metrics as dictionary

SIGNALS = {
    "vertical_force": "Vertical force",
    "waist_acceleration": "Waist acceleration",
    "knee_flexion_rate": "Knee flexion rate",
    "knee_flexion": "Knee flexion",
    "knee_flexion_camera": "Knee flexion, camera",
}
"""Beginning of the name of a channel -> words, in the order of the rows of panels."""

EVENTS = ("initial_contact_s", "takeoff_s", "lowest_com_s")
PEAK = "measured_peak"

_PEAKS = {
    "vertical_force": ("peak_vgrf", "plate"),
    "waist_acceleration": ("peak_waist_acceleration", "waist"),
    "knee_flexion_rate": ("peak_knee_flexion_rate", "gyro"),
    "knee_flexion": ("peak_knee_flexion", "gyro"),
    "knee_flexion_camera": ("peak_knee_flexion", "camera"),
}
_PEAK_WINDOWS = {
    "vertical_force": "peak_force_s",
    "waist_acceleration": "waist_peak_s",
    "knee_flexion_rate": "knee_flexion_s",
    "knee_flexion": "knee_flexion_s",
    "knee_flexion_camera": "knee_flexion_s",
}
"""Signal -> window of processing.yaml that its peak was sought in."""


def _with_signal(waveforms: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of channels that are shown; the whole force, not the limbs' parts of it."""
    kinds = waveforms["channel"].str.split(".").str[0]
    part_of_force = waveforms["channel"].str.match(r"vertical_force\.(left|right)$")
    return waveforms.assign(signal=kinds).loc[kinds.isin(SIGNALS) & ~part_of_force]


def _peaks(table: pd.DataFrame, metrics: pd.DataFrame, windows: Mapping[str, float]) -> pd.Series:
    """Return the measured peak beside the highest sample of each curve, NaN elsewhere.

    The value is that of the table of metrics; only its place in time is read from the curve.
    """
    wanted = pd.DataFrame(
        [(signal, *peak) for signal, peak in _PEAKS.items()], columns=["signal", "metric", "sensor"]
    )
    values = metrics.merge(wanted, on=["metric", "sensor"])[["landing_id", "signal", "value"]]
    measured = table[["landing_id", "signal"]].merge(
        values.rename(columns={"value": PEAK}), on=["landing_id", "signal"], how="left"
    )[PEAK]
    latest_s = table["signal"].map({name: windows[key] for name, key in _PEAK_WINDOWS.items()})
    searched = table.loc[(table["time_s"] >= 0.0) & (table["time_s"] <= latest_s)]
    highest = searched.groupby(["landing_id", "channel"], sort=True)["value"].idxmax()
    return measured.set_axis(table.index).where(table.index.isin(highest))


def examples(
    waveforms: pd.DataFrame,
    landings: pd.DataFrame,
    metrics: pd.DataFrame,
    task: str,
    windows: Mapping[str, float],
) -> pd.DataFrame:
    """Return the example waveforms of a task, numbered within site.

    `windows` are those of processing.yaml: how long after contact each peak was sought.

    Columns: site, signal, channel, example, time_s, value, unit; the events of the landing in
    seconds from initial contact; the measured peak at the sample where it is drawn.
    """
    chosen = _with_signal(waveforms.loc[waveforms["task"] == task])
    if task not in dictionary()[_PEAKS["vertical_force"][0]].tasks:
        # Nothing of such a landing is on the plates: empty ones would show their noise only.
        chosen = chosen.loc[chosen["signal"] != "vertical_force"]
    ids = chosen[["site", "landing_id"]].drop_duplicates().sort_values(["site", "landing_id"])
    ids["example"] = ids.groupby("site").cumcount() + 1
    events = landings[["landing_id"]].copy()
    for event in EVENTS:
        events[event] = landings[event] - landings["initial_contact_s"]
    table = chosen.merge(ids, on=["site", "landing_id"]).merge(events, on="landing_id", how="left")
    table[PEAK] = _peaks(table, metrics, windows)
    # Digits beyond what a drawing shows would only swell the file of its data.
    table["value"] = table["value"].round(5)
    table[[*EVENTS]] = table[[*EVENTS]].round(6)
    order = ["site", "signal", "channel", "example", "time_s"]
    columns = ["site", "signal", "channel", "example", "time_s", "value", "unit", *EVENTS, PEAK]
    return table.sort_values(order, kind="stable", ignore_index=True)[columns]
