"""Bad raw files: what size and header tell to intake, and what the samples tell to the reader."""

from __future__ import annotations

from collections.abc import Callable
from io import BytesIO

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from tests.rejects.reject import Reject, text
from tests.rejects.small_study import SmallStudy

PLATES = "recordings/A0001/clearance/single_leg_drop_landing.left.1.plates.csv"
WEARABLES = "recordings/A0002/clearance/drop_vertical_jump.both.1.wearables.parquet"
OUT = "excludes_recording"


def _plates(content: bytes) -> Callable[[SmallStudy], object]:
    return lambda study: study.files.update({PLATES: content})


def _missing(study: SmallStudy) -> None:
    del study.files[PLATES]


def _cut(study: SmallStudy) -> None:
    study.files[PLATES] = study.files[PLATES].rpartition(b";")[0]


def _cut_parquet(study: SmallStudy) -> None:
    study.files[WEARABLES] = study.files[WEARABLES][:-100]


def _wearables(change: Callable[[pd.DataFrame], pd.DataFrame]) -> Callable[[SmallStudy], object]:
    def break_(study: SmallStudy) -> None:
        table = change(pd.read_parquet(BytesIO(study.files[WEARABLES])))
        buffer = BytesIO()
        table.to_parquet(buffer, index=False)
        study.files[WEARABLES] = buffer.getvalue()

    return break_


def _unit_in_metadata(study: SmallStudy) -> None:
    table = pq.read_table(BytesIO(study.files[WEARABLES]))
    fields = [
        f.with_metadata({"unit": "m/s2"}) if f.name == "acc_y" else f.remove_metadata()
        for f in table.schema
    ]
    buffer = BytesIO()
    pq.write_table(pa.table(table.columns, schema=pa.schema(fields)), buffer)
    study.files[WEARABLES] = buffer.getvalue()


def _counted(
    change: Callable[[pd.DataFrame], pd.DataFrame], *, stamps: bool = False
) -> Callable[[SmallStudy], object]:
    """Give every recording of the wearables a counter of one byte, and break that of one."""

    def break_(study: SmallStudy) -> None:
        profile = study.devices["wearables"]
        profile["counter"] = {"column": "count", "wraps_at": 256}
        if not stamps:
            del profile["time"]
        for path in (name for name in study.files if name.endswith(".parquet")):
            table = pd.read_parquet(BytesIO(study.files[path]))
            table["count"] = (np.arange(len(table)) + 240.0) % 256
            buffer = BytesIO()
            (change(table) if path == WEARABLES else table).to_parquet(buffer, index=False)
            study.files[path] = buffer.getvalue()

    return break_


def _count(sample: int, value: float) -> Callable[[pd.DataFrame], pd.DataFrame]:
    def change(table: pd.DataFrame) -> pd.DataFrame:
        table.loc[sample, "count"] = value
        return table

    return change


def _backward(table: pd.DataFrame) -> pd.DataFrame:
    table.loc[30, "time_s"] = table.loc[28, "time_s"]
    return table


def _empty_cells(table: pd.DataFrame) -> pd.DataFrame:
    table.loc[10:12, "acc_x"] = np.nan
    return table


def _no_calibration(study: SmallStudy) -> None:
    calibrations = study.tables["calibrations"]
    lost = (calibrations["athlete_id"] == "A0002") & (calibrations["device"] == "wearables")
    study.tables["calibrations"] = calibrations[~lost]


