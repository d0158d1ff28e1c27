"""YAML files of the project itself, read by the parser in C where the library has it: 8 x faster.

Settings of the user go through `shared.settings.strict`, which refuses a key written twice.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import yaml

_LOADER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


def read_own_yaml(path: Path) -> dict[str, Any]:
    """Return the content of a YAML file that belongs to the code."""
    content: dict[str, Any] = yaml.load(path.read_text("utf-8"), Loader=_LOADER)
    return content
