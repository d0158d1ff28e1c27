"""Where a number comes from: hashes of files, of settings and of the code of a step."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

_BLOCK = 1 << 20


def sha256_of_bytes(content: bytes) -> str:
    """Return the SHA-256 of `content` in hexadecimal."""
    return hashlib.sha256(content).hexdigest()


def sha256_of_file(path: Path) -> str:
    """Return the SHA-256 of a file, read in blocks."""
    digest = hashlib.sha256()
    with path.open("rb") as stream:
        while block := stream.read(_BLOCK):
            digest.update(block)
    return digest.hexdigest()


def hash_of_settings(settings: Mapping[str, Any] | list[Any]) -> str:
    """Return the SHA-256 of settings in canonical JSON: independent of order and layout."""
    text = json.dumps(settings, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return sha256_of_bytes(text.encode())


def code_version(sources: Iterable[Path], root: Path) -> str:
    """Return the hash of the declared sources of a step, by their names below `root`.

    Twelve hexadecimal digits: enough to tell versions apart, short enough to print.
    """
    digest = hashlib.sha256()
    for source in sorted(sources):
        digest.update(source.relative_to(root).as_posix().encode())
        digest.update(source.read_bytes())
    return digest.hexdigest()[:12]
