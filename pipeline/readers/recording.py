"""What a reader hands on: the samples of one recording in SI units, with what was found in it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from shared.errors import Problem

Samples = NDArray[np.float64]


@dataclass(frozen=True)
class Gap:
    """A hole in the time stamps: `length` samples are missing after sample `after`."""

    after: int
    length: int


@dataclass(frozen=True)
class Header:
    """What a file says about itself before its samples; cheap to read.

    Parameters
    ----------
    columns : names of columns, labels or arrays, in the order of the file
    units : unit by column, only where the file states it
    text : every other free text, as (place, text); material for the privacy gate
    """

    columns: tuple[str, ...]
    units: dict[str, str]
    text: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class RawColumns:
    """Columns of a file as they stand there, before units and signs.

    Parameters
    ----------
    columns : float64 arrays of equal length by column name; an empty cell is NaN
    units : unit by column, only where the file states it
    rate_hz : sampling rate, only where the file states it
    first_row : row of the first sample as a spreadsheet counts (1 where there are no rows)
    """

    columns: dict[str, Samples]
    units: dict[str, str]
    rate_hz: float | None
    first_row: int


@dataclass(frozen=True)
class Recording:
    """Samples of one recording.

    Parameters
    ----------
    name : the file as the user knows it
    device : device profile
    sha256 : hash of the very bytes that were parsed
    time_s : time stamps in s since the common trigger (by stomps: since any instant), shape (n,)
    channels : canonical channel -> SI values, each of shape (n,); an empty cell is NaN and
        listed in `problems`
    rate_hz : sampling rate found in the file (the declared one when the file holds no time)
    gaps : holes in the time stamps
    problems : everything that the checks found, so that nobody can forget to run them
    jitter_s : largest distance of a time stamp from the time rebuilt by a counter; None without
        both
    largest : largest magnitude of each channel, NaN where a cell is empty; a channel that is not
        listed was not looked at
    """

    name: str
    device: str
    sha256: str
    time_s: Samples
    channels: dict[str, Samples]
    rate_hz: float
    gaps: tuple[Gap, ...] = ()
    problems: tuple[Problem, ...] = ()
    jitter_s: float | None = None
    largest: dict[str, float] = field(default_factory=dict)

    @property
    def samples(self) -> int:
        """Number of samples."""
        return int(self.time_s.size)

    @property
    def duration_s(self) -> float:
        """Last minus first time stamp, in s."""
        return float(self.time_s[-1] - self.time_s[0])
