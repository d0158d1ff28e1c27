"""Real drop landings by our functions and by a second code path of a few lines.

`course_jumps_MIT`, drop_landings_BW.csv: J. L. Lopez Elvira, BiomecanicaPython (MIT); 12 curves of
vertical force over body weight from contact, 1000 Hz. Nothing but the curves is published, so the
second path is general: numpy's gradient and interpolation, scipy's peak finder.
"""

import numpy as np
import pandas as pd
import pytest
from scipy.signal import find_peaks

from pipeline.filtering.butterworth import zero_lag_lowpass
from pipeline.metrics.force import peak_force
from pipeline.metrics.loading_rate import loading_rate_20_to_80_percent, peak_loading_rate
from pipeline.metrics.outcome import Refused
from pipeline.metrics.peaks import two_peaks
from shared.sources import ROOT

DATA = ROOT.parent / "shared" / "data" / "course_jumps_MIT" / "drop_landings_BW.csv"
RATE, BEFORE = 1000.0, 50
PLACE = {"contact": float(BEFORE), "body_weight_n": 1.0}


@pytest.fixture(scope="module")
def landings():
    """Each curve after 50 ms of an empty plate, in body weights."""
    if not DATA.is_file():
        pytest.skip("the open recordings are not in the folder `shared` next to the project")
    curves = pd.read_csv(DATA).groupby(["condition", "participant"])["fz_BW"]
    return {key: np.concatenate([np.zeros(BEFORE), curve]) for key, curve in curves}


def _peak(force):
    return peak_force(force, RATE, contact=float(BEFORE), lowest=None, peak_force_s=0.150)


def test_loading_rates_by_a_second_code_path(landings):
    assert len(landings) == 12
    compared = 0
    for key, force in landings.items():
        peak = _peak(force)
        top = BEFORE + int(np.argmax(force[BEFORE : BEFORE + 151]))
        slopes = np.gradient(force) * RATE
        found = peak_loading_rate(force, peak, RATE, **PLACE).value
        assert found == pytest.approx(slopes[BEFORE : top + 1].max(), rel=1e-12), key
        times = []
        for share in (0.2, 0.8):
            after = BEFORE + int(np.flatnonzero(force[BEFORE:] >= share * force[top])[0])
            pair = force[after - 1 : after + 1]
            times.append(float(np.interp(share * force[top], pair, [after - 1, after])))
        secant = loading_rate_20_to_80_percent(force, peak, RATE, **PLACE)
        if isinstance(secant, Refused):
            assert times[0] < BEFORE or times[1] - times[0] < 1.0, key
            continue
        assert secant.value == pytest.approx(0.6 * force[top] / np.diff(times)[0] * RATE, rel=1e-9)
        compared += 1
    assert compared >= 10


def test_toe_and_heel_peaks_by_the_peak_finder_of_scipy(landings):
    seen = 0
    for key, raw in landings.items():
        force = zero_lag_lowpass(raw, RATE, cutoff_hz=100.0, order_per_pass=2)
        found = two_peaks(
            force, RATE, contact=float(BEFORE), lowest=None, from_s=0.015, until_s=0.100,
            smallest_prominence_n=0.2, reach_s=0.200,
        )  # fmt: skip
        stretch = force[BEFORE : BEFORE + 201]
        peaks, _ = find_peaks(stretch, prominence=0.2)
        peaks = peaks[(peaks >= 15) & (peaks <= 100)]
        if isinstance(found, Refused):
            assert len(peaks) < 2, key
            continue
        seen += 1
        assert found.force_n == tuple(stretch[peaks[:2]]), key
        assert found.position == pytest.approx(BEFORE + peaks[:2], abs=0.5), key
    assert seen >= 3  # so that the comparison is one: how many have two peaks is not published


def test_shoes_make_landings_less_steep(landings):
    # Barefoot peaks are higher in all six (PROVENANCE); slopes, found here: in five, and equal
    # within 2 % in the sixth
    steepest = {
        key: peak_loading_rate(force, _peak(force), RATE, **PLACE).value
        for key, force in landings.items()
    }
    ratios = sorted(
        steepest["barefoot", f"P{number}"] / steepest["shod", f"P{number}"]
        for number in range(1, 7)
    )
    assert ratios[0] > 0.98
    assert ratios[1] > 1.0
