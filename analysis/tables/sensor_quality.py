"""Tables of the quality page: metrics, calibrations of sessions, calibrations on the bench."""

from __future__ import annotations

from analysis.estimates import number_id, subjects_of
from analysis.labels import metric_label, sentence_case, unit_shown, words
from analysis.report.context import Context
from analysis.report.ledger import Exempt, Ledger
from analysis.tables.journal import Cell, JournalTable, Row
from shared.metric_dictionary import metrics


def _number(
    ledger: Ledger, analysis: str, where: tuple[str, ...], term: str, quantity: str, style: str
) -> Cell:
    address = number_id(analysis, where, term, quantity)
    return ledger.number(address, style) if ledger.holds(address) else ""


def _notes(context: Context, analysis: str) -> dict[str, str]:
    rows = context.estimates.loc[context.estimates["analysis"] == analysis]
    return dict(zip(rows["number_id"], rows["note"], strict=True))


def build_metrics(context: Context, ledger: Ledger) -> JournalTable:
    """Return each metric by sensor: values, share usable, saturated, and why values are lost."""
    name = "quality_metrics"
    notes = _notes(context, name)
    found = set(subjects_of(context.estimates, name, "values", "count"))
    rows = []
    for metric in metrics().values():
        for sensor in metric.sensors:
            where = (metric.id, sensor)
            if where not in found:
                continue
            reason = notes[number_id(name, where, "valid", "share")]
            label = f"{sentence_case(metric_label(metric.id))}, {words(sensor)}"
            rows.append(
                Row(
                    (
                        Exempt(label, "name"),
                        _number(ledger, name, where, "values", "count", "count"),
                        _number(ledger, name, where, "valid", "share", "percent"),
                        _number(ledger, name, where, "saturated", "share", "percent"),
                        _number(ledger, name, where, "undefined", "count", "count"),
                        words(reason) if reason else "none",
                    )
                )
            )
    return JournalTable(
        name,
        "What each metric delivered",
        ("Metric and sensor", "Values", "Usable", "Saturated", "Not defined", "Most often lost by"),
        tuple(rows),
        notes=(
            "Usable: no flag takes the value out of the primary analysis. Saturated: the value is "
            "a lower bound. Not defined: the metric does not exist for the landing, which is no "
            "loss and no part of the shares.",
        ),
        absent="metrics were not described",
    )


def build_calibrations(context: Context, ledger: Ledger) -> JournalTable:
    """Return the calibrations of the sessions: accepted, noise at rest, change until the end."""
    name = "quality_calibrations"
    units = {"gyro": "deg/s", "accelerometer": "mg", "plate": "N", "camera": "deg"}
    rows = []
    for where in subjects_of(context.estimates, name, "calibrations", "count"):
        site, device, sensor, kind = where
        place = f"{context.sites.get(site, site)}, {words(device)}"
        label = f"{place}: {words(sensor)}, {words(kind)}"
        rows.append(
            Row(
                (
                    Exempt(f"{label} ({unit_shown(units[sensor])})", "name"),
                    _number(ledger, name, where, "calibrations", "count", "count"),
                    _number(ledger, name, where, "accepted", "share", "percent"),
                    _number(ledger, name, where, "bench", "share", "percent"),
                    _number(ledger, name, where, "noise", "median", "measure"),
                    _number(ledger, name, where, "noise", "percentile", "measure"),
                    _number(ledger, name, where, "change", "median", "measure"),
                    _number(ledger, name, where, "change", "percentile", "measure"),
                    _number(ledger, name, where, "explained", "smallest", "percent"),
                )
            )
        )
    return JournalTable(
        name,
        "Calibrations of the sessions",
        (
            "Place, sensor and kind",
            "Calibrations",
            "Accepted",
            "Unit calibrated on the bench",
            "Noise at rest, median",
            "Noise at rest, high",
            "Change to the end, median",
            "Change to the end, high",
            "Smallest share on the flexion axis",
        ),
        tuple(rows),
        notes=(
            "Noise at rest is the standard deviation in quiet standing, sway of the body included. "
            "Change: of the bias of a gyroscope, or of the zero of a plate, from the start to the "
            "end of a session. High: nineteen in twenty lie below.",
        ),
        absent="calibrations were not described",
    )


def build_bench(context: Context, ledger: Ledger) -> JournalTable:
    """Return the calibrations of the units on the bench."""
    name = "quality_bench"
    rows = []
    for where in subjects_of(context.estimates, name, "calibrations", "count"):
        device, sensor, kind = where
        rows.append(
            Row(
                (
                    Exempt(
                        f"{sentence_case(words(device))}: {words(sensor)}, {words(kind)}", "name"
                    ),
                    _number(ledger, name, where, "calibrations", "count", "count"),
                    _number(ledger, name, where, "accepted", "count", "count"),
                    _number(ledger, name, where, "residual", "largest", "measure"),
                )
            )
        )
    return JournalTable(
        name,
        "Calibrations of the units on the bench",
        ("Unit and kind", "Calibrations", "Accepted", "Largest residual, mg"),
        tuple(rows),
        absent="no unit was calibrated on the bench",
    )
