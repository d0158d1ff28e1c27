"""Walks the files of a run and tells which do not say that it is blinded, or say so wrongly."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

from shared.blinding import KEY
from shared.tables import read_metadata

# Steps that read neither outcomes nor anything made of them: their tables hold nothing permuted.
_WITHOUT_OUTCOMES = re.compile(
    r"^(native_rate|extraction|intake/(?!outcomes|exposure))/?"
    r"|^intake/(athletes|visits|exclusions|.*_index)\.parquet$"
    r"|^tables/(calibrations|exclusions|flagged_waveforms|landings|metric_sources|metrics"
    r"|force_estimates|force_held_out|recordings|residuals|summaries|synchronisation|unit_calibrations|waveforms)\.parquet$"
    r"|^models/(sensor_quality|residual_cutoffs|rederived|known_groups|agreement_of_sensors"
    r"|contact_lag_of_waist|force_from_waist)\.parquet$"
)
_NOT_PRODUCTS = ("logs", "benchmarks", ".snakemake")


def _docx(path: Path) -> bool:
    import docx

    document = docx.Document(str(path))
    heads = [section.header.paragraphs[0].text for section in document.sections]
    return all(heads) and "BLINDED" in heads[0]


def _png(path: Path) -> bool:
    from PIL import Image

    with Image.open(path) as picture:
        return "BLINDED" in str(picture.info.get("Description", ""))


def _page(path: Path) -> bool:
    text = path.read_text(encoding="utf-8")
    if "<body>" not in text:  # a part of a page: a table, or one sentence that there is none
        return "BLINDED" in text
    return "<title>BLINDED" in text and text.count('class="blinded') == 2


def _text(path: Path) -> bool:
    return "BLINDED" in path.read_text(encoding="utf-8")


_MARKED: dict[str, Callable[[Path], bool]] = {
    ".html": _page,
    ".svg": _text,
    ".csv": _text,
    ".tex": _text,
    ".txt": _text,
    ".R": _text,
    ".json": _text,
    ".docx": _docx,
    ".png": _png,
    ".parquet": lambda path: KEY in read_metadata(path),
}


def _needs_none(path: Path, name: str) -> bool:
    if path.suffix == ".parquet":
        return bool(_WITHOUT_OUTCOMES.search(name))
    if name.startswith("r_bundle/"):  # its files are read by R; one beside them says it
        return path.name != "BLINDED.txt"
    if path.suffix == ".html":
        text = path.read_text(encoding="utf-8")
        return "<body>" not in text and "<table" not in text
    if path.suffix == ".csv":  # a header without a row has nothing to mark
        return len(path.read_text(encoding="utf-8").splitlines()) < 2
    return False


def products(results: Path) -> list[Path]:
    """Return every file of a run but logs and timings."""
    found = (p for p in sorted(results.rglob("*")) if p.is_file() and p.name[0] != ".")
    return [p for p in found if p.relative_to(results).parts[0] not in _NOT_PRODUCTS]


def marked(results: Path) -> list[str]:
    """Return the files that say that their run is blinded."""
    return [
        path.relative_to(results).as_posix()
        for path in products(results)
        if _MARKED[path.suffix](path)
    ]


def unmarked(results: Path) -> list[str]:
    """Return the files of a blinded run that should say so and do not."""
    names = {path.relative_to(results).as_posix(): path for path in products(results)}
    silent = sorted(names.keys() - set(marked(results)))
    return [name for name in silent if not _needs_none(names[name], name)]


def seeds_named(results: Path) -> set[str]:
    """Return all seeds that the texts of a run name."""
    kinds = (".html", ".svg", ".csv", ".tex", ".json", ".txt")
    texts = [p.read_text(encoding="utf-8") for p in products(results) if p.suffix in kinds]
    return {seed for text in texts for seed in re.findall(r"BLINDED: .*?\(seed (\d+)\)", text)}
