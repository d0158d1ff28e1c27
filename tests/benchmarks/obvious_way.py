"""The obvious way, for comparison: one process per recording, pandas and scipy."""

import json
import sys
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.signal import butter, filtfilt


def main(source: Path, target: Path) -> None:
    """Read one recording, filter every column, take a few metrics of the first landing."""
    table = pd.read_csv(source)
    rate = 1.0 / np.diff(table["time_s"]).mean()
    b, a = butter(2, 50.0, fs=rate)
    smooth = pd.DataFrame(
        {name: filtfilt(b, a, table[name]) for name in table.columns if name != "time_s"}
    )
    force = table["force_left_N"] + table["force_right_N"]
    weight = force[-1000:].mean()
    empty = np.flatnonzero(force < 20.0)
    contact = int(empty[-1]) + 1 if len(empty) and empty[-1] + 300 < len(force) else 0
    window = slice(contact, contact + 200)
    vertical = (smooth["force_left_N"] + smooth["force_right_N"])[window]
    waist = np.sqrt(sum(smooth[f"waist_{axis}_g"] ** 2 for axis in "xyz"))[window]
    rate_left = (smooth["thigh_left_z_deg_s"] - smooth["shank_left_z_deg_s"]).cumsum() / rate
    metrics = {
        "contact": contact,
        "peak_force_bw": float(vertical.max() / weight),
        "impulse_100_ms": float(force[contact : contact + 100].sum() / rate / weight),
        "peak_waist_g": float(waist.max()),
        "knee_excursion_deg": float(rate_left[window].max() - rate_left[contact]),
    }
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_text(json.dumps(metrics))


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
