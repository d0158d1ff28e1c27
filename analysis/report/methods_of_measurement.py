"""Methods text: signals, landing metrics and the cohort."""

from __future__ import annotations

from typing import Any

from markupsafe import Markup

from analysis.labels import words
from analysis.report.ledger import Exempt, phrase, setting
from analysis.report.methods_parts import Methods, listed
from shared.metric_dictionary import metrics
from shared.settings.study import clocks_of_site, synchronisation_of_sites


def _by_trigger(where: Markup, _: dict[str, Any]) -> Markup:
    return phrase("The recordings of a trial{} shared their time zero by a common trigger.", where)


_AT_BOTH_ENDS = (
    "The lag was that of the stomp at the start; what the one at the end says beyond it is the "
    "residual lag. "
)


def _by_stomp(where: Markup, chosen: dict[str, Any]) -> Markup:
    return phrase(
        "The recordings of a trial{} were synchronised by a stomp on the plate at the {} of the "
        "recording: the lag between force and waist acceleration (without a waist unit, the "
        "angular acceleration of the shank) was that of the highest cross-correlation from {} to "
        "{} Hz, interpolated between samples and searched up to {} s. A recording with a "
        "correlation below {}, or with another peak above {} of the best, stayed on a "
        "clock of its own, and values that need two devices were refused. {}The shock reaches the "
        "waist some milliseconds after the plate; this delay "
        "cannot be told from a lag of the clocks, and bounds the accuracy.",
        where,
        listed([words(place) for place in chosen["stomp_at"]]),
        setting(chosen["band_low_hz"]),
        setting(chosen["band_high_hz"]),
        setting(chosen["largest_lag_s"]),
        setting(chosen["smallest_correlation"]),
        setting(chosen["largest_second_peak"]),
        _AT_BOTH_ENDS if len(chosen["stomp_at"]) > 1 else "",
    )


_KNEE_ZERO = {
    "standing": "The knee angle of the gyroscopes counts from standing, that of a camera from full "
    "extension.",
    "measured": "The knee angle of the gyroscopes counts from the angle that a camera measured in "
    "that standing, where there was a camera, else from standing.",
}
"""`knee_zero` of processing.yaml -> what says it."""

_ONSET = "time_to_takeoff"
"""The metric that exists for tasks that begin with a quiet stance on the plate."""


def _on_one_clock(where: Markup, _: dict[str, Any]) -> Markup:
    return phrase("All sensors{} were on one clock.", where)


_ONE_CLOCK = "one clock"
_TIME_BASE = {"stomp": _by_stomp, "trigger": _by_trigger, _ONE_CLOCK: _on_one_clock}
"""How the recordings of a trial were synchronised (study.yaml) -> what says so."""


def _time_base(study: dict[str, Any], processing: dict[str, Any]) -> Markup:
    """Return how recordings came on one clock; by site where sites differ."""
    places: dict[str, list[str]] = {}
    for name, way in synchronisation_of_sites(study).items():
        site = study["sites"][name]
        places.setdefault(_ONE_CLOCK if clocks_of_site(site) == 1 else way, []).append(
            site["label"]
        )
    said = []
    for way, say in _TIME_BASE.items():
        if way in places:
            labels = listed([Exempt(label, "name") for label in places[way]])
            where = phrase(" at {}", labels) if len(places) > 1 else Markup("")
            said.append(say(where, processing["synchronisation"]))
    return Markup(" ").join(said)


def _common_rates(rates: dict[str, float | None]) -> Markup:
    common = {sensor: rate for sensor, rate in rates.items() if rate is not None}
    if not common:
        return Markup("Every recording was analysed at its own sampling rate.")
    rates_and_sensors = listed(
        [phrase("{} per second ({})", setting(rate), words(name)) for name, rate in common.items()]
    )
    return phrase(
        "So that a sampling rate is not mistaken for a site, recordings were brought to one rate "
        "for each kind of sensor, the lowest in use, by a zero-lag anti-aliasing filter: {}. "
        "Saturation and gaps were judged, and contact and take-off on plates found, on the samples "
        "as recorded. The primary models with the metrics at the native rates are a sensitivity "
        "analysis.",
        rates_and_sensors,
    )


def _broken(quality: dict[str, Any]) -> Markup:
    return phrase(
        "Samples at {} % of a sensor's range or above, and flat tops above {} %, counted as "
        "saturated: a saturated peak was kept as a lower bound of the true one. Up to {} missing "
        "samples were bridged by a straight line; values with more of them in their window, or "
        "with any within {} s of initial contact, were excluded.",
        setting(f"{100 * quality['clip_share_of_range']:g}"),
        setting(f"{100 * quality['flat_top_share_of_range']:g}"),
        setting(quality["maximum_gap_samples"]),
        setting(quality["gap_guard_s"]),
    )


