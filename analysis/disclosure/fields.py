"""Which fields of which rows of `estimates` must not leave the team."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable

import pandas as pd

from analysis.disclosure.suppression import is_small
from analysis.report.ledger import NUMERIC_FIELDS

COUNTS = ("n_athletes", "n_events", "n_trials")
"""Fields that say what an estimate rests on; where one is small, the estimate is hidden."""

GAPS = ("rows_dropped", "n_filled", "n_clipped")
"""Fields that say what is missing; where one is small, it is hidden, and so is what it leaves."""

COUNTED = {
    *(
        "count",
        "missing",
        "flagged",
        "clipped",
        "estimated",
        "estimated_without_plates",
        "athletes",
    ),
    *("athletes_with_two_visits", "athletes_with_all_sensors", "number_at_risk", "events"),
    *("recordings", "landings", "raw_files", "raw_files_changed", "trials_not_read", "compared"),
    *("not_derived", "outside"),
}
"""Quantities whose estimate is itself a count."""

NO_COUNTS = {"data_sets", "required", "for_mean_risk", "for_optimism", "for_shrinkage"}
"""Terms of such quantities that count no athletes or recordings: settings, and sizes needed."""

WHOLE_ROW = tuple(name for name in NUMERIC_FIELDS if name != "time_days")


class Fields:
    """The fields to hide, row by row."""

    def __init__(self, estimates: pd.DataFrame):
        self.rows: dict[str, dict[str, object]] = {
            str(row["number_id"]): row for row in estimates.to_dict("records")
        }
        self._hidden: dict[str, set[str]] = defaultdict(set)

    def hide(self, number_id: str, *fields: str) -> None:
        """Hide fields of a row; without names, every number of it."""
        self._hidden[number_id].update(fields or WHOLE_ROW)

    def hides(self, number_id: str, field: str = "estimate") -> bool:
        """Tell whether a field is hidden."""
        return field in self._hidden.get(number_id, ())

    def count(self, number_id: str, field: str) -> int | None:
        """Return a count, None where there is none or it is hidden."""
        value = self.rows[number_id][field]
        if pd.isna(value) or self.hides(number_id, field):  # type: ignore[call-overload]
            return None
        return round(float(value))  # type: ignore[arg-type]

    def applied(self, estimates: pd.DataFrame) -> pd.DataFrame:
        """Return the estimates with hidden numbers emptied and named in the column `hidden`."""
        table = estimates.copy()
        table["hidden"] = [
            " ".join(name for name in NUMERIC_FIELDS if name in self._hidden.get(address, ()))
            for address in table["number_id"]
        ]
        for name in NUMERIC_FIELDS:
            emptied = [name in self._hidden.get(address, ()) for address in table["number_id"]]
            table[name] = table[name].mask(pd.Series(emptied, index=table.index))
        return table


def is_count(row: dict[str, object]) -> bool:
    """Tell whether the estimate of a row is a count of athletes or of what they did."""
    term = str(row["number_id"]).rsplit(".", 2)[-2]
    return row["quantity"] in COUNTED and term not in NO_COUNTS


def hide_small(fields: Fields, limit: int) -> None:
    """Hide small counts and what rests on them; small gaps, and the counts that they leave."""
    for address, row in fields.rows.items():
        counts = [count for name in COUNTS if (count := fields.count(address, name)) is not None]
        own = [fields.count(address, "estimate")] if is_count(row) else []
        if any(is_small(count, limit) for count in [*counts, *own] if count is not None):
            fields.hide(address)
        gaps = [name for name in GAPS if is_small(fields.count(address, name) or 0, limit)]
        if gaps:
            fields.hide(address, *gaps, *COUNTS[:1])


def hide_differences(fields: Fields, totals: Iterable[int], limit: int) -> None:
    """Hide numbers of athletes that lie just below a shown total of athletes.

    Estimates stay: they do not tell the number, and rest on many.
    """
    shown = set(totals)
    for address, row in fields.rows.items():
        names = ["n_athletes"]
        if row["unit"] == "athletes" and is_count(row):
            names.append("estimate")
        for name in names:
            count = fields.count(address, name)
            if count is not None and any(is_small(total - count, limit) for total in shown):
                fields.hide(address, name)


def hide_same(fields: Fields, hidden: Iterable[int], limit: int) -> None:
    """Hide numbers of athletes that equal a hidden one: the same athletes under another name."""
    values = {value for value in hidden if value >= limit}
    for address, row in fields.rows.items():
        if fields.count(address, "n_athletes") in values:
            fields.hide(address, "n_athletes")
        counts_people = is_count(row) and row["unit"] == "athletes"
        if counts_people and fields.count(address, "estimate") in values:
            fields.hide(address)


def hide_events(fields: Fields, events: dict[str, int], hidden: set[str], limit: int) -> None:
    """Hide numbers of events of an outcome that are hidden, or lie just below what is shown.

    What follows from the number alone goes with it: the smallest detectable hazard ratio, and
    events per coefficient.

    Parameters
    ----------
    events : outcome -> events of the whole cohort
    hidden : outcomes whose number of events is hidden
    """
    told = {
        "minimal_detectable_hazard_ratio",
        "events_per_parameter",
        "events",
        "expected_shrinkage",
    }
    for address, row in fields.rows.items():
        count, total = fields.count(address, "n_events"), events.get(str(row["outcome"]))
        if count is None or total is None:
            continue
        if (row["outcome"] in hidden and count == total) or is_small(total - count, limit):
            fields.hide(address, "n_events")
            if row["quantity"] in told:
                fields.hide(address)


def hide_shares(fields: Fields, limit: int) -> None:
    """Hide shares that are a small count of a known number, or leave a small one."""
    siblings = {
        str(row["number_id"]).rsplit(".", 2)[0]: round(float(row["estimate"]))  # type: ignore[arg-type]
        for row in fields.rows.values()
        if row["quantity"] == "count" and str(row["analysis"]).startswith("quality_")
    }
    for address, row in fields.rows.items():
        share = row["estimate"]
        if row["quantity"] not in ("share", "flagged_share") or pd.isna(share):  # type: ignore[call-overload]
            continue
        number = row["n_athletes"]
        if pd.isna(number):  # type: ignore[call-overload]
            number = siblings.get(address.rsplit(".", 2)[0])
        if number is None:
            continue
        part = round(float(share) * float(number))  # type: ignore[arg-type]
        if is_small(part, limit) or is_small(float(number) - part, limit):  # type: ignore[arg-type]
            fields.hide(address)
