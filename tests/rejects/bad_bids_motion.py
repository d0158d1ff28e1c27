"""Bad files of BIDS Motion: samples, `_channels.tsv` and `_motion.json` that do not go together."""

from __future__ import annotations

import json
from collections.abc import Callable
from io import BytesIO

import pandas as pd

from tests.rejects.reject import Reject
from tests.rejects.small_study import SmallStudy

OUT = "excludes_recording"
STEM = "recordings/A0002/clearance/drop_vertical_jump.both.1.wearables"
MOTION, CHANNELS, SIDECAR = f"{STEM}_motion.tsv", f"{STEM}_channels.tsv", f"{STEM}_motion.json"
TYPES = {
    "time_s": ("n/a", "LATENCY", "n/a", "s"),
    **{f"acc_{axis}": (axis, "ACCEL", "pelvis", "g") for axis in "xyz"},
    "shank_left_z": ("z", "GYRO", "left shank", "deg/s"),
}
"""Component, type, tracked point and unit of each channel, in the words of the standard."""


def channels_text(names: list[str]) -> str:
    """Return `_channels.tsv` of these channels."""
    rows = [("name", "component", "type", "tracked_point", "units")]
    rows += [(name, *TYPES[name]) for name in names]
    return "".join("\t".join(row) + "\n" for row in rows)


def with_bids_motion(study: SmallStudy) -> None:
    """Write every file of the wearables as BIDS Motion."""
    study.devices["wearables"] |= {"format": "bids_motion"}
    for table in ("recordings", "calibrations"):
        rows = study.tables[table]
        for row in rows.index[rows["device"] == "wearables"]:
            old = rows.loc[row, "path"]
            samples = pd.read_parquet(BytesIO(study.files.pop(old)))
            stem = old.removesuffix(".parquet")
            rows.loc[row, "path"] = f"{stem}_motion.tsv"
            lines = samples.to_csv(sep="\t", header=False, index=False, na_rep="n/a")
            sidecar = {"TaskName": "landing", "SamplingFrequency": 200}
            study.files |= {
                f"{stem}_motion.tsv": lines.encode(),
                f"{stem}_channels.tsv": channels_text(list(samples)).encode(),
                f"{stem}_motion.json": json.dumps(sidecar).encode(),
            }


def _text(file: str, old: str, new: str) -> Callable[[SmallStudy], object]:
    def change(study: SmallStudy) -> None:
        with_bids_motion(study)
        content = study.files[file].decode()
        assert old in content
        study.files[file] = content.replace(old, new, 1).encode()

    return change


def _without(file: str) -> Callable[[SmallStudy], object]:
    def change(study: SmallStudy) -> None:
        with_bids_motion(study)
        del study.files[file]

    return change


def _named(study: SmallStudy) -> None:
    with_bids_motion(study)
    names = "\t".join(TYPES) + "\n"
    study.files[MOTION] = names.encode() + study.files[MOTION]


def _narrow(study: SmallStudy) -> None:
    with_bids_motion(study)
    study.files[CHANNELS] = channels_text(list(TYPES)[:-1]).encode()


def _cut(study: SmallStudy) -> None:
    with_bids_motion(study)
    study.files[MOTION] = study.files[MOTION].rpartition(b"\t")[0]


def _other_name(study: SmallStudy) -> None:
    with_bids_motion(study)
    rows = study.tables["recordings"]
    row = rows.index[rows["path"] == MOTION][0]
    rows.loc[row, "path"] = f"{STEM}.tsv"
    study.files[f"{STEM}.tsv"] = study.files[MOTION]


BIDS_MOTION = [
    Reject("BIDS Motion without channels", _without(CHANNELS), "missing_file", CHANNELS, None,
           None, "no such file", "belong to a _motion.tsv", "same name up to the ending", OUT),
    Reject("BIDS Motion without its JSON", _without(SIDECAR), "missing_file", SIDECAR, None,
           None, "no such file", "belong to a _motion.tsv", "put it beside the samples", OUT),
    Reject("BIDS Motion of another name", _other_name, "unreadable_file", f"{STEM}.tsv", None,
           None, "another name", "ends in _motion.tsv", "correct the path", OUT),
    Reject("BIDS Motion with names over the samples", _named, "names_in_motion_file", MOTION, 1,
           None, "names of channels", "samples from the first line", "take the line of names", OUT),
    Reject("BIDS Motion with a column more than channels", _narrow, "wrong_number_of_cells",
           MOTION, 1, None, "5 cells", "4 cells, one for each row", "list every column", OUT),
    Reject("BIDS Motion cut short", _cut, "truncated_file", MOTION, 60, None,
           "4 cells", "5 cells", "cut short", OUT),
    Reject("BIDS Motion with a word among the samples",
           _text(MOTION, "\n0.005\t", "\nnow\t"), "text_in_number_column", MOTION, 2, "time_s",
           "starting with 'n'", "numbers", "take text out", OUT),
    Reject("BIDS Motion channels without types",
           _text(CHANNELS, "\ttype\t", "\tkind\t"), "missing_column", CHANNELS, 1, "type",
           "'kind'", "tracked_point", "the standard asks for it", OUT),
    Reject("BIDS Motion in another unit than the profile",
           _text(CHANNELS, "ACCEL\tpelvis\tg", "ACCEL\tpelvis\tm/s^2"),
           "unit_contradicts_profile", MOTION, None, "acc_x", "'m/s^2'", "'g'", "correct the unit",
           OUT),
    Reject("BIDS Motion at no rate", _text(SIDECAR, "200", '"fast"'), "rate_not_told", SIDECAR,
           None, "SamplingFrequency", "a text of 4", "a positive number", "add the rate", OUT),
    Reject("BIDS Motion with broken JSON", _text(SIDECAR, "}", ""), "unreadable_file", SIDECAR,
           None, None, "no JSON in line 1", "a JSON file", "mend it", OUT),
    Reject("BIDS Motion with a serial number",
           _text(SIDECAR, '"TaskName"', '"DeviceSerialNumber": "QX-88213", "TaskName"'),
           "identifier_in_file", MOTION, None,
           f"{SIDECAR.rpartition('/')[2]} DeviceSerialNumber", "serial number",
           "no names, dates", "blank it in the file", secret="88213"),
    Reject("BIDS Motion with the name of a place",
           _text(SIDECAR, '"TaskName"', '"InstitutionName": "Elm Park Clinic", "TaskName"'),
           "identifier_in_file", MOTION, None,
           f"{SIDECAR.rpartition('/')[2]} InstitutionName", "name",
           "no names, dates", "blank it in the file", secret="Elm Park"),
]  # fmt: skip
