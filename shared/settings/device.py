"""devices/*.yaml: how an instrument writes its files, and what each column means."""

from __future__ import annotations

from functools import cached_property
from typing import Literal

from pydantic import Field, field_validator, model_validator

from shared.channels import AXES, CHANNELS, SIDES
from shared.settings.strict import Strict
from shared.units import conversion_factor


class DelimitedText(Strict):
    """Layout of a CSV or TSV file; `header_lines` stand before the line of column names."""

    delimiter: str = Field(default=",", min_length=1, max_length=1)
    decimal: Literal[".", ","] = "."
    header_lines: int = Field(default=0, ge=0)
    encoding: str = "utf-8"

    @model_validator(mode="after")
    def _delimiter_is_not_decimal(self) -> DelimitedText:
        if self.delimiter == self.decimal:
            raise ValueError("delimiter and decimal mark are the same character")
        return self


class TimeColumn(Strict):
    """The column of time stamps, counted from the common trigger."""

    column: str
    unit: str = "s"


class Counter(Strict):
    """The column that counts samples, from which the time base is rebuilt.

    `wraps_at` is how many values it has, 0 included (256 for one byte); null when it never wraps.
    """

    column: str
    wraps_at: int | None = Field(ge=4)


class Channel(Strict):
    """One column of a recording: the canonical channel it carries, its unit, sign and range.

    `step` is the smallest step of the converter, in the unit of the column, where it is known.
    """

    channel: str
    column: str
    unit: str
    sign: Literal[1, -1] = 1
    range: float = Field(gt=0)
    step: float | None = Field(default=None, gt=0)
    clip: bool = False
    optional: bool = False

    @field_validator("channel")
    @classmethod
    def _known(cls, name: str) -> str:
        if name not in CHANNELS:
            raise ValueError(f"unknown channel {name!r}; one of: {', '.join(sorted(CHANNELS))}")
        return name

    @model_validator(mode="after")
    def _unit_fits(self) -> Channel:
        conversion_factor(self.unit, CHANNELS[self.channel][0])
        return self

    @cached_property
    def factor(self) -> float:
        """Factor from the file's value to the SI value, sign included."""
        return self.sign * conversion_factor(self.unit, CHANNELS[self.channel][0])

    @cached_property
    def full_scale(self) -> float:
        """Full scale in SI units."""
        return self.range * conversion_factor(self.unit, CHANNELS[self.channel][0])

    @property
    def resolution(self) -> float:
        """Smallest step in SI units; 0 where it is not known."""
        return (self.step or 0.0) * conversion_factor(self.unit, CHANNELS[self.channel][0])


class DeviceProfile(Strict):
    """A new instrument is a new file of this form, not new code."""

    device: str
    kind: Literal["force_plates", "wearables", "camera", "mixed"]
    description: str
    format: Literal["csv", "parquet", "c3d", "matlab", "bids_motion"]
    csv: DelimitedText | None = None
    rate_hz: float = Field(gt=0)
    rate_tolerance: float = Field(default=0.005, gt=0, lt=0.5)
    time: TimeColumn | None = None
    counter: Counter | None = None
    channels: list[Channel] = Field(min_length=1)

    @model_validator(mode="after")
    def _each_column_and_channel_once(self) -> DeviceProfile:
        for what in ("channel", "column"):
            names = [getattr(item, what) for item in self.channels]
            twice = sorted({name for name in names if names.count(name) > 1})
            if twice:
                raise ValueError(f"the {what} {twice[0]!r} is listed twice")
        if (self.format == "csv") != (self.csv is not None):
            raise ValueError("the section 'csv' goes with format: csv, and only with it")
        return self

    @model_validator(mode="after")
    def _accelerometers_of_a_leg_come_together(self) -> DeviceProfile:
        mapped = {channel.channel for channel in self.channels}
        for side in SIDES:
            needed = {
                f"{segment}_acceleration.{side}.{axis}"
                for segment in ("thigh", "shank")
                for axis in AXES
            }
            if needed & mapped and (missing := sorted(needed - mapped)):
                raise ValueError(
                    f"the channel {missing[0]!r} is missing: gravity holds the knee angle only "
                    "with x, y and z of thigh and shank; map all six or none"
                )
        return self

    @model_validator(mode="after")
    def _counter_has_rows_and_a_column(self) -> DeviceProfile:
        if self.counter is None:
            return self
        if self.format == "c3d":
            raise ValueError("a C3D file has no rows that can be lost: it takes no counter")
        taken = {channel.column for channel in self.channels}
        taken |= {self.time.column} if self.time else set()
        if self.counter.column in taken:
            raise ValueError(f"the column {self.counter.column!r} is listed twice")
        return self
