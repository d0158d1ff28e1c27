"""The ledger: every printed number is taken from `estimates` by its address and written down."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
from markupsafe import Markup

from analysis.report.numerals import HIDDEN, write
from shared.tables import empty_table, read_table

NUMERIC_FIELDS = (
    "estimate",
    "se",
    "df",
    "ci_low",
    "ci_high",
    "statistic",
    "p",
    "p_adjusted",
    "time_days",
    "n_athletes",
    "missing_information",
    "n_events",
    "n_trials",
    "rows_dropped",
)

EXEMPT = {
    "axis": "labels of axis ticks",
    "version": "versions of software and of definitions, hashes",
    "citation": "years, volumes and pages of sources",
    "setting": "values of the settings files, printed as they were set",
    "section": "numbers of sections, tables and figures",
    "reason": "reasons why an analysis was not run, as the analysis gave them",
    "audit": "estimates, hashes and counts on the audit page, as they are held",
    "name": "names that contain a digit, such as the impulse of the first 50 ms",
}
"""Classes of digits that are not results and so stand outside the ledger."""


@dataclass(frozen=True)
class Number:
    """A printed number: its text and the ledger row that it belongs to."""

    display: str
    ledger_id: str

    def __str__(self) -> str:
        return self.display

    def __html__(self) -> Markup:
        template = Markup('<span class="number" data-number="{}">{}</span>')
        return template.format(self.ledger_id, self.display)


@dataclass(frozen=True)
class Exempt:
    """Text with digits that are no result; `kind` is one of the classes in `EXEMPT`."""

    text: str
    kind: str

    def __post_init__(self) -> None:
        if self.kind not in EXEMPT:
            raise ValueError(f"{self.kind!r} is no exempt class; those are {', '.join(EXEMPT)}")

    def __str__(self) -> str:
        return self.text

    def __html__(self) -> Markup:
        return Markup('<span data-exempt="{}">{}</span>').format(self.kind, self.text)


def setting(value: object) -> Exempt:
    """Return a settings value, printed as it was set."""
    text = f"{value:g}" if isinstance(value, float) else str(value)
    return Exempt(text, "setting")


def phrase(template: str, *parts: object, **named: object) -> Markup:
    """Return `template` with its braces filled; numbers keep their address."""
    return Markup(template).format(*parts, **named)


class Ledger:
    """Hands out printed numbers of one place (a table, a figure, a section) and remembers them."""

    def __init__(self, estimates: pd.DataFrame, place: str):
        self.place = place
        # A table of many thousand rows, of which one place prints a few: cells are taken as needed.
        self._estimates = estimates
        self._positions = {name: row for row, name in enumerate(estimates["number_id"].tolist())}
        self._printed: dict[str, dict[str, object]] = {}

    def holds(self, number_id: str) -> bool:
        """Tell whether an estimate has this address."""
        return number_id in self._positions

    def _cell(self, number_id: str, column: str) -> Any:
        return self._estimates[column].iloc[self._positions[number_id]]

    def hides(self, number_id: str, field: str = "estimate") -> bool:
        """Tell whether a number was taken out for the shareable edition."""
        if "hidden" not in self._estimates:
            return False
        return field in str(self._cell(number_id, "hidden")).split()

    def value(self, number_id: str, field: str = "estimate") -> float:
        """Return a number for a decision about layout; it is not printed (NaN when empty)."""
        held = self._cell(number_id, field)
        return float("nan") if pd.isna(held) else float(held)

    def number(self, number_id: str, style: str, *, field: str = "estimate") -> Number:
        """Return a number of the table of estimates as it is printed.

        Parameters
        ----------
        number_id : address in the table of estimates
        style : one of `numerals.STYLES`
        field : column of the row, one of `NUMERIC_FIELDS`

        Raises
        ------
        KeyError
            There is no such row or field; a number without an address cannot be printed.
        """
        if not self.holds(number_id):
            raise KeyError(f"no estimate has the address {number_id!r}")
        if field not in NUMERIC_FIELDS:
            raise KeyError(f"{field!r} is no number of an estimate")
        value = self.value(number_id, field)
        shown = HIDDEN if self.hides(number_id, field) else write(value, style)
        return Number(*self._record(number_id, field, value, shown))

    def _record(self, number_id: str, field: str, value: float, display: str) -> tuple[str, str]:
        # The same number may be printed with other digits in the same place: another row.
        base = f"{self.place}/{number_id}/{field}"
        ledger_id, version = base, 1
        while (old := self._printed.get(ledger_id)) is not None and old["display"] != display:
            version += 1
            ledger_id = f"{base}/{version}"
        self._printed[ledger_id] = {
            "ledger_id": ledger_id,
            "display": display,
            "number_id": number_id,
            "field": field,
            "value": value,
            "place": self.place,
        }
        return display, ledger_id

    def table(self) -> pd.DataFrame:
        """Return the printed numbers, in the order of printing (schema ledger)."""
        if not self._printed:
            return empty_table("ledger")
        return pd.DataFrame(list(self._printed.values())).astype({"value": "float64"})


def join(ledgers: Iterable[pd.DataFrame]) -> pd.DataFrame:
    """Return one ledger of several places, sorted by address."""
    filled = [table for table in ledgers if len(table)]
    if not filled:
        return empty_table("ledger")
    return pd.concat(filled).sort_values("ledger_id", kind="stable", ignore_index=True)


def read_ledgers(paths: Iterable[Path]) -> list[pd.DataFrame]:
    """Return the ledgers of figures and tables that were made before the page."""
    return [read_table(path) for path in paths]
