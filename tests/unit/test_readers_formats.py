"""The same signal through every format gives the same SI arrays.

Second opinions: pandas reads the delimited text; ezc3d writes the C3D files (C3D is an open
standard, c3d.org), scipy the MATLAB files, pyarrow the Parquet files.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import ezc3d
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from scipy.io import savemat

from pipeline.readers.read import read_header, read_recording
from shared.errors import StudyError
from shared.settings.device import DeviceProfile

RATE = 500.0
SAMPLES = 400
# Conversions by definition: 1 g = 9.80665 m/s² (3rd CGPM 1901), 180 deg = pi rad.
TO_SI = {"fz": 1.0, "ax": 9.80665, "ay": 9.80665, "az": 9.80665, "gz": np.pi / 180.0}
SIGN = {"fz": -1.0, "ax": 1.0, "ay": 1.0, "az": 1.0, "gz": -1.0}
CHANNEL = {
    "fz": "vertical_force.single",
    "ax": "waist_acceleration.x",
    "ay": "waist_acceleration.y",
    "az": "waist_acceleration.z",
    "gz": "shank_rate.left.z",
}
UNIT = {"fz": "N", "ax": "g", "ay": "g", "az": "g", "gz": "deg/s"}
RANGE = {"fz": 8000, "ax": 16, "ay": 16, "az": 16, "gz": 2000}


def profile(format_: str, **changes: object) -> DeviceProfile:
    content = {
        "device": "test_device",
        "kind": "mixed",
        "description": "invented",
        "format": format_,
        "rate_hz": RATE,
        "time": None if format_ == "c3d" else {"column": "time", "unit": "s"},
        "channels": [
            {
                "channel": CHANNEL[name],
                "column": name,
                "unit": UNIT[name],
                "sign": int(SIGN[name]),
                "range": RANGE[name],
            }
            for name in CHANNEL
        ],
    }
    if format_ == "csv":
        content["csv"] = {}
    return DeviceProfile.model_validate(content | changes)


@pytest.fixture
def table() -> pd.DataFrame:
    # Multiples of 1/64 are exact in float32 and in short decimals: no format may lose a bit.
    random = np.random.default_rng(7)
    time = np.arange(SAMPLES) / RATE
    columns = {
        "time": time,
        "fz": -np.round(700 + 300 * np.sin(20 * time)),
        "ax": random.integers(-20, 20, SAMPLES) / 64,
        "ay": 1 + random.integers(-20, 20, SAMPLES) / 64,
        "az": random.integers(-20, 20, SAMPLES) / 64,
        "gz": random.integers(-9000, 9000, SAMPLES) / 64,
    }
    return pd.DataFrame(columns)


def write_csv(table: pd.DataFrame, path: Path) -> None:
    table.to_csv(path, index=False)


def write_parquet(table: pd.DataFrame, path: Path) -> None:
    table.astype({"ax": "float32"}).to_parquet(path, index=False)


def write_matlab(table: pd.DataFrame, path: Path) -> None:
    savemat(path, {name: table[name].to_numpy() for name in table}, do_compression=True)


def write_c3d(table: pd.DataFrame, path: Path) -> None:
    file = ezc3d.c3d()
    names = [name for name in table if name != "time"]
    file["parameters"]["POINT"]["RATE"]["value"] = [RATE]
    file["parameters"]["ANALOG"]["RATE"]["value"] = [RATE]
    file["parameters"]["ANALOG"]["LABELS"]["value"] = names
    file["parameters"]["ANALOG"]["UNITS"]["value"] = [UNIT[name] for name in names]
    file["data"]["points"] = np.zeros((4, 0, len(table)))
    file["data"]["analogs"] = table[names].to_numpy().T[np.newaxis]
    file.write(str(path))


WRITERS: dict[str, Callable[[pd.DataFrame, Path], None]] = {
    "csv": write_csv,
    "parquet": write_parquet,
    "c3d": write_c3d,
    "matlab": write_matlab,
}


@pytest.mark.parametrize("format_", WRITERS)
def test_every_format_gives_the_same_si_arrays(
    format_: str, table: pd.DataFrame, tmp_path: Path
) -> None:
    path = tmp_path / f"recording.{format_}"
    WRITERS[format_](table, path)
    recording = read_recording(path, profile(format_))
    assert recording.problems == ()
    assert recording.gaps == ()
    assert recording.samples == SAMPLES
    assert recording.rate_hz == pytest.approx(RATE, rel=1e-9)
    assert recording.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    np.testing.assert_allclose(recording.time_s, table["time"], atol=1e-12)
    assert list(recording.channels) == list(CHANNEL.values())
    for name, channel in CHANNEL.items():
        expected = SIGN[name] * table[name].to_numpy() * TO_SI[name]
        assert recording.channels[channel].dtype == np.float64
        np.testing.assert_allclose(recording.channels[channel], expected, rtol=1e-12, atol=1e-12)


@pytest.mark.parametrize("format_", WRITERS)
def test_damaged_files_are_refused_with_a_sentence_and_never_crash(
    format_: str, table: pd.DataFrame, tmp_path: Path
) -> None:
    path = tmp_path / f"recording.{format_}"
    WRITERS[format_](table, path)
    whole = path.read_bytes()
    random = np.random.default_rng(11)
    damaged = [whole[: int(cut)] for cut in random.integers(1, len(whole) - 1, 25)]
    for _ in range(60):
        content = bytearray(whole)
        # The front holds headers and lengths, where damage does most.
        limit = len(whole) if random.random() < 0.5 else min(len(whole), 2048)
        for place in random.integers(0, limit, 4):
            content[place] = random.integers(256)
        damaged.append(bytes(content))
    for content in damaged:
        path.write_bytes(content)
        for read in (read_recording, read_header):
            with suppress(StudyError):  # any other exception, or a crash, fails the test
                read(path, profile(format_))


@pytest.mark.parametrize("format_", WRITERS)
def test_header_is_read_without_samples(format_: str, table: pd.DataFrame, tmp_path: Path) -> None:
    path = tmp_path / f"recording.{format_}"
    WRITERS[format_](table, path)
    header = read_header(path, profile(format_))
    assert [name for name in header.columns if name != "time"] == list(CHANNEL)
    assert header.units == (UNIT if format_ == "c3d" else {})


LAYOUTS = {
    "plain": {},
    "semicolon_and_decimal_comma": {"delimiter": ";", "decimal": ","},
    "tab": {"delimiter": "\t"},
    "three_header_lines": {"delimiter": ";", "header_lines": 3},
    "latin_1": {"delimiter": ";", "header_lines": 3, "encoding": "latin-1"},
    "utf_16": {"delimiter": ";", "decimal": ",", "header_lines": 3, "encoding": "utf-16"},
}


@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
@pytest.mark.parametrize("name", LAYOUTS)
def test_layouts_of_delimited_text_agree_with_pandas(
    name: str, mark: str, line_end: str, table: pd.DataFrame, tmp_path: Path
) -> None:
    layout = LAYOUTS[name]
    encoding = layout.get("encoding", "utf-8")
    if mark and encoding != "utf-8":
        pytest.skip("the byte-order mark is a matter of UTF-8 here; UTF-16 writes its own")
    head = "".join(["µ-unit °/s", line_end] * layout.get("header_lines", 0))
    body = table.to_csv(
        index=False,
        sep=layout.get("delimiter", ","),
        decimal=layout.get("decimal", "."),
        lineterminator=line_end,
    )
    path = tmp_path / "recording.csv"
    path.write_bytes((mark + head + body).encode(encoding))
    opinion = pd.read_csv(
        path,
        sep=layout.get("delimiter", ","),
        decimal=layout.get("decimal", "."),
        skiprows=layout.get("header_lines", 0),
        encoding="utf-8-sig" if mark else encoding,
    )
    recording = read_recording(path, profile("csv", csv=layout))
    for column, channel in CHANNEL.items():
        np.testing.assert_allclose(
            recording.channels[channel], SIGN[column] * opinion[column] * TO_SI[column], rtol=1e-12
        )


def test_quotes_spaces_blank_columns_and_a_missing_last_line_end(tmp_path: Path) -> None:
    path = tmp_path / "recording.csv"
    rows = [f'"{i / RATE:.3f}", {-700 - i} ,text,' for i in range(20)]
    path.write_text("\n".join(["time,fz,note,", *rows]))
    one = profile("csv", channels=[profile("csv").channels[0]])
    recording = read_recording(path, one)
    np.testing.assert_array_equal(recording.channels["vertical_force.single"], 700 + np.arange(20))


def test_time_in_milliseconds_and_a_rate_of_450_hz_with_rounded_stamps(tmp_path: Path) -> None:
    path = tmp_path / "recording.csv"
    stamps = np.round(np.arange(900) / 450 * 1000, 3)
    pd.DataFrame({"time": stamps, "fz": -700.0}).to_csv(path, index=False)
    one = profile(
        "csv",
        rate_hz=450,
        time={"column": "time", "unit": "ms"},
        channels=[profile("csv").channels[0]],
    )
    recording = read_recording(path, one)
    assert recording.problems == ()
    assert recording.rate_hz == pytest.approx(450, rel=1e-6)
    assert recording.duration_s == pytest.approx(899 / 450, abs=1e-6)


def test_optional_channel_may_be_absent_and_integers_are_numbers(tmp_path: Path) -> None:
    path = tmp_path / "recording.parquet"
    pd.DataFrame({"time": np.arange(50) / RATE, "fz": np.full(50, -700)}).to_parquet(path)
    first, second = (c.model_dump() for c in profile("parquet").channels[:2])
    some = profile("parquet", channels=[first, second | {"optional": True}])
    recording = read_recording(path, some)
    assert list(recording.channels) == ["vertical_force.single"]
    assert recording.problems == ()


def test_unit_stated_in_parquet_metadata_may_be_spelled_differently(tmp_path: Path) -> None:
    path = tmp_path / "recording.parquet"
    fields = [
        pa.field("time", pa.float64()),
        pa.field("gz", pa.float64(), metadata={"unit": "degree/second"}),
    ]
    columns = [np.arange(50) / RATE, np.ones(50)]
    pq.write_table(pa.table(columns, schema=pa.schema(fields)), path)
    gyro = profile("parquet", channels=[profile("parquet").channels[4]])
    assert read_recording(path, gyro).problems == ()
    wrong = gyro.channels[0].model_dump() | {"unit": "rad/s", "range": 40}
    recording = read_recording(path, profile("parquet", channels=[wrong]))
    assert [problem.rule for problem in recording.problems] == ["unit_contradicts_profile"]


def test_c3d_of_the_open_jump_data_reads_as_the_library_reads_it() -> None:
    # Gait.c3d, M. Duarte and R. Watanabe, Biomechanics and Motor Control, CC BY 4.0: 28 analog
    # channels at 1000 Hz, 4870 samples, written by a motion-capture system as scaled integers.
    path = Path(__file__).parents[2] / "../shared/data/bmc_jumps_CCBY4/Gait.c3d"
    if not path.is_file():
        pytest.skip("the open jump data are not in the folder 'shared' beside the project")
    device = profile(
        "c3d",
        rate_hz=1000,
        channels=[
            {
                "channel": "vertical_force.left",
                "column": "F1Z",
                "unit": "N",
                "sign": -1,
                "range": 10000,
            }
        ],
    )
    recording = read_recording(path, device)
    library = ezc3d.c3d(str(path))
    labels = library["parameters"]["ANALOG"]["LABELS"]["value"]
    assert list(read_header(path, device).columns) == labels
    np.testing.assert_array_equal(
        recording.channels["vertical_force.left"],
        -library["data"]["analogs"][0, labels.index("F1Z")],
    )
    assert (recording.samples, recording.rate_hz) == (4870, pytest.approx(1000))