def _other_events(study: dict[str, Any], events: dict[str, Any]) -> Markup:
    """Return how the other events of plates were found; the onset where athletes jump from rest."""
    text = phrase(
        "Take-off from a plate was where the force fell below the same threshold for the last time "
        "before a flight of at least {} s. With a plate under each foot the landing began with the "
        "first foot. The centre of mass was lowest where its speed, the integral of the net force "
        "over the mass since initial contact, came to zero. Thresholds were interpolated between "
        "samples.",
        setting(events["minimum_flight_s"]),
    )
    if not set(metrics()[_ONSET].tasks).intersection(study["tasks"]):
        return text
    return text + phrase(
        " The movement of a jump from rest began {} s before the force left the body weight of the "
        "stance before it by {} standard deviations, for {} s at least.",
        setting(events["onset_lead_s"]),
        setting(events["onset_sd"]),
        setting(events["onset_hold_s"]),
    )


def signals(study: dict[str, Any], processing: dict[str, Any]) -> Methods:
    """Return how recordings became signals and events."""
    filtering, calibration, events = (
        processing[part] for part in ("filtering", "calibration", "events")
    )
    order = 2 * int(filtering["order_per_pass"])
    return Methods(
        "From recording to signal",
        (
            _time_base(study, processing),
            _common_rates(filtering["harmonised_rate_hz"]),
            phrase(
                "Sensors were calibrated on quiet standing: over the stillest {} s, the mean of a "
                "gyroscope was its bias and the mean of a plate its body weight. Standing "
                "recordings outside the limits of the settings were not accepted, and the values "
                "that depend on them were flagged. {}",
                setting(calibration["window_s"]),
                _KNEE_ZERO[calibration["knee_zero"]],
            ),
            _broken(processing["quality"]),
            phrase(
                "Filters were Butterworth filters of effective order {}, run forwards and "
                "backwards so that nothing is shifted in time, with the cut-off corrected for both "
                "passes: {} Hz for force, {} Hz for waist acceleration, {} Hz for angular rate and "
                "{} Hz for the camera angle. Events and impulses were taken from force that was "
                "not filtered. Standard gravity was {} m/s².",
                setting(order),
                setting(filtering["force_hz"]),
                setting(filtering["waist_acceleration_hz"]),
                setting(filtering["angular_rate_hz"]),
                setting(filtering["camera_angle_hz"]),
                setting(processing["standard_gravity"]),
            ),
            phrase(
                "On a plate, initial contact was the moment at which the force rose above {} N, or "
                "{} standard deviations of the unloaded plate if that is more, and stayed there "
                "for {} s. At the waist, flight was where the resultant fell below {} g, and "
                "contact the last rise through {} g before the impact peak. Waist metrics rest on "
                "the events of the waist unit at every site; knee metrics on the contact of the "
                "plate where there is one, else on that of the waist unit, else on that of the "
                "gyroscopes.",
                setting(events["force_threshold_n"]),
                setting(events["force_threshold_sd"]),
                setting(events["contact_hold_s"]),
                setting(events["waist_flight_threshold_g"]),
                setting(events["waist_contact_threshold_g"]),
            ),
            _other_events(study, events),
        ),
    )


def held_by_gravity(processing: dict[str, Any]) -> Markup:
    """Return how accelerometers on the segments held the knee angle."""
    tilt = processing["filtering"]["tilt_correction"]
    return phrase(
        "Where thigh and shank carried accelerometers, their inclination held the knee angle by a "
        "complementary filter with a time constant of {} s, counted from the same quiet stance. It "
        "was used only where the segment had felt 1 g to within {} g for {} s, and neither from "
        "the beginning of the fall from the box nor until {} s after initial contact: the "
        "excursion rests on the gyroscopes alone.",
        setting(tilt["time_constant_s"]),
        setting(tilt["norm_tolerance_g"]),
        setting(tilt["steady_for_s"]),
        setting(tilt["off_after_contact_s"]),
    )


def landing_metrics(plan: dict[str, Any], processing: dict[str, Any]) -> Methods:
    """Return how the landing metrics are defined."""
    used = [item["metric"] for item in [*plan["primary"], *plan["exploratory"]]]
    used += plan["mixed"]["metrics"]
    windows = {name: f"{1000 * value:g}" for name, value in processing["windows"].items()}
    texts = [metrics()[name].methods.format(**windows) for name in dict.fromkeys(used)]
    sentences = [Exempt(text, "setting") for text in dict.fromkeys(texts)]
    return Methods("Landing metrics", (Markup(" ").join(sentences),))


def cohort(plan: dict[str, Any], study: dict[str, Any], minimum_valid_trials: int) -> Methods:
    """Return who was followed, from when, to what end."""
    return Methods(
        "Cohort and outcomes",
        (
            phrase(
                "Population: {}. Question: {}.",
                plan["population"],
                plan["question"],
            ),
            phrase(
                "Follow-up began at the {} visit (the landmark) and ended at the first event or "
                "after {} days. Predictors were means of an athlete's valid trials at that visit, "
                "with at least {} valid trials; where both knees were reconstructed, both count as "
                "involved and the predictor is the mean of the two. Handling of other ends: {}.",
                words(study["clearance_visit"]),
                setting(plan["horizon_days"]),
                setting(minimum_valid_trials),
                plan["handling_of_other_ends"],
            ),
        ),
    )
