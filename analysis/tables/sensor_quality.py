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


def build_bench_at_visits(context: Context, ledger: Ledger) -> JournalTable:
    """Return what became of the units' bench calibrations at the visits."""
    name = "quality_calibrations"
    rows = [
        Row(
            (
                Exempt(
                    f"{context.sites.get(site, site)}, {words(device)}: {words(sensor)}", "name"
                ),
                _number(ledger, name, where, "calibrations", "count", "count"),
                _number(ledger, name, where, "bench", "share", "percent"),
                _number(ledger, name, where, "bench_refused", "count", "count"),
                _number(ledger, name, where, "bench_expired", "count", "count"),
            )
        )
        for where in subjects_of(context.estimates, name, "bench", "share")
        for site, device, sensor, _ in [where]
    ]
    return JournalTable(
        "quality_bench_at_visits",
        "What became of the bench calibrations at the visits",
        ("Place and sensor", "Standing calibrations", "Bench applied", "Refused", "Expired"),
        tuple(rows),
        notes=(
            "Applied (of plates: checked), refused by the limits of the settings, or expired, that "
            "is too old or of unknown age, of all places calibrated in quiet standing; the rest "
            "has no bench calibration on record.",
        ),
        absent="calibrations were not described",
    )


def _residual(context: Context, ledger: Ledger, where: tuple[str, ...]) -> Cell:
    """Return the largest residual with its unit: accelerometers and plates have their own."""
    address = number_id("quality_bench", where, "residual", "largest")
    if not ledger.holds(address):
        return ""
    rows = context.estimates
    unit = str(rows.loc[rows["number_id"] == address, "unit"].iloc[0])
    return (ledger.number(address, "measure"), f" {unit}")


def build_clocks(context: Context, ledger: Ledger) -> JournalTable:
    """Return how recordings came on the clock of their trial by a stomp, by site and device."""
    name = "quality_clocks"
    rows = [
        Row(
            (
                Exempt(f"{context.sites.get(site, site)}, {words(device)}", "name"),
                _number(ledger, name, (site, device), "recordings", "count", "count"),
                _number(ledger, name, (site, device), "applied", "share", "percent"),
                _number(ledger, name, (site, device), "correlation", "median", "two_decimals"),
                _number(ledger, name, (site, device), "correlation", "smallest", "two_decimals"),
                _number(ledger, name, (site, device), "residual_lag", "count", "count"),
                _number(ledger, name, (site, device), "residual_lag", "median", "one_decimal"),
                _number(ledger, name, (site, device), "residual_lag", "percentile", "one_decimal"),
            )
        )
        for site, device in subjects_of(context.estimates, name, "recordings", "count")
    ]
    return JournalTable(
        name,
        "Recordings put on the clock of their trial by a stomp",
        (
            "Place and device",
            "Recordings",
            "Lag applied",
            "Correlation",
            "Smallest",
            "Two stomps",
            "Residual lag, ms",
            "High, ms",
        ),
        tuple(rows),
        notes=(
            "Correlation and residual lag: medians. The residual lag is the size of what a second "
            "stomp, at the end of a recording, says beyond the first: the clocks ran apart by it, "
            "or a lag was found wrong by it. High: nine in ten lie below. Where no lag was found, "
            "a recording stayed on its own clock, and what needs two devices was refused.",
        ),
        absent="no recording was synchronised by a stomp: a common trigger made the time zero of "
        "each trial, and leaves no lag to be found",
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
                    _residual(context, ledger, where),
                    _number(ledger, name, where, "gain_error", "largest", "percent"),
                    _number(ledger, name, where, "gain_mismatch", "largest", "percent"),
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
