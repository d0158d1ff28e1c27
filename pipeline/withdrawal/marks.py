"""What tells of an athlete in a file: the code, names and paths of recordings, their SHA-256."""

from __future__ import annotations

import html
import json
import re
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from urllib.parse import quote

from shared.layout import companions_of, find_table
from shared.provenance import sha256_of_file, with_files_beside
from shared.sources import ROOT
from shared.withdrawals import belongs_to, rows_of

TABLES = (
    *("athletes", "visits", "outcomes", "exposure"),
    *("recordings", "calibrations", "rejections"),
)
"""Study tables with rows of athletes."""

_NOT_BEFORE, _NOT_AFTER = rb"(?<![A-Za-z0-9])", rb"(?![A-Za-z0-9])"
_DIGEST = re.compile(rb"(?<![0-9a-f])[0-9a-f]{64}(?![0-9a-f])")
_OWN_WORDS = ("*.jinja", "*.css", "*.js", "*.rst", "*.R", "*.md")


@dataclass(frozen=True)
class Marks:
    """The marks of one athlete.

    Parameters
    ----------
    code : pseudonym
    others : pseudonyms of all other athletes; A1 is not found within A10 or A1-2 if that is one
    visits : visits of the study; a recording is named code.visit. ...
    paths : raw files as the study tables name them
    digests : SHA-256 of the raw files that are there, also as the results name those of several
        files -> size of the file in bytes
    """

    code: str
    others: frozenset[str]
    visits: tuple[str, ...]
    paths: frozenset[str] = frozenset()
    digests: Mapping[str, int] = field(default_factory=dict)

    @cached_property
    def is_ordinary(self) -> bool:
        """Tell whether the code alone is no sign: a mere number, or a word of the reports."""
        return not any(map(str.isalpha, self.code)) or _is_own_word(self.code)

    @cached_property
    def _written(self) -> list[tuple[bytes, re.Pattern[bytes]]]:
        """The code as HTML, JSON, an address and LaTeX write it, each with what finds it."""
        codes = [self.code]
        if self.is_ordinary:
            codes = [f"{self.code}.{visit}." for visit in self.visits]
        longer = [other for other in self.others if self.code in other]
        patterns = {}
        for write in _WRITTEN:
            for code in codes:
                # The longest first: what belongs to a longer code is not found again within it.
                words = sorted({write(word) for word in (code, *longer)}, key=len, reverse=True)
                choice = b"|".join(re.escape(word.encode()) for word in words)
                end = b"" if self.is_ordinary else _NOT_AFTER
                pattern = _NOT_BEFORE + rb"(?:" + choice + rb")" + end
                patterns[write(code).encode()] = re.compile(pattern)
        return list(patterns.items())

    @cached_property
    def _sought_paths(self) -> list[tuple[bytes, re.Pattern[bytes]]]:
        sought = [path for path in sorted(self.paths) if not self._has_code(path.encode())]
        return [
            (path.encode(), re.compile(_NOT_BEFORE + re.escape(path.encode()) + _NOT_AFTER))
            for path in sought
        ]

    def _has_code(self, text: bytes) -> bool:
        return any(
            code in text and any(hit.group() == code for hit in pattern.finditer(text))
            for code, pattern in self._written
        )

    def in_text(self, text: bytes) -> Iterator[str]:
        """Yield the marks in a text: the code, paths of raw files, SHA-256 of raw files."""
        if self._has_code(text):
            yield self.code
        for path, pattern in self._sought_paths:
            if path in text and pattern.search(text):
                yield path.decode()
        if self.digests:
            yield from sorted({hit.decode() for hit in _DIGEST.findall(text)} & set(self.digests))

    def owns(self, name: str) -> bool:
        """Tell whether a cell is the athlete's code, or the name of something of the athlete."""
        if name == self.code:
            return True
        longer = (other for other in self.others if other.startswith(f"{self.code}."))
        return name.startswith(f"{self.code}.") and not any(
            name == other or name.startswith(f"{other}.") for other in longer
        )


def _latex(text: str) -> str:
    return text.replace("_", "\\_")


def _json(text: str) -> str:
    return json.dumps(text)[1:-1]


_WRITTEN = (str, html.escape, _json, quote, _latex)


def _is_own_word(code: str) -> bool:
    """Tell whether the texts of the reports have this word themselves, as A4 may be paper."""
    word = re.compile(rf"(?<![A-Za-z0-9]){re.escape(code)}(?![A-Za-z0-9])")
    files = (path for pattern in _OWN_WORDS for path in (ROOT / "analysis").rglob(pattern))
    return any(word.search(path.read_text(encoding="utf-8")) for path in files)


def paths_of(study_folder: Path, athlete: str) -> list[str]:
    """Return the raw files that the study tables name for an athlete, sorted."""
    rows = (
        row
        for table in ("recordings", "calibrations")
        for row in rows_of(find_table(study_folder, table))
        if belongs_to(row, {athlete})
    )
    named = {Path(path) for row in rows if (path := row.get("path", "").strip())}
    return sorted(str(file) for path in named for file in (path, *companions_of(path)))


def athletes_of(study_folder: Path) -> frozenset[str]:
    """Return the codes in the table of athletes, withdrawn or not."""
    rows = rows_of(find_table(study_folder, "athletes"))
    return frozenset(code for row in rows if (code := row.get("athlete_id", "").strip()))


def _digests_of(path: Path) -> frozenset[str]:
    """Return the SHA-256 of a raw file, and the one that stands for it with the files beside it."""
    own = sha256_of_file(path)
    return frozenset({own, with_files_beside(own, path)})


def marks_of(
    athlete: str, study_folder: Path, visits: Collection[str], known: Collection[str]
) -> Marks:
    """Return the marks of an athlete; hashes the raw files that are there.

    Parameters
    ----------
    known : codes of all athletes
    """
    paths = paths_of(study_folder, athlete)
    files = [study_folder / path for path in paths if (study_folder / path).is_file()]
    return Marks(
        athlete,
        frozenset(known) - {athlete},
        tuple(visits),
        frozenset(paths),
        {digest: path.stat().st_size for path in files for digest in _digests_of(path)},
    )


def digests_of_others(study_folder: Path, sought: Marks) -> frozenset[str]:
    """Return which of the athlete's files have the same bytes as a file of somebody else."""
    sizes, shared = set(sought.digests.values()), set[str]()
    for other in sorted(sought.others):
        for path in (study_folder / name for name in paths_of(study_folder, other)):
            if path.is_file() and path.stat().st_size in sizes:
                shared |= _digests_of(path)
    return frozenset(shared & set(sought.digests))
