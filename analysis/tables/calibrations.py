"""Tables of the quality page: calibrations of sessions, and of units on the bench."""

from __future__ import annotations

from collections.abc import Iterable

from analysis.estimates import number_id, subjects_of
from analysis.labels import sentence_case, unit_shown, words
from analysis.report.context import Context
from analysis.report.ledger import Exempt, Ledger
from analysis.tables.cells import number_or_word
from analysis.tables.journal import Cell, JournalTable, Row

_SESSIONS = "quality_calibrations"
_SHOWN = {
    "plate": ("force plate, empty", "N"),
    "weighing": ("weighing on the plates", "N"),
    "accelerometer": ("accelerometer", "mg"),
    "gyro": ("thigh and shank gyroscopes", "deg/s"),
    "camera": ("camera", "deg"),
}
"""What a session calibrated -> its words, and the unit of its noise and change."""


def _two(ledger: Ledger, where: tuple[str, ...], term: str) -> Cell:
    """Return the median and in brackets the high value of a term; '' where it has none."""
    median = number_id(_SESSIONS, where, term, "median")
    if not ledger.holds(median):
        return ""
    high = ledger.number(number_id(_SESSIONS, where, term, "percentile"), "measure")
    return (ledger.number(median, "measure"), " (", high, ")")


def _on_the_bench(ledger: Ledger, where: tuple[str, ...]) -> tuple[Cell, Cell]:
    """Return the share of bench calibrations applied, and how many were refused or had expired."""
    applied = number_or_word(ledger, number_id(_SESSIONS, where, "bench", "share"), "percent", "")
    refused, expired = (
        number_id(_SESSIONS, where, f"bench_{word}", "count") for word in ("refused", "expired")
    )
    if not ledger.holds(refused):
        return applied, ""
    return applied, (ledger.number(refused, "count"), " / ", ledger.number(expired, "count"))


def _session_row(ledger: Ledger, place: tuple[str, str, str], found: Iterable[str]) -> Row:
    """Return the row of a sensor of a device: its start, its end, and its flexions."""
    _, device, sensor = place
    kinds = {kind: (*place, kind) for kind in found}
    start, end = kinds.get("standing", place), kinds.get("standing_end", place)
    flexion = kinds.get("functional_flexion", place)
    label, unit = _SHOWN[sensor]

    def of(where: tuple[str, ...], term: str, quantity: str, style: str) -> Cell:
        return number_or_word(ledger, number_id(_SESSIONS, where, term, quantity), style, "")

    return Row(
        (
            Exempt(f"{sentence_case(words(device))}: {label}, {unit_shown(unit)}", "name"),
            of(start, "calibrations", "count", "count"),
            of(start, "accepted", "share", "percent"),
            of(end, "accepted", "share", "percent"),
            # A person is not calibrated on a bench.
            *(_on_the_bench(ledger, start) if sensor != "weighing" else ("", "")),
            _two(ledger, start, "noise"),
            _two(ledger, end, "change"),
            of(flexion, "explained", "smallest", "percent"),
        )
    )


def build_sessions(context: Context, ledger: Ledger) -> JournalTable:
    """Return the calibrations of the sessions: accepted, noise at rest, change until the end."""
    places: dict[tuple[str, str, str], list[str]] = {}
    for site, device, sensor, kind in subjects_of(
        context.estimates, _SESSIONS, "calibrations", "count"
    ):
        places.setdefault((site, device, sensor), []).append(kind)
    rows: list[Row] = []
    for site, label in context.sites.items():
        of_site = [
            _session_row(ledger, place, kinds)
            for place, kinds in places.items()
            if place[0] == site
        ]
        if of_site:
            rows += [Row((label,)), *of_site]
    return JournalTable(
        _SESSIONS,
        "Calibrations of the sessions",
        (
            "Device and sensor, unit",
            "Calibrations",
            "Accepted at the start",
            "Accepted at the end",
            "Bench calibration applied",
            "Refused / expired",
            "Noise at rest, median (high)",
            "Change to the end, median (high)",
            "Smallest share on the flexion axis",
        ),
        tuple(rows),
        notes=(
            "Calibrations: sessions times places, such as four segments with gyroscopes. Noise at "
            "rest is the standard deviation over the quiet stretch: of an empty plate its "
            "noise alone, of everything else with the sway of the body. Change: of the bias of a "
            "gyroscope, the zero of a plate, the body weight, gravity at the accelerometer, or the "
            "knee angle in standing, from the start to the end of a session, without its sign. "
            "High: nineteen in twenty lie below. Bench calibration: of the unit, applied (of "
            "plates: checked) at that visit, refused by its limits, or expired, that is too old or "
            "of unknown age; the rest has none. Empty: not calibrated so.",
        ),
        absent="calibrations were not described",
    )


def build_bench(context: Context, ledger: Ledger) -> JournalTable:
    """Return the calibrations of the units on the bench."""
    name = "quality_bench"
    of_table = context.estimates.loc[context.estimates["analysis"] == name]
    units = dict(zip(of_table["number_id"], of_table["unit"], strict=True))
    rows = []
    for where in subjects_of(context.estimates, name, "calibrations", "count"):
        device, sensor, kind = where
        residual = number_id(name, where, "residual", "largest")
        label = f"{sentence_case(words(device))}: {words(sensor)}, {words(kind)}"
        shown: Cell = ""
        if ledger.holds(residual):
            shown = (ledger.number(residual, "measure"), f" {unit_shown(units[residual])}")
        rows.append(
            Row(
                (
                    Exempt(label, "name"),
                    number_or_word(
                        ledger, number_id(name, where, "calibrations", "count"), "count", ""
                    ),
                    number_or_word(
                        ledger, number_id(name, where, "accepted", "count"), "count", ""
                    ),
                    shown,
                    *(
                        number_or_word(
                            ledger, number_id(name, where, term, "largest"), "percent", ""
                        )
                        for term in ("gain_error", "gain_mismatch")
                    ),
                )
            )
        )
    return JournalTable(
        name,
        "Calibrations of the units on the bench",
        (
            "Unit and kind",
            "Calibrations",
            "Accepted",
            "Largest residual",
            "Scale or gain furthest from true",
            "Left against right plate",
        ),
        tuple(rows),
        notes=(
            "Residual: root mean square of what the fit leaves, in thousandths of gravity (mg) or "
            "in newtons. Left against right: the difference that the same mass on both plates "
            "shows, as large as the false asymmetry in the ratio of the limbs. Plates are checked "
            "and flagged, never corrected.",
        ),
        absent="no unit was calibrated on the bench",
    )
