"""Where a number comes from: hashes of files, of settings and of the code of a step."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from shared.layout import companions_of

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


def with_files_beside(digest: str, path: Path) -> str:
    """Return the SHA-256 that stands for a raw file, given that of its own bytes.

    Where other files say how to read it (BIDS Motion), it is the SHA-256 over theirs as well, one
    per line, the file's own first; a missing one has an empty line. Else it is `digest`.
    """
    beside = [sha256_of_file(x) if x.is_file() else "" for x in companions_of(path)]
    return sha256_of_bytes("\n".join([digest, *beside]).encode()) if beside else digest


def sha256_of_raw_file(path: Path) -> str:
    """Return the SHA-256 that stands for a raw file, the files beside it included."""
    return with_files_beside(sha256_of_file(path), path)


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
