"""Tables of the quality page: identities of the landings, saturation, valid trials."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from analysis.estimates import number_id, subjects_of, terms_of
from analysis.labels import metric_label, sentence_case, unit_shown, words
from analysis.models.landing_quality import IDENTITIES
from analysis.report.context import Context
from analysis.report.ledger import Exempt, Ledger, setting
from analysis.tables.cells import number_or_word, predictor_label
from analysis.tables.journal import JournalTable, Row
from shared.metric_dictionary import metrics

_LANDINGS = {"landing_2": ", second landing"}


def _task(study: Mapping[str, Any], task: str, landing: str = "") -> str:
    return f"{study['tasks'][task]['label']}{_LANDINGS.get(landing, '')}"


def _in_order(
    context: Context, analysis: str, term: str, site_at: int, task_at: int
) -> Iterator[tuple[str, ...]]:
    """Yield the subjects of an analysis, sites and tasks in the order of the settings."""
    sites, tasks = list(context.sites), list(context.study["tasks"])
    found = subjects_of(context.estimates, analysis, term, "count")
    yield from sorted(
        found,
        key=lambda where: (sites.index(where[site_at]), tasks.index(where[task_at]), where),
    )


def build_identities(context: Context, ledger: Ledger) -> JournalTable:
    """Return how well the identities of the landings close, by site, task and landing."""
    name, quality = "quality_identities", context.processing["quality"]
    subjects = list(_in_order(context, name, "landings", 1, 2))
    rows: list[Row] = []
    for metric in IDENTITIES:
        lines = []
        for where in subjects:
            if where[0] != metric:
                continue
            _, site, task, landing = where
            label = f"{context.sites[site]}: {_task(context.study, task, landing)}"
            lines.append(
                Row(
                    (
                        Exempt(label, "name"),
                        number_or_word(
                            ledger, number_id(name, where, "landings", "count"), "count", ""
                        ),
                        *(
                            number_or_word(
                                ledger, number_id(name, where, "all", part), "two_decimals", ""
                            )
                            for part in ("median", "low", "high")
                        ),
                        number_or_word(
                            ledger,
                            number_id(name, where, "beyond", "share"),
                            "percent",
                            "none",
                        ),
                    )
                )
            )
        if lines:
            entry = metrics()[metric]
            heading = f"{sentence_case(metric_label(metric))}, {unit_shown(entry.unit)}"
            rows += [Row((Exempt(heading, "name"),)), *lines]
    return JournalTable(
        name,
        "Identities of the landings: two ways to one quantity, by different samples",
        ("Place and task", "Landings", "Median", "Low", "High", "Beyond the limit"),
        tuple(rows),
        notes=(
            (
                "The net impulse until the final stance and the flight time tell the speed at "
                "contact (limit ",
                setting(quality["largest_speed_mismatch_m_s"]),
                " m/s); negative work and the energy of that speed tell the work; the speed at "
                "contact tells a fall, over that of a free fall from the box (limits ",
                setting(100.0 * quality["smallest_fall_time_share"]),
                " to ",
                setting(100.0 * quality["largest_fall_time_share"]),
                " %). A landing with knees and hips more bent than at take-off is truly faster "
                "than its flight time tells, and athletes who lower themselves from the edge fall "
                "shorter: a median off zero (off a hundred) is no fault by itself; a wide range "
                "is, or sites that differ. Low and high: nine in ten landings lie between. Valid "
                "values only: a fall that the plate did not see whole is not among them.",
            ),
        ),
        absent="no plate gave an identity",
    )


def build_saturation(context: Context, ledger: Ledger) -> JournalTable:
    """Return the share of recordings that were saturated, and for how long."""
    name = "quality_saturation"
    rows: list[Row] = []
    last = ""
    for where in _in_order(context, name, "recordings", 0, 3):
        site, device, sensor, task = where
        if site != last:
            rows.append(Row((context.sites[site],)))
            last = site
        label = f"{sentence_case(words(sensor))} ({words(device)}): {_task(context.study, task)}"
        rows.append(
            Row(
                (
                    Exempt(label, "name"),
                    number_or_word(
                        ledger, number_id(name, where, "recordings", "count"), "count", ""
                    ),
                    number_or_word(
                        ledger, number_id(name, where, "saturated", "share"), "percent", ""
                    ),
                    number_or_word(
                        ledger, number_id(name, where, "time", "median"), "measure", "none"
                    ),
                    number_or_word(
                        ledger, number_id(name, where, "time", "percentile"), "measure", "none"
                    ),
                )
            )
        )
    return JournalTable(
        name,
        "Saturated recordings",
        ("Sensor and task", "Recordings", "Saturated", "Time saturated, median, ms", "High, ms"),
        tuple(rows),
        notes=(
            "Of saturated recordings, the time at which any axis was saturated. The longer, "
            "the more of the peak is missing: of a pulse of thirty milliseconds, seven flat ones "
            "hide seven hundredths of the height, twelve a fifth, sixteen a third (closed form of "
            "the half-sine). High: nineteen in twenty lie below. Sensors that never saturated are "
            "not listed. The hardest landings saturate: leaving them out would make a sample "
            "gentler, so their values stay as lower bounds.",
        ),
        absent="no sensor reached the end of its range",
    )


def build_valid_trials(context: Context, ledger: Ledger) -> JournalTable:
    """Return how many valid trials stand behind the predictors of the plan."""
    name, fewest = "quality_valid_trials", context.processing["minimum_valid_trials"]
    found = {
        predictor["name"]: [
            int(term.removeprefix("trials_"))
            for (term,) in terms_of(context.estimates, name, predictor["name"], "share")
        ]
        for predictor in context.predictors
    }
    most = max((max(counts) for counts in found.values() if counts), default=0)
    rows = []
    for predictor in context.predictors:
        counts = found[predictor["name"]]
        if not counts:
            continue
        cells = [
            number_or_word(
                ledger, number_id(name, predictor["name"], f"trials_{k}", "share"), "percent", ""
            )
            for k in range(1, most + 1)
        ]
        first = number_id(name, predictor["name"], "trials_1", "share")
        people = ledger.number(first, "count", field="n_athletes")
        rows.append(Row((predictor_label(predictor), people, *cells)))
    return JournalTable(
        name,
        "Valid trials behind the predictors at the visit of clearance",
        (
            "Predictor",
            "Athletes measured",
            *(Exempt(f"At least {k} valid", "name") for k in range(1, most + 1)),
        ),
        tuple(rows),
        notes=(
            (
                "The settings demand ",
                setting(fewest),
                " valid trials; who has fewer has no value of the predictor "
                "and is handled as missing. An athlete with both knees reconstructed counts by the "
                "knee with more.",
            ),
        ),
        absent="no predictor of the plan was measured",
    )
