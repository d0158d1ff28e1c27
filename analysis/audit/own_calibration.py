"""What a trial needs of its session, by the second path: weight, flexion axes, bench numbers.

Weight and axes are derived from the raw calibration recordings. The numbers of a unit's bench
calibration (scale, bias, gain) are taken from `unit_calibrations` as they stand: they are checked
against closed forms and open recordings elsewhere, and no landing enters them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.audit.own_plates import load_plates, weighed_n
from analysis.audit.own_signals import stillest
from analysis.audit.own_wearables import flexion_axis
from analysis.audit.raw_files import NotReadableError, RawSignals, read_signals
from shared.channels import AXES, SIDES
from shared.settings.device import DeviceProfile
from shared.settings.processing import ProcessingSettings

Signal = NDArray[np.float64]
_SEGMENTS = tuple(f"{segment}.{side}" for segment in ("thigh", "shank") for side in SIDES)


@dataclass(frozen=True, slots=True)
class Session:
    """One athlete's calibrations at one visit.

    Parameters
    ----------
    weight_n : body weight, by plate where quiet standing was sound, else by the scale
    axes : flexion axis by (device, segment), where the flexions show one
    gains : gain of each gyroscope axis by (device, segment), where the bench knows it
    accelerometers : scale and bias of the waist unit by device, where the bench knows them
    """

    weight_n: float
    axes: dict[tuple[str, str], Signal] = field(default_factory=dict)
    gains: dict[tuple[str, str], Signal] = field(default_factory=dict)
    accelerometers: dict[str, tuple[Signal, Signal]] = field(default_factory=dict)


def _rates(signals: RawSignals, segment: str) -> Signal | None:
    place, _, side = segment.partition(".")
    names = [f"{place}_rate.{side}.{axis}" for axis in AXES]
    if not all(name in signals.channels for name in names):
        return None
    return np.stack([signals.channels[name] for name in names])


def _bias(rates: Signal, rate_hz: float, window_s: float) -> Signal | None:
    # The largest of the three rates tells when the unit is at rest.
    found = stillest(np.linalg.norm(rates, axis=0), round(window_s * rate_hz), 0, rates.shape[1])
    return None if found is None else rates[:, found[0] : found[1] + 1].mean(axis=1)


def _axes(
    standing: RawSignals,
    flexions: RawSignals,
    gains: Mapping[str, Signal],
    settings: ProcessingSettings,
) -> dict[str, Signal]:
    limits = settings.calibration
    axes = {}
    for segment in _SEGMENTS:
        rates, still = _rates(flexions, segment), _rates(standing, segment)
        if rates is None or still is None:
            continue
        bias = _bias(still, standing.rate_hz, limits.window_s)
        if bias is None:
            continue
        centred = (rates - bias[:, None]) / gains.get(segment, np.ones(3))[:, None]
        axis, share, range_deg = flexion_axis(centred, flexions.rate_hz, segment.partition(".")[0])
        sound = share >= limits.smallest_explained_share
        if sound and range_deg >= limits.smallest_flexion_deg:
            axes[segment] = axis
    return axes


def _bench(rows: pd.DataFrame) -> tuple[dict[str, Signal], tuple[Signal, Signal] | None]:
    """Return gains by segment, and scale and bias of the waist unit, from rows of a unit."""
    gains: dict[str, Signal] = {}
    waist = None
    # Known orientations fix the axes too, so they come last and win.
    for kind in ("known_rotation", "static_poses", "six_orientations"):
        for location, group in rows.loc[rows["kind"] == kind].groupby("location", sort=True):
            if group["reason"].ne("").any():
                continue
            value = dict(zip(group["quantity"], group["value"].astype(float), strict=True))
            if kind == "known_rotation":
                gains[str(location)] = np.array([value.get(f"gain_{a}", 1.0) for a in AXES])
            elif location == "waist":
                scale = np.array([[value[f"scale_{r}{c}"] for c in AXES] for r in AXES])
                waist = scale, np.array([value[f"bias_{axis}"] for axis in AXES])
    return gains, waist


def _read(
    rows: pd.DataFrame, kind: str, prefixes: tuple[str, ...], folder: Path, profile: DeviceProfile
) -> RawSignals | None:
    paths = rows.loc[rows["kind"] == kind, "path"].unique()
    try:
        return read_signals(folder / paths[0], profile, prefixes) if len(paths) else None
    except NotReadableError:
        return None


def session_of(
    calibrations: pd.DataFrame,
    units: pd.DataFrame,
    mass_kg: float,
    folder: Path,
    profiles: Mapping[str, DeviceProfile],
    settings: ProcessingSettings,
) -> Session:
    """Derive what the trials of a visit need from its raw calibration recordings.

    Parameters
    ----------
    calibrations
        Rows of the table of that name, of one athlete at one visit.
    units
        The whole table `unit_calibrations`.
    """
    by_scale = mass_kg * settings.standard_gravity
    weight: float | None = None
    session: dict[str, Any] = {"axes": {}, "gains": {}, "accelerometers": {}}
    for device, rows in calibrations.groupby("device", sort=True):
        name, profile = str(device), profiles[str(device)]
        own = units.loc[(units["device"] == name) & units["unit_code"].isin(rows["unit_code"])]
        applied = set(rows.loc[rows["bench"] == "applied", "location"])
        gains, waist = _bench(own.loc[own["location"].isin(applied)])
        session["gains"] |= {(name, segment): gain for segment, gain in gains.items()}
        if waist is not None:
            session["accelerometers"][name] = waist
        prefixes = ("vertical_force.", "thigh_rate.", "shank_rate.")
        standing = _read(rows, "standing", prefixes, folder, profile)
        if standing is None:
            continue
        plates = load_plates(standing, settings)
        if plates is not None and weight is None:
            weight = weighed_n(plates, mass_kg, settings)
        flexions = _read(rows, "functional_flexion", prefixes[1:], folder, profile)
        if flexions is not None:
            found = _axes(standing, flexions, gains, settings)
            session["axes"] |= {(name, segment): axis for segment, axis in found.items()}
    return Session(weight or by_scale, **session)
