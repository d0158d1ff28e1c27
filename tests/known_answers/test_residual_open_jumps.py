"""Noise of real plates by residual analysis, against the same plates while nobody stands on them.

`course_jumps_MIT`, jumps_raw.parquet: J. L. Lopez Elvira, BiomecanicaPython (MIT); jumps on two
force plates, 1000 Hz, unfiltered. The second path needs no filter: in flight the plate is empty,
and the standard deviation of first differences over sqrt(2) is that of white noise, whatever drifts
slowly below it. The plate still rings a little after take-off, so that agreement is rough.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipeline.filtering.residual_analysis import (
    NotSuggested,
    Suggested,
    candidate_cutoffs,
    residual_rms,
    suggest_cutoff,
    white_noise_residual,
)
from shared.settings.load import load_settings
from shared.sources import ROOT

DATA = ROOT.parent / "shared" / "data" / "course_jumps_MIT" / "jumps_raw.parquet"
PROCESSING = load_settings(ROOT / "config").processing
SETTINGS, ORDER = PROCESSING.residual_analysis, PROCESSING.filtering.order_per_pass
RATE = 1000.0
CUTOFFS = candidate_cutoffs(
    SETTINGS.lowest_cutoff_hz, SETTINGS.tail_until_share * RATE / 2, SETTINGS.step_ratio
)
QUIET = slice(300, 1300)  # in all whole recordings nobody moves or stands there before 1.3 s


@pytest.fixture(scope="module")
def jumps() -> dict[str, np.ndarray]:
    if not DATA.is_file():
        pytest.skip("the open recordings are not in the folder `shared` next to the project")
    table = pd.read_parquet(DATA)
    table["trial"] = table["trial"].astype(str)
    forces = {name: rows["fz_N"].to_numpy() for name, rows in table.groupby("trial")}
    # This export begins in mid-movement: it has no quiet second.
    return {name: force for name, force in forces.items() if name != "CMJ6_faulty_export"}


def longest_flight(force: np.ndarray) -> np.ndarray:
    """Samples of the longest stretch below 15 N."""
    low = np.flatnonzero(np.abs(force) < 15.0)
    return max(np.split(low, np.flatnonzero(np.diff(low) > 1) + 1), key=len)


def analyse(force: np.ndarray, window: slice) -> Suggested | NotSuggested:
    return suggest_cutoff(
        CUTOFFS,
        residual_rms(force, RATE, CUTOFFS, order_per_pass=ORDER, window=window),
        white_noise_residual(CUTOFFS, RATE, ORDER),
        tail_from_hz=SETTINGS.tail_from_share * RATE / 2,
        largest_misfit=SETTINGS.largest_tail_misfit,
        largest_fall=SETTINGS.largest_tail_fall,
    )


def test_the_noise_of_a_quiet_second_is_that_of_the_empty_plate(jumps):
    """White noise would give 0.967; found 0.85 to 1.25, and the bounds are that, rounded outwards.

    CMJ4 is left out: its empty plate rings at 280 Hz, so that its differences say 1.7 N where its
    quiet second has 0.85 N.
    """
    ratios = []
    for name, force in jumps.items():
        flight = longest_flight(force)
        empty = force[flight[flight < 2900] if name == "DJ1" else flight[60:-20]]
        by_differences = np.diff(empty).std() / np.sqrt(2.0)
        found = analyse(force, QUIET)
        assert isinstance(found, Suggested), name
        if name != "CMJ4":
            ratios.append(found.tail.intercept / by_differences)
    assert len(ratios) == 16
    assert 0.9 < np.median(ratios) < 1.15
    assert min(ratios) > 0.8
    assert max(ratios) < 1.3


def test_after_a_landing_the_ringing_of_the_plate_counts_as_noise(jumps):
    """Why the noise of the landing's window is no property of the sensor alone.

    Found: 3.9 to 17 times the noise of a quiet second, or no noise at all to tell.
    """
    looked_at = 0
    for name, force in jumps.items():
        contact = 2981 if name == "DJ1" else longest_flight(force)[-1]
        first = round(contact - SETTINGS.before_contact_s * RATE)
        last = round(contact + SETTINGS.after_contact_s * RATE)
        if last > len(force):
            continue
        quiet, landing = analyse(force, QUIET), analyse(force, slice(first, last))
        assert quiet.tail is not None
        assert landing.tail is not None
        assert landing.tail.intercept > 2.0 * quiet.tail.intercept, name
        looked_at += 1
    assert looked_at == 15
