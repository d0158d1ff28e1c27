"""Step: residual analysis of a few recordings of each device and task, beside the set cut-offs.

It suggests and never changes anything: the cut-offs of processing.yaml are fixed before the data
are seen, one per signal for everybody, because a cut-off of each trial's own would make the filter
a hidden covariate.

Window: the residual is averaged around the first contact, the stretch that the landing metrics
read, not over the whole recording, whose seconds of quiet stance would hide what a low cut-off
takes from the impact. The filter runs over the whole recording. What rings after the impact (the
plate, the belt) counts as noise there: on open jumps (tests/known_answers/test_residual_open_jumps)
four to seventeen times that of a quiet second.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.extraction.lottery import lot
from pipeline.extraction.reading import profiles_of, read_file
from pipeline.extraction.signals import Signals
from pipeline.filtering.butterworth import settling_samples
from pipeline.filtering.residual_analysis import (
    Suggested,
    candidate_cutoffs,
    residual_rms,
    suggest_cutoff,
    white_noise_residual,
)
from pipeline.filtering.signal_kinds import KINDS, SignalKind, channels_of
from pipeline.reasons import Reason
from shared.provenance import code_version, hash_of_settings, sha256_of_file
from shared.settings.device import DeviceProfile
from shared.settings.processing import ProcessingSettings, ResidualAnalysis
from shared.settings.strict import validate
from shared.sources import ROOT, sources_of
from shared.tables import empty_table, read_table, write_table

STEP = "pipeline.extraction.residual_curves:residual_curves"
Signal = NDArray[np.float64]
_TRIAL = ["athlete_id", "visit", "task", "side", "trial"]


def draw_recordings(
    recordings: pd.DataFrame, landings: pd.DataFrame, synchronisation: pd.DataFrame, count: int
) -> pd.DataFrame:
    """Return `count` recordings of each device and task, by their lot, never by a value.

    They are usable and on the clock of their trial, whose first landing is valid; the column
    `initial_contact_s` is its time as the file counts it. Sorted by device, task and lot.
    """
    own_clock = landings["flags"].str.contains(str(Reason.OWN_CLOCK), regex=False)
    first = landings.loc[
        landings["valid"]
        & (landings["landing"] == 1)
        & landings["initial_contact_s"].notna()
        & ~own_clock,
        [*_TRIAL, "initial_contact_s"],
    ]
    drawn = recordings.loc[recordings["usable"]].merge(first, on=_TRIAL, validate="m:1")
    # The file is read as it is: the lag that was taken from its times is still in them.
    clocks = synchronisation.set_index("recording_id")
    away = drawn["recording_id"].isin(clocks.index[~clocks["applied"].astype(bool)])
    lag_s = drawn["recording_id"].map(clocks["lag_s"]).astype(float).fillna(0.0)
    drawn = drawn.assign(initial_contact_s=drawn["initial_contact_s"] + lag_s).loc[~away]
    drawn = drawn.assign(lot=drawn["recording_id"].map(lot))
    drawn = drawn.sort_values(["device", "task", "lot"], ignore_index=True)
    return drawn.groupby(["device", "task"], sort=True).head(count).reset_index(drop=True)


def window_around(signals: Signals, contact_s: float, settings: ResidualAnalysis) -> slice | None:
    """Return the samples around a contact.

    None where they are not all there or lie in a gap, where the recording is too short for the
    lowest candidate, or where a flag (another rate than declared, say) concerns all of it.
    """
    if signals.flags:
        return None
    first = round(signals.position(contact_s - settings.before_contact_s))
    last = round(signals.position(contact_s + settings.after_contact_s))
    samples = len(next(iter(signals.channels.values())))
    shortest = settling_samples(settings.lowest_cutoff_hz, signals.rate_hz)
    if first < 0 or last >= samples or samples <= shortest:
        return None
    if any(gap.overlaps(first, last) for gap in signals.gaps):
        return None
    return slice(first, last + 1)


@dataclass(frozen=True)
class _Curves:
    """Residual curves of the recordings of one device and task, by kind of signal, SI units."""

    cutoffs_hz: Signal
    rate_hz: float
    by_kind: dict[str, list[Signal]]


def _curves(
    rows: pd.DataFrame, profile: DeviceProfile, folder: Path, processing: ProcessingSettings
) -> _Curves:
    settings = processing.residual_analysis
    # The declared rate serves all files of a device: found ones lie within its small tolerance.
    highest = settings.tail_until_share * 0.5 * profile.rate_hz
    cutoffs = candidate_cutoffs(settings.lowest_cutoff_hz, highest, settings.step_ratio)
    by_kind: dict[str, list[Signal]] = {kind.name: [] for kind in KINDS}
    for row in rows.itertuples(index=False):
        signals = read_file(
            folder / row.path, profile, row.path, row.recording_id, processing.calibration.window_s
        ).signals
        if signals is None:
            continue
        window = window_around(signals, row.initial_contact_s, settings)
        if window is None:
            continue
        for kind, curves in by_kind.items():
            if names := channels_of(kind, row.side, signals.channels):
                channels = np.stack([signals.channels[name] for name in names])
                lost = residual_rms(
                    channels,
                    profile.rate_hz,
                    cutoffs,
                    order_per_pass=processing.filtering.order_per_pass,
                    window=window,
                )
                curves.append(np.sqrt(np.mean(lost**2, axis=-1)))
    return _Curves(cutoffs, profile.rate_hz, by_kind)


def _table(
    kind: SignalKind, task: str, device: str, found: _Curves, processing: ProcessingSettings
) -> pd.DataFrame:
    """Return the rows of one residual curve, in the unit of the kind."""
    settings, cutoffs = processing.residual_analysis, found.cutoffs_hz
    curves = kind.per_si * np.stack(found.by_kind[kind.name])
    mean = curves.mean(axis=0)
    tail_from_hz = settings.tail_from_share * 0.5 * found.rate_hz
    outcome = suggest_cutoff(
        cutoffs,
        mean,
        white_noise_residual(cutoffs, found.rate_hz, processing.filtering.order_per_pass),
        tail_from_hz=tail_from_hz,
        largest_misfit=settings.largest_tail_misfit,
        largest_fall=settings.largest_tail_fall,
    )
    tail, suggested = outcome.tail, isinstance(outcome, Suggested)
    configured = getattr(processing.filtering, kind.cutoff)
    return pd.DataFrame(
        {
            "signal": kind.name,
            "device": device,
            "task": task,
            "cutoff_hz": cutoffs,
            "recordings": len(curves),
            "residual_mean": mean,
            "residual_lower_quartile": np.quantile(curves, 0.25, axis=0),
            "residual_upper_quartile": np.quantile(curves, 0.75, axis=0),
            "unit": kind.unit,
            "in_tail": cutoffs >= tail_from_hz,
            "tail_intercept": tail.intercept if tail else math.nan,
            "tail_slope": tail.slope if tail else math.nan,
            "tail_misfit": tail.misfit if tail else math.nan,
            "tail_fall": tail.fall if tail else math.nan,
            "suggested_cutoff_hz": outcome.cutoff_hz if suggested else math.nan,
            "configured_cutoff_hz": math.nan if configured is None else configured,
            "reason": "" if suggested else outcome.reason,
            "detail": "" if suggested else outcome.detail,
        }
    )


def _tables(
    drawn: pd.DataFrame,
    profiles: Mapping[str, DeviceProfile],
    folder: Path,
    processing: ProcessingSettings,
) -> Iterator[pd.DataFrame]:
    for (device, task), rows in drawn.groupby(["device", "task"], sort=True):
        found = _curves(rows, profiles[device], folder, processing)
        for kind in KINDS:
            if found.by_kind[kind.name]:
                yield _table(kind, task, device, found, processing)


def residual_curves(
    *,
    recordings: Path,
    landings: Path,
    synchronisation: Path,
    residuals: Path,
    processing: dict[str, Any],
    devices: dict[str, Any],
    study_folder: str,
) -> None:
    """Write the table `residuals`: mean residual by signal, device, task and candidate cut-off.

    Parameters
    ----------
    recordings, landings, synchronisation
        The collected tables. They change when a raw file does (they hold its hash), so that the
        raw files themselves need not be watched.

    Raises
    ------
    StudyError
        A setting is wrong.
    """
    settings = validate(ProcessingSettings, processing, "processing.yaml")
    profiles = profiles_of(devices)
    drawn = draw_recordings(
        read_table(recordings),
        read_table(landings),
        read_table(synchronisation),
        settings.residual_analysis.recordings_per_device_and_task,
    )
    tables = list(_tables(drawn, profiles, Path(study_folder), settings))
    table = pd.concat(tables, ignore_index=True) if tables else empty_table("residuals")
    write_table(
        table.sort_values(["signal", "device", "task", "cutoff_hz"], ignore_index=True),
        residuals,
        "residuals",
        inputs={
            "recordings": sha256_of_file(recordings),
            "landings": sha256_of_file(landings),
            "synchronisation": sha256_of_file(synchronisation),
            "processing": hash_of_settings(processing),
            "devices": hash_of_settings(devices),
        },
        code_version=code_version(sources_of(STEP), ROOT),
    )
