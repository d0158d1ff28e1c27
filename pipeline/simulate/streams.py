"""Random numbers of each athlete: independent of cores, order, restarts and cohort size."""

from __future__ import annotations

from typing import Literal

import numpy as np

Stream = Literal[
    "person",
    "style",
    "protocol",
    "outcome",
    "measurement",
    "further_style",
    "further_protocol",
    "further_measurement",
    "session",
    "clocks",
]
_NUMBERS: dict[Stream, int] = {
    "person": 0,
    "style": 1,
    "protocol": 2,
    "outcome": 3,
    "measurement": 4,
    "further_style": 5,
    "further_protocol": 6,
    "further_measurement": 7,
    "session": 8,
    "clocks": 9,
}


def generator(seed: int, athlete: int, stream: Stream) -> np.random.Generator:
    """Return the generator of one athlete (counted from 1) for one purpose."""
    sequence = np.random.SeedSequence(seed, spawn_key=(athlete, _NUMBERS[stream]))
    return np.random.default_rng(sequence)
