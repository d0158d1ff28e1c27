"""Units that send their samples in packets: counted by the unit, stamped on arrival, some lost."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.simulate.columns import Columns
from pipeline.simulate.settings import Radio

Array = NDArray[np.float64]

COUNT, STAMPS = "sample_count", "time_s"


def sent(columns: Columns, how: Radio, rng: np.random.Generator) -> Columns:
    """Return the columns with a count of the samples, and stamped when their packet arrived.

    The unit counts on from wherever it stood. Packets arrive in their order, never before their
    last sample was taken; stamps have milliseconds.
    """
    taken_s = columns[STAMPS]
    packet = np.arange(len(taken_s)) // how.packet_samples
    last_of_packet = np.minimum((packet + 1) * how.packet_samples, len(taken_s)) - 1
    late_s = np.abs(rng.normal(0.0, how.arrival_sd_s, packet[-1] + 1))
    arrived_s = np.maximum.accumulate(taken_s[last_of_packet] + late_s[packet])
    first = rng.integers(how.wraps_at)
    counts = (first + np.arange(len(taken_s))) % how.wraps_at
    rest = {name: values for name, values in columns.items() if name != STAMPS}
    return {COUNT: counts.astype(np.int16), STAMPS: np.round(arrived_s, 3), **rest}


def lose_packets(columns: Columns, how: Radio, rng: np.random.Generator) -> tuple[Columns, int]:
    """Return the columns without the packets that were lost, and how many these are.

    The first and the last packet arrive, else nobody could tell that they were sent.
    """
    rows = len(columns[COUNT])
    packet = np.arange(rows) // how.packet_samples
    lost = rng.random(packet[-1] + 1) < how.lost_packet_share
    lost[[0, -1]] = False
    if not lost.any():
        return columns, 0
    keep = ~lost[packet]
    return {name: values[keep] for name, values in columns.items()}, int(lost.sum())
