"""JSON schemas of the settings files, for editors: `python -m shared.settings.json_schema`."""

from __future__ import annotations

import json

from shared.settings.device import DeviceProfile
from shared.settings.plan import PlanSettings
from shared.settings.processing import ProcessingSettings
from shared.settings.strict import Strict
from shared.settings.study import StudySettings
from shared.sources import ROOT
from shared.tables import write_text

MODELS: dict[str, type[Strict]] = {
    "study": StudySettings,
    "processing": ProcessingSettings,
    "plan": PlanSettings,
    "device": DeviceProfile,
}
FOLDER = ROOT / "config" / "schemas"


def schema_text(name: str) -> str:
    """Return the JSON schema of a settings file as text, with a fixed order of keys."""
    schema = MODELS[name].model_json_schema()
    return json.dumps(schema, indent=1, sort_keys=True, ensure_ascii=False) + "\n"


def write_schemas() -> None:
    """Write all schemas to config/schemas/."""
    for name in MODELS:
        write_text(schema_text(name), FOLDER / f"{name}.json")


if __name__ == "__main__":
    write_schemas()
