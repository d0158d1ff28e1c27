"""Whatever numbers a recording holds, each file format gives the same ones back.

Written by general-purpose libraries (pyarrow, scipy, ezc3d) and read by the readers of a study.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from pipeline.readers.read import read_recording
from pipeline.readers.recording import Recording
from shared.settings.device import DeviceProfile
from tests.known_answers.closed_study import SUFFIXES, profile, write_file

RANGES = {
    place["column"]: place["range"] for place in profile("unit", 500.0, "csv", 16.0)["channels"]
}
EXACT = sorted(set(SUFFIXES) - {"c3d"})


@st.composite
def recordings(draw) -> tuple[float, dict[str, np.ndarray]]:
    """Rate, and columns of any finite numbers within the range of their channel."""
    rate_hz = draw(st.sampled_from([100.0, 204.8, 500.0, 1000.0, 2000.0]))
    size = draw(st.integers(10, 40))
    shares = draw(arrays(np.float64, (len(RANGES), size), elements=st.floats(-0.9, 0.9, width=64)))
    columns = {name: share * RANGES[name] for name, share in zip(RANGES, shares, strict=True)}
    return rate_hz, {"time_s": np.arange(size) / rate_hz, **columns}


def _through(file_format: str, rate_hz: float, columns: dict[str, np.ndarray]) -> Recording:
    suffix = SUFFIXES[file_format]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / (f"trial{suffix}" if suffix[0] == "_" else f"trial.{suffix}")
        write_file(columns, path)
        device = DeviceProfile.model_validate(profile("unit", rate_hz, file_format, 16.0))
        return read_recording(path, device)


@settings(max_examples=15, deadline=None)
@given(recordings())
def test_every_format_gives_the_numbers_that_were_written(recording):
    rate_hz, columns = recording
    expected = _through("parquet", rate_hz, columns)
    for place in profile("unit", rate_hz, "csv", 16.0)["channels"]:
        factor = {"N": 1.0, "g": 9.80665}.get(place["unit"], np.pi / 180.0)
        np.testing.assert_allclose(
            expected.channels[place["channel"]], factor * columns[place["column"]], rtol=1e-15
        )
    for file_format in EXACT:
        found = _through(file_format, rate_hz, columns)
        assert found.rate_hz == expected.rate_hz
        for channel, values in expected.channels.items():
            np.testing.assert_array_equal(found.channels[channel], values, err_msg=file_format)
    # C3D analog channels have single precision: half a unit in the last place is 6e-8.
    found = _through("c3d", rate_hz, columns)
    assert found.rate_hz == np.float32(expected.rate_hz)
    for channel, values in expected.channels.items():
        np.testing.assert_allclose(found.channels[channel], values, rtol=6.1e-8, atol=1e-37)
