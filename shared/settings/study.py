"""study.yaml: what was recorded, where, and how the files are laid out."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, model_validator

from shared.settings.strict import Strict


class Site(Strict):
    """A place of measurement, the instruments in use there, and which of them share a clock.

    The files of devices that share a clock count from one and the same instant.
    """

    label: str
    devices: list[str] = Field(min_length=1)
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


class Task(Strict):
    """A movement that athletes perform."""

    label: str
    limbs: Literal["single", "both"]
    box: bool = False
    landings: int = Field(default=1, ge=1, le=2)


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
    synchronisation: Literal["trigger", "stomp"] = "trigger"
    sites: dict[str, Site] = Field(min_length=1)
    tasks: dict[str, Task] = Field(min_length=1)
    report_date: str | None = None
    blinded: Blinded | None = None
    demo: Demo | None = None

    @model_validator(mode="after")
    def _clearance_is_a_visit(self) -> StudySettings:
        if self.clearance_visit not in self.visits:
            raise ValueError(
                f"clearance_visit {self.clearance_visit!r} is not among the visits "
                f"({', '.join(self.visits)})"
            )
        return self
