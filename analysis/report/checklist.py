"""The reporting checklists: what guidelines ask for, and where the report answers it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

from analysis.report.build import CONTENTS, ReportError
from analysis.report.cautions import FOOTER
from analysis.report.check import check_page
from analysis.report.page import render, stamps_of
from shared.tables import empty_table, write_text

ITEMS = Path(__file__).parent / "checklists.yaml"


@dataclass(frozen=True)
class Item:
    """One demand of a guideline; `where` is a section's address, `author` what the team writes."""

    item: str
    asks: str
    where: str = ""
    author: str = ""

    def __post_init__(self) -> None:
        if not self.where and not self.author:
            raise ValueError(f"item {self.item}: neither a section nor the author answers it")


@dataclass(frozen=True)
class Checklist:
    """A guideline with its items."""

    name: str
    title: str
    items: tuple[Item, ...]


def checklists(path: Path = ITEMS) -> list[Checklist]:
    """Return the guidelines, in the order of the file."""
    content = yaml.safe_load(path.read_text(encoding="utf-8"))
    return [
        Checklist(name, part["title"], tuple(Item(**item) for item in part["items"]))
        for name, part in content.items()
    ]


def unanswered(lists: Iterable[Checklist], addresses: Iterable[str]) -> list[str]:
    """Return the sections that items name and the report does not have."""
    named = {item.where for part in lists for item in part.items if item.where}
    return sorted(named - set(addresses))


def build_checklist(
    *, page: Path, guidelines: list[Path], report: str, study: dict[str, Any]
) -> None:
    """Write the page of the checklists.

    Parameters
    ----------
    guidelines : the file of the guidelines
    report : file name of the report beside the page, to which its links lead

    Raises
    ------
    ValueError
        An item names a section that the report does not have.
    ReportError
        The page shows a number: it answers where, never how much.
    """
    lists = checklists(*guidelines)
    headings = {address: words for group in CONTENTS.values() for address, words in group}
    if missing := unanswered(lists, list(headings)):
        raise ValueError(f"the checklists name sections that do not exist: {missing}")
    content = {
        **stamps_of(study),
        "lists": lists,
        "headings": headings,
        "report": report,
        "footer": FOOTER,
    }
    text = render("checklist.jinja", content)
    if faults := check_page(text, empty_table("ledger")):
        raise ReportError("the checklists show numbers:\n" + "\n".join(faults))
    write_text(text, page)
