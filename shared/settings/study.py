"""study.yaml: what was recorded, where, and how the files are laid out."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any, Literal

from pydantic import Field, field_validator, model_validator

from shared.settings.strict import Strict

WayToOneClock = Literal["trigger", "stomp"]
"""What the recordings of a trial have in common: the start, or a stomp in each."""


class Site(Strict):
    """A place of measurement, the instruments in use there, and how their recordings tell time.

    The files of devices that share a clock count from one and the same instant. `synchronisation`
    is that of the study unless the site says otherwise.
    """

    label: str
    devices: list[str] = Field(min_length=1)
    synchronisation: WayToOneClock | None = None
    shared_clocks: list[list[str]] = Field(default_factory=list)

    @model_validator(mode="after")
    def _clocks_are_of_its_devices(self) -> Site:
        named = [device for group in self.shared_clocks for device in group]
        for device in named:
            if device not in self.devices:
                raise ValueError(
                    f"shared_clocks names {device!r}, expected devices of this site "
                    f"({', '.join(self.devices)})"
                )
            if named.count(device) > 1:
                raise ValueError(
                    f"shared_clocks names {device!r} twice; a device has one clock: join the groups"
                )
        for group in self.shared_clocks:
            if len(group) < 2:
                raise ValueError(
                    f"a clock of shared_clocks has {len(group)} device(s), expected two or more"
                )
        return self

    @property
    def clocks(self) -> int:
        """How many clocks its devices have between them."""
        return clocks_of_site(self.model_dump())


class Task(Strict):
    """A movement that athletes perform.

    `box_height_m` goes into a table of recordings that is made from the names of the files.
    """

    label: str
    limbs: Literal["single", "both"]
    box: bool = False
    box_height_m: float | None = Field(default=None, gt=0)
    landings: int = Field(default=1, ge=1, le=2)

    @model_validator(mode="after")
    def _height_is_of_a_box(self) -> Task:
        if self.box_height_m is not None and not self.box:
            raise ValueError("box_height_m is given, but box is not true")
        return self


class FilePattern(Strict):
    """How the names of raw files tell the row of their table.

    `{column}` stands for the cell of a column, `*` for anything within one folder; `words` says
    what the words of the names mean, column by column.
    """

    pattern: str
    words: dict[str, dict[str, str]] = Field(default_factory=dict)


PLACEHOLDERS: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "recordings": (
        ("athlete_id", "visit", "task", "limb", "trial", "device"),
        ("box_height_m", "order_in_session"),
    ),
    "calibrations": (
        ("athlete_id", "visit", "device", "unit_code"),
        ("kind", "unit_calibration_age_days"),
    ),
}
"""Table -> columns that the names of its files must tell, and those that they may tell."""


class Demo(Strict):
    """Only in the demo study: the generator's settings and where the planted truth lies."""

    settings: str
    truth_folder: str


class Blinded(Strict):
    """A run whose outcomes are permuted between athletes: for building the analysis unseen.

    Sites with fewer than `smallest_group` athletes exchange outcomes together.
    """

    seed: int = Field(ge=0, strict=True)
    smallest_group: int = Field(default=10, ge=2)


class StudySettings(Strict):
    """Settings of a study; folders are relative to the settings file."""

    title: str
    study_folder: str
    results_folder: str
    edition: Literal["restricted"] = "restricted"
    smallest_shown_count: int = Field(default=11, ge=2)
    shards: int = Field(ge=1, le=999)
    visits: list[str] = Field(min_length=1)
    clearance_visit: str
    synchronisation: WayToOneClock = "trigger"
    sites: dict[str, Site] = Field(min_length=1)
    tasks: dict[str, Task] = Field(min_length=1)
    file_patterns: dict[Literal["recordings", "calibrations"], FilePattern] = Field(
        default_factory=dict
    )
    report_date: str | None = None
    blinded: Blinded | None = None
    demo: Demo | None = None

    @field_validator("file_patterns")
    @classmethod
    def _patterns_tell_their_rows(cls, patterns: dict[str, FilePattern]) -> dict[str, FilePattern]:
        for table, pattern in patterns.items():
            must, may = PLACEHOLDERS[table]
            told = re.findall(r"\{(\w*)\}", pattern.pattern)
            for name in (*told, *pattern.words):
                if name not in (*must, *may):
                    raise ValueError(
                        f"file_patterns: {table} names {name!r}, expected columns of the table "
                        f"({', '.join((*must, *may))})"
                    )
            if missing := [name for name in must if name not in told]:
                raise ValueError(
                    f"file_patterns: {table} does not tell {', '.join(missing)}; put it in braces "
                    "where the names have it"
                )
        return patterns

    @model_validator(mode="after")
    def _one_clock_needs_no_stomp(self) -> StudySettings:
        """Cutting a stomp off where nobody stomps takes a landing in the same stretch with it."""
        if self.synchronisation == "stomp":
            for name, site in self.sites.items():
                if site.clocks == 1 and site.synchronisation is None:
                    raise ValueError(
                        f"the site {name!r} has one clock and so nothing to synchronise; say what "
                        "its athletes do: synchronisation: trigger at the site (they do not stomp, "
                        "nothing is cut off), or stomp (they do)"
                    )
        return self

    @model_validator(mode="after")
    def _clearance_is_a_visit(self) -> StudySettings:
        if self.clearance_visit not in self.visits:
            raise ValueError(
                f"clearance_visit {self.clearance_visit!r} is not among the visits "
                f"({', '.join(self.visits)})"
            )
        return self


def clocks_of_site(site: Mapping[str, Any]) -> int:
    """Return how many clocks the devices of a site have between them, from its settings."""
    return len(site["devices"]) - sum(len(group) - 1 for group in site["shared_clocks"])


def synchronisation_of_sites(study: Mapping[str, Any]) -> dict[str, str]:
    """Return by site how its recordings come on one clock, from the settings of a study."""
    of_study = study.get("synchronisation", "trigger")
    sites = study.get("sites", {})
    return {name: site.get("synchronisation") or of_study for name, site in sites.items()}
