"""Raw recordings by readers of their own, for every format, apart from the pipeline's.

They read sound files only, and refuse everything else with a sentence: the pipeline has judged
each file before, and a second opinion that mends what it reads is none.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from analysis.audit.c3d_file import read_c3d
from shared.layout import companions_of
from shared.settings.device import Channel, Counter, DeviceProfile
from shared.units import conversion_factor

Signal = NDArray[np.float64]

_LARGEST_STEP_ERROR = 0.5  # of a sample: a larger one is a lost row (closed form)


class NotReadableError(ValueError):
    """A file that this path does not read; the text is a sentence for a person."""


@dataclass(frozen=True, slots=True)
class RawSignals:
    """Channels of a recording in SI units, shape (samples,) each, on one clock.

    `start_s` is the time of the first sample, `rate_hz` the rate that the time stamps show.
    """

    start_s: float
    rate_hz: float
    channels: Mapping[str, Signal]

    def position(self, time_s: float) -> float:
        """Return the place of an instant in samples, with its fraction."""
        return (time_s - self.start_s) * self.rate_hz

    def seconds(self, position: float) -> float:
        """Return the time of a place."""
        return self.start_s + position / self.rate_hz


def _wanted(profile: DeviceProfile, prefixes: Iterable[str]) -> list[Channel]:
    starts = tuple(prefixes)
    return [item for item in profile.channels if item.channel.startswith(starts)]


def _text_columns(path: Path, profile: DeviceProfile, names: list[str]) -> dict[str, Signal]:
    import pyarrow as pa
    import pyarrow.csv as arrow

    layout = profile.csv
    if layout is None or layout.encoding.replace("_", "-").lower() not in ("utf-8", "utf-8-sig"):
        raise NotReadableError("the second path reads text in UTF-8 only")
    content = path.read_bytes()
    with pa.BufferReader(content) as stream:
        options = arrow.ReadOptions(skip_rows=layout.header_lines, use_threads=False)
        head = content.decode("utf-8-sig").split("\n", layout.header_lines + 1)
        heading = head[layout.header_lines].rstrip("\r").split(layout.delimiter)
        present = [name for name in names if name in [cell.strip().strip('"') for cell in heading]]
        table = arrow.read_csv(
            stream,
            read_options=options,
            parse_options=arrow.ParseOptions(delimiter=layout.delimiter),
            convert_options=arrow.ConvertOptions(
                include_columns=present,
                column_types=dict.fromkeys(present, pa.float64()),
                decimal_point=layout.decimal,
            ),
        )
    return {name: table.column(name).to_numpy() for name in present}


def _parquet_columns(path: Path, names: list[str]) -> dict[str, Signal]:
    import pyarrow.parquet as pq

    with pq.ParquetFile(path) as file:
        present = [name for name in names if name in file.schema_arrow.names]
        table = file.read(columns=present, use_threads=False)
    return {name: table.column(name).to_numpy().astype(np.float64) for name in present}


def _matlab_columns(path: Path, names: list[str]) -> dict[str, Signal]:
    from scipy.io import loadmat

    try:
        content = loadmat(path, variable_names=names, squeeze_me=True)
    except NotImplementedError as error:
        raise NotReadableError("the second path reads MATLAB files up to version 7 only") from error
    return {name: np.asarray(content[name], float) for name in names if name in content}


def _bids_columns(path: Path, names: list[str]) -> tuple[dict[str, Signal], float]:
    """Return the channels that `_channels.tsv` names, and the rate of `_motion.json`."""
    import json

    import pandas as pd

    channels, sidecar = companions_of(path)
    listed = pd.read_csv(channels, sep="\t", dtype=str, keep_default_na=False)["name"].tolist()
    exact = {"float_precision": "round_trip", "na_values": ["n/a"]}
    table = pd.read_csv(path, sep="\t", header=None, names=listed, **exact)
    told = json.loads(sidecar.read_text(encoding="utf-8-sig"))
    rates = (told.get("SamplingFrequencyEffective"), told["SamplingFrequency"])
    rate_hz = next(float(rate) for rate in rates if isinstance(rate, int | float))
    return {name: table[name].to_numpy(float) for name in names if name in listed}, rate_hz


def _columns(
    path: Path, profile: DeviceProfile, names: list[str]
) -> tuple[dict[str, Signal], float | None]:
    if profile.format == "csv":
        return _text_columns(path, profile, names), None
    if profile.format == "parquet":
        return _parquet_columns(path, names), None
    if profile.format == "matlab":
        return _matlab_columns(path, names), None
    if profile.format == "bids_motion":
        return _bids_columns(path, names)
    return read_c3d(path, names)


def _refuse_lost_counts(columns: Mapping[str, Signal], counter: Counter) -> None:
    if counter.column not in columns:
        raise NotReadableError(f"the file has no column {counter.column!r}")
    counts = columns[counter.column]
    if counter.wraps_at is not None:
        counts = np.unwrap(counts, period=counter.wraps_at)
    if not (np.diff(counts) == 1.0).all():
        raise NotReadableError("rows are missing by the sample counter")


def _clock(
    columns: Mapping[str, Signal], profile: DeviceProfile, rate_hz: float | None
) -> tuple[float, float]:
    """Return the time of the first sample and the rate; refuse lost rows."""
    if profile.counter is not None:
        _refuse_lost_counts(columns, profile.counter)
    if profile.time is None:
        return 0.0, rate_hz or profile.rate_hz
    if profile.time.column not in columns:
        raise NotReadableError(f"the file has no column {profile.time.column!r}")
    time_s = columns[profile.time.column] * conversion_factor(profile.time.unit, "s")
    if len(time_s) < 2 or not np.isfinite(time_s).all():
        raise NotReadableError("the time stamps are incomplete")
    if profile.counter is not None:
        slope, start_s = np.polyfit(np.arange(len(time_s)), time_s, 1)
        return float(start_s), 1.0 / float(slope)
    step = (time_s[-1] - time_s[0]) / (len(time_s) - 1)
    regular = time_s[0] + step * np.arange(len(time_s))
    if step <= 0.0 or np.abs(time_s - regular).max() > _LARGEST_STEP_ERROR * step:
        raise NotReadableError("rows are missing between the time stamps")
    return float(time_s[0]), 1.0 / float(step)


def read_signals(path: Path, profile: DeviceProfile, prefixes: Iterable[str]) -> RawSignals:
    """Return the channels of a recording whose names begin with one of `prefixes`.

    Raises
    ------
    NotReadableError
        The file is missing, of a kind this path does not read, or not without gaps.
    """
    wanted = _wanted(profile, prefixes)
    names = [item.column for item in wanted]
    names += [profile.time.column] if profile.time else []
    names += [profile.counter.column] if profile.counter else []
    try:
        columns, rate_hz = _columns(path, profile, names)
    except FileNotFoundError as error:
        raise NotReadableError("the raw file is not there") from error
    except (OSError, ValueError) as error:
        raise NotReadableError(f"the second path cannot read the file: {error}") from error
    start_s, rate = _clock(columns, profile, rate_hz)
    channels = {}
    for item in wanted:
        values = columns.get(item.column)
        if values is None or np.isnan(values).all():
            continue
        if not np.isfinite(values).all():
            raise NotReadableError(f"{item.channel} has empty samples")
        channels[item.channel] = values * item.factor
    return RawSignals(start_s, rate, channels)
