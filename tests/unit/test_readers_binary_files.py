"""Faults that only binary formats can have: C3D and MATLAB files, each with its sentence."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import ezc3d
import numpy as np
import pytest
from scipy.io import savemat

from pipeline.readers.c3d_header import parse_header
from pipeline.readers.read import read_header, read_recording
from shared.errors import Problem, StudyError
from shared.settings.device import DeviceProfile

RATE = 500.0
FORCE = {"channel": "vertical_force.single", "column": "Fz", "unit": "N", "range": 9000}
THIGH = {"channel": "thigh_rate.left.z", "column": "ThighL_Z", "unit": "deg/s", "range": 2000}


def profile(format_: str, *channels: dict[str, Any]) -> DeviceProfile:
    content = {"device": "invented", "kind": "mixed", "description": "invented", "rate_hz": RATE}
    return DeviceProfile.model_validate(
        {**content, "format": format_, "channels": list(channels or (FORCE,))}
    )


def write_c3d(path: Path, labels: list[str], units: list[str], samples: int = 200) -> None:
    file = ezc3d.c3d()
    file["parameters"]["POINT"]["RATE"]["value"] = [RATE]
    file["parameters"]["ANALOG"]["RATE"]["value"] = [RATE]
    # More than 255 labels continue in a second parameter, by the standard.
    for name, texts in (("LABELS", labels), ("UNITS", units)):
        file["parameters"]["ANALOG"][name]["value"] = texts[:255]
        if len(texts) > 255:
            file.add_parameter("ANALOG", f"{name}2", texts[255:])
    file["data"]["points"] = np.zeros((4, 0, samples))
    file["data"]["analogs"] = np.full((1, len(labels), samples), 700.0)
    file.write(str(path))


def refusals(path: Path, device: DeviceProfile) -> list[Problem]:
    try:
        return list(read_recording(path, device, "raw/file").problems)
    except StudyError as error:
        return list(error.problems)


def test_c3d_header_agrees_with_the_library(tmp_path: Path) -> None:
    path = tmp_path / "a.c3d"
    labels = [f"channel_{i}" for i in range(300)]
    write_c3d(path, labels, ["N"] * 300)
    library = ezc3d.c3d(str(path))["parameters"]["ANALOG"]
    expected = [*library["LABELS"]["value"], *library["LABELS2"]["value"]]
    device = profile("c3d", {**FORCE, "column": "channel_299"})
    header = read_header(path, device)
    assert list(header.columns) == expected == labels
    assert set(header.units.values()) == {"N"}
    assert parse_header(path.read_bytes()).expected_bytes <= path.stat().st_size
    assert refusals(path, device) == []


def test_c3d_cut_short_is_refused_where_the_library_reads_on(tmp_path: Path) -> None:
    path = tmp_path / "a.c3d"
    write_c3d(path, ["Fz"], ["N"], samples=2000)
    path.write_bytes(path.read_bytes()[:-4000])
    silently = ezc3d.c3d(str(path))["data"]["analogs"].shape[2]
    assert silently < 2000
    (problem,) = refusals(path, profile("c3d"))
    assert problem.rule == "truncated_file"
    assert problem.found == f"{path.stat().st_size} bytes"
    with pytest.raises(StudyError, match="truncated_file"):
        read_header(path, profile("c3d"), "raw/file")


def test_c3d_unit_of_the_file_contradicts_the_profile(tmp_path: Path) -> None:
    path = tmp_path / "a.c3d"
    write_c3d(path, ["Fz"], ["kN"])
    (problem,) = refusals(path, profile("c3d"))
    assert (problem.rule, problem.column) == ("unit_contradicts_profile", "Fz")
    assert (problem.found, problem.expected[:8]) == ("unit 'kN' in the file", "unit 'N'")


def test_c3d_rate_of_the_file_contradicts_the_profile(tmp_path: Path) -> None:
    path = tmp_path / "a.c3d"
    write_c3d(path, ["Fz"], ["N"])
    slow = profile("c3d").model_copy(update={"rate_hz": 250.0})
    (problem,) = refusals(path, slow)
    assert (problem.rule, problem.found) == ("rate_contradicts_profile", "500 samples per second")


def test_c3d_label_is_missing(tmp_path: Path) -> None:
    path = tmp_path / "a.c3d"
    write_c3d(path, ["FZ1", "x"], ["N", "N"])
    (problem,) = refusals(path, profile("c3d"))
    assert (problem.rule, problem.column) == ("missing_column", "Fz")


def test_misspelled_optional_channel_is_not_taken_for_an_absent_one(tmp_path: Path) -> None:
    path = tmp_path / "a.c3d"
    device = profile("c3d", FORCE, {**THIGH, "optional": True})
    write_c3d(path, ["Fz", "other"], ["N", "V"])
    assert refusals(path, device) == []
    write_c3d(path, ["Fz", "Thigh_L_Z"], ["N", "deg/s"])
    (problem,) = refusals(path, device)
    assert (problem.rule, problem.column) == ("missing_column", "ThighL_Z")
    assert "did you mean 'Thigh_L_Z'?" in problem.mend


def test_file_without_any_channel_of_the_profile(tmp_path: Path) -> None:
    path = tmp_path / "a.c3d"
    write_c3d(path, ["other"], ["V"])
    (problem,) = refusals(path, profile("c3d", {**THIGH, "optional": True}))
    assert (problem.rule, problem.column) == ("missing_column", "ThighL_Z")


@pytest.mark.parametrize(
    ("arrays", "rule"),
    [
        ({"Fz": np.ones((50, 2)), "t": np.arange(50)}, "not_a_vector"),
        ({"Fz": "many words", "t": np.arange(50)}, "text_in_number_column"),
        ({"Fz": np.ones(50), "ThighL_Z": np.ones(49)}, "wrong_number_of_cells"),
        ({"fz": np.ones(50)}, "missing_column"),
    ],
)
def test_matlab_arrays_that_are_no_recording(
    arrays: dict[str, Any], rule: str, tmp_path: Path
) -> None:
    path = tmp_path / "a.mat"
    savemat(path, arrays)
    channels = (FORCE, THIGH) if "ThighL_Z" in arrays else (FORCE,)
    assert [problem.rule for problem in refusals(path, profile("matlab", *channels))] == [rule]


def test_matlab_cut_short_and_of_version_7_3(tmp_path: Path) -> None:
    path = tmp_path / "a.mat"
    savemat(path, {"Fz": np.random.default_rng(1).normal(size=5000)}, do_compression=True)
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    assert [p.rule for p in refusals(path, profile("matlab"))] == ["unreadable_file"]
    # The header of version 7.3 says 0x0200 and "IM" (MAT-file format, MathWorks).
    head = b"MATLAB 7.3 MAT-file".ljust(116) + bytes(8) + b"\x00\x02IM"
    path.write_bytes(head + bytes(512))
    (problem,) = refusals(path, profile("matlab"))
    assert "7.3" in problem.found
    assert "-v7" in problem.mend


def test_c3d_that_the_library_cannot_read_is_refused_with_a_sentence(tmp_path: Path) -> None:
    path = tmp_path / "a.c3d"
    write_c3d(path, ["Fz"], ["N"])
    content = bytearray(path.read_bytes())
    at = content.index(b"ANALOG")
    content[at : at + 6] = b"ANOLAG"
    path.write_bytes(bytes(content))
    (problem,) = refusals(path, profile("c3d"))
    assert problem.rule in ("missing_column", "unreadable_file")
    path.write_bytes(path.read_bytes()[:700])
    (problem,) = refusals(path, profile("c3d"))
    assert problem.rule in ("truncated_file", "unreadable_file")
