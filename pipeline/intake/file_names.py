"""Rows of a study table told by the names of the raw files."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from shared.settings.study import FilePattern

Words = Mapping[str, Sequence[str]]
"""Placeholder -> the words that the study knows for it."""

_NUMBERS = {
    "trial": r"\d+",
    "order_in_session": r"\d+",
    "box_height_m": r"\d+(?:\.\d+)?",
    "unit_calibration_age_days": r"\d+(?:\.\d+)?",
}
_CODE = r"[A-Za-z0-9-]+"
_PARTS = re.compile(r"\{(\w+)\}|(\*)")


@dataclass(frozen=True)
class NamedFile:
    """A file whose name fits: its path, and the cells that the name tells by column."""

    path: str
    cells: dict[str, str]


def _group(name: str, pattern: FilePattern, words: Words) -> str:
    """Return what a placeholder stands for: a number, a word that is known, or a code."""
    if name in _NUMBERS:
        return _NUMBERS[name]
    known = [*pattern.words.get(name, {}), *words.get(name, ())]
    if not known:
        return _CODE
    # The longest first: one word may begin another.
    return "|".join(re.escape(word) for word in sorted(known, key=lambda x: (-len(x), x)))


def expression(pattern: FilePattern, words: Words) -> re.Pattern[str]:
    """Return the regular expression of a pattern; a placeholder that comes back must say the same.

    `*` stands for anything within one folder.
    """
    text, place, seen = "", 0, set[str]()
    for found in _PARTS.finditer(pattern.pattern):
        name, star = found.groups()
        text += re.escape(pattern.pattern[place : found.start()])
        place = found.end()
        if star:
            text += "[^/]*"
        elif name in seen:
            text += f"(?P={name})"
        else:
            seen.add(name)
            text += f"(?P<{name}>{_group(name, pattern, words)})"
    return re.compile(text + re.escape(pattern.pattern[place:]))


def named_files(
    paths: Iterable[str], pattern: FilePattern, words: Words
) -> tuple[list[NamedFile], list[str]]:
    """Return the files whose path fits, with their cells, and the paths that do not fit; sorted.

    Parameters
    ----------
    paths
        Of the files in the study folder, relative to it, with / between folders.
    """
    fits = expression(pattern, words)
    files, others = [], []
    for path in sorted(paths):
        if found := fits.fullmatch(path):
            cells = {
                name: pattern.words.get(name, {}).get(word, word)
                for name, word in found.groupdict().items()
            }
            files.append(NamedFile(path, cells))
        else:
            others.append(path)
    return files, others
