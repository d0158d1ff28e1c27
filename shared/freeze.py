"""The frozen plan: what was decided before outcomes were seen, as a hash and as its content."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from shared.metric_dictionary import definitions
from shared.provenance import hash_of_settings
from shared.settings.load import Settings
from shared.tables import write_text

FILE = "frozen_plan.json"


@dataclass(frozen=True)
class FreezeStatus:
    """Whether the plan is frozen, its hash and, where it was changed, what differs."""

    status: Literal["frozen", "not_frozen", "changed"]
    hash: str
    date: str
    deviations: tuple[dict[str, str], ...]
    differences: tuple[str, ...]
    is_blinded: bool = False

    @property
    def stops_a_run(self) -> bool:
        """Tell whether the plan was changed after the freeze, in a run of the true outcomes."""
        return self.status == "changed" and not self.is_blinded

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for a step; only a blinded run has the key `blinded`."""
        return {
            "status": self.status,
            "hash": self.hash,
            "date": self.date,
            "deviations": list(self.deviations),
            "differences": list(self.differences),
        } | ({"blinded": True} if self.is_blinded else {})


def content_of(settings: Settings) -> dict[str, Any]:
    """Return what a freeze covers: plan, primary metric definitions, processing settings."""
    names = [predictor.metric for predictor in settings.plan.primary]
    return {
        "plan": settings.plan.model_dump(mode="json"),
        "primary_metric_definitions": json.loads(json.dumps(definitions(names))),
        "processing": settings.processing.model_dump(mode="json"),
    }


def _flatten(value: Any, place: str = "") -> dict[str, Any]:
    if isinstance(value, dict):
        items = [(f"{place}.{key}".lstrip("."), item) for key, item in value.items()]
    elif isinstance(value, list):
        items = [(f"{place}[{index}]", item) for index, item in enumerate(value)]
    else:
        return {place: value}
    return {key: leaf for name, item in items for key, leaf in _flatten(item, name).items()}


def differences(before: dict[str, Any], after: dict[str, Any]) -> tuple[str, ...]:
    """Return one line per setting that differs."""
    old, new = _flatten(before), _flatten(after)
    return tuple(
        f"{place}: {old.get(place, 'absent')!r} -> {new.get(place, 'absent')!r}"
        for place in sorted(old.keys() | new.keys())
        if old.get(place, "absent") != new.get(place, "absent")
    )


def status_of(settings: Settings) -> FreezeStatus:
    """Compare the settings with the frozen plan in their folder."""
    content = content_of(settings)
    current, is_blinded = hash_of_settings(content), settings.study.blinded is not None
    file = settings.folder / FILE
    if not file.is_file():
        return FreezeStatus("not_frozen", current, "", (), (), is_blinded)
    frozen = json.loads(file.read_text(encoding="utf-8"))
    deviations = tuple(frozen["deviations"])
    if frozen["hash"] == current:
        return FreezeStatus("frozen", current, frozen["date"], deviations, (), is_blinded)
    changed = differences(frozen["content"], content)
    return FreezeStatus("changed", current, frozen["date"], deviations, changed, is_blinded)


def write_freeze(settings: Settings, date: str, deviations: list[dict[str, str]]) -> Path:
    """Write the frozen plan beside the settings; `date` is the day the group names."""
    content = content_of(settings)
    frozen = {
        "hash": hash_of_settings(content),
        "date": date,
        "deviations": deviations,
        "content": content,
    }
    file = settings.folder / FILE
    write_text(json.dumps(frozen, indent=1, ensure_ascii=False, sort_keys=True) + "\n", file)
    return file