RECORDINGS = [
    Reject(
        "file_is_missing",
        _missing,
        *("missing_file", PLATES, None, None),
        *("no such file", "a recording", "correct the path"),
        OUT,
    ),
    Reject(
        "file_of_zero_bytes",
        _plates(b""),
        *("empty_file", PLATES, None, None),
        *("0 bytes", "a recording", "export the recording again"),
        OUT,
    ),
    Reject(
        "other_delimiter",
        _plates(b"plates\n\ntime [s],Fz left [N],Fz right [N]\n0,1,2\n"),
        *("wrong_delimiter", PLATES, 3, None),
        *("one single column", "separated by ';'", "delimiter: ','"),
        OUT,
    ),
    Reject(
        "column_is_missing",
        text("2", "Fz right [N]", "Fz rigth [N]"),
        *("missing_column", PLATES, None, "Fz right [N]"),
        *("'Fz rigth [N]'", "'Fz right [N]' once", "did you mean 'Fz rigth [N]'?"),
        OUT,
    ),
    Reject(
        "column_twice",
        text("2", "Fz right [N]", "Fz right [N];Fz right [N]"),
        *("duplicate_column", PLATES, None, "Fz right [N]"),
        *("2 times", "once", "export the file again"),
        OUT,
    ),
    Reject(
        "spreadsheet_called_csv",
        _plates(b"PK\x03\x04\x00\n\x00\x00\n\x00\x00\n"),
        *("unreadable_file", PLATES, None, None),
        *("binary content", "a text file", "export as CSV"),
        OUT,
    ),
    Reject(
        "decimal_point_instead_of_comma",
        text("2", "0,000;300,25", "0.000;300.25"),
        *("text_in_number_column", PLATES, 4, "time [s]"),
        *("5 characters starting with '0'", "',' as decimal mark", "check the decimal mark"),
        OUT,
    ),
    Reject(
        "text_among_the_samples",
        text("2", "0,005;300,25", "0,005;overload"),
        *("text_in_number_column", PLATES, 9, "Fz left [N]"),
        *("8 characters starting with 'o'", "numbers", "take text out"),
        OUT,
        "overload",
    ),
    Reject(
        "last_line_cut_short",
        _cut,
        *("truncated_file", PLATES, 63, None),
        *("2 cells in the last line", "3 cells", "copy or export the file again"),
        OUT,
    ),
    Reject(
        "stray_delimiter",
        text("2", "0,005;300,25", "0,005;;300,25"),
        *("wrong_number_of_cells", PLATES, 9, None),
        *("4 cells", "3 cells", "stray delimiter"),
        OUT,
    ),
    Reject(
        "force_with_the_wrong_sign",
        lambda study: study.files.update(
            {PLATES: study.files[PLATES].replace(b";30", b";-30")}
        ),
        *("sign_contradicts_signal", PLATES, None, "Fz left [N]"),
        *("vertical force from -304", "positive upward", "sign: -1"),
        OUT,
    ),
    Reject(
        "force_beyond_the_range",
        text("2", "0,007;302,25", "0,007;30225,0"),
        *("value_beyond_range", PLATES, 11, "Fz left [N]"),
        *("30225 N at sample 7", "at most 9000 N", "correct unit or range"),
        OUT,
    ),
    Reject(
        "parquet_cut_short",
        _cut_parquet,
        *("unreadable_file", WEARABLES, None, None),
        *("not a whole Parquet file", "a whole Parquet file", "copy or export"),
        OUT,
    ),
    Reject(
        "text_column_in_parquet",
        _wearables(lambda table: table.assign(acc_y=table["acc_y"].map(str))),
        *("text_in_number_column", WEARABLES, None, "acc_y"),
        *("type", "a column of numbers", "float64"),
        OUT,
    ),
    Reject(
        "calendar_time_in_parquet",
        _wearables(lambda table: table.assign(time_s=table["time_s"] + 1.7e9)),
        *("absolute_clock_time", WEARABLES, 1, "time_s"),
        *("count from a date", "seconds since the common trigger", "export relative times"),
        OUT,
    ),
    Reject(
        "unit_in_the_file_contradicts_the_profile",
        _unit_in_metadata,
        *("unit_contradicts_profile", WEARABLES, None, "acc_y"),
        *("'m/s2'", "'g'", "correct the unit"),
        OUT,
    ),
    Reject(
        "unit_contradicts_standing",
        _wearables(lambda table: table.assign(acc_y=table["acc_y"] * 9.80665)),
        *("unit_contradicts_signal", WEARABLES, None, "acc_y"),
        *("9.8", "about 1 g", "g and m/s2 differ"),
        OUT,
    ),
    Reject(
        "axis_upside_down",
        _wearables(lambda table: table.assign(acc_y=-table["acc_y"])),
        *("sign_contradicts_signal", WEARABLES, None, "acc_y"),
        *("upward acceleration of -1", "about +1 g", "sign: -1"),
        OUT,
    ),
    Reject(
        "rate_contradicts_the_time_column",
        _wearables(lambda table: table.assign(time_s=table["time_s"] * 2)),
        *("rate_contradicts_profile", WEARABLES, None, "time_s"),
        *("100 samples per second", "200 Hz within 0.50%", "correct rate_hz"),
        OUT,
    ),
    Reject(
        "time_runs_backward",
        _wearables(_backward),
        *("time_not_rising", WEARABLES, 31, "time_s"),
        *("0.14 s after 0.145 s at sample 30", "rise from row to row", "two files in one"),
        OUT,
    ),
    Reject(
        "counter_repeats",
        _counted(_count(30, 13.0)),
        *("counter_not_rising", WEARABLES, 31, "count"),
        *("13 after 13 at sample 30", "from 255 to 0", "repeated blocks"),
        OUT,
    ),
    Reject(
        "counter_goes_back_by_more_than_a_wrap",
        _counted(lambda table: pd.concat([table.head(25), table.iloc[5:]])),
        *("counter_not_rising", WEARABLES, 26, "count"),
        *("245 after 8 at sample 25", "goes up from row to row", "two files in one"),
        OUT,
    ),
    Reject(
        "count_that_this_counter_cannot_have",
        _counted(_count(30, 256.0)),
        *("no_count_of_this_counter", WEARABLES, 31, "count"),
        *("256 at sample 30", "whole numbers from 0 to 255", "wraps_at"),
        OUT,
    ),
    Reject(
        "count_that_is_no_whole_number",
        _counted(_count(3, 243.5)),
        *("no_count_of_this_counter", WEARABLES, 4, "count"),
        *("243.5 at sample 3", "whole numbers", "wraps_at"),
        OUT,
    ),
    Reject(
        "count_that_is_missing",
        _counted(_count(3, np.nan)),
        *("empty_cell", WEARABLES, 4, "count"),
        *("no number at sample 3", "whole numbers from 0 to 255", "with its counter"),
        OUT,
    ),
    Reject(
        "counter_shows_lost_samples",
        _counted(lambda table: table.drop(index=[14, 15, 16, 17])),
        *("gap_in_time", WEARABLES, 15, None),
        *("4 samples missing after sample 13", "every step", "landings in a gap"),
        OUT,
    ),
    Reject(
        "stamps_beside_a_counter_run_down",
        _counted(lambda table: table.assign(time_s=-table["time_s"]), stamps=True),
        *("time_not_rising", WEARABLES, None, "time_s"),
        *("do not go up with the counter", "rise over the recording", "are enough"),
        OUT,
    ),
    Reject(
        "rate_by_stamps_and_counter_contradicts_the_profile",
        _counted(lambda table: table.assign(time_s=table["time_s"] * 2), stamps=True),
        *("rate_contradicts_profile", WEARABLES, None, "time_s"),
        *("100 samples per second", "200 Hz within 0.50%", "correct rate_hz"),
        OUT,
    ),
    Reject(
        "gap_in_time",
        _wearables(lambda table: table.drop(index=[20, 21, 22, 23])),
        *("gap_in_time", WEARABLES, 21, None),
        *("4 samples missing after sample 19", "every step", "landings in a gap"),
        OUT,
    ),
    Reject(
        "empty_cells_among_the_samples",
        _wearables(_empty_cells),
        *("empty_cell", WEARABLES, 11, "acc_x"),
        *("3 cells, first at sample 10", "a number in every row", "left out"),
        OUT,
    ),
    Reject(
        "three_samples_only",
        _wearables(lambda table: table.head(3)),
        *("too_few_samples", WEARABLES, None, None),
        *("3 samples", "at least 10", "export the recording again"),
        OUT,
    ),
    Reject(
        "no_standing_calibration",
        _no_calibration,
        *("calibration_missing", WEARABLES, None, None),
        *("no standing calibration of wearables for A0002", "calibrations.csv", "quiet standing"),
        OUT,
    ),
]  # fmt: skip
