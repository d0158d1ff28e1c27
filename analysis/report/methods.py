"""The methods text, generated from the settings: what was done, in sentences, nothing more."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from analysis.labels import metric_label, sentence_case, unit_shown, words
from analysis.report.fixed_methods import FIXED
from analysis.report.ledger import Exempt, phrase, setting
from analysis.report.numerals import MINUS
from shared.metric_dictionary import metrics
from shared.schemas import schema_of


@dataclass(frozen=True)
class Methods:
    """Paragraphs under one heading."""

    heading: str
    paragraphs: tuple[Markup, ...]


def _listed(items: list[Any]) -> Markup:
    parts = [Markup("{}").format(item) for item in items]
    if len(parts) < 2:
        return Markup("").join(parts)
    return Markup(", ").join(parts[:-1]) + " and " + parts[-1]


def _by_trigger(_: dict[str, Any]) -> Markup:
    return Markup("The recordings of a trial shared their time zero by a common trigger.")


def _by_stomp(chosen: dict[str, Any]) -> Markup:
    return phrase(
        "The recordings of a trial were synchronised by a stomp on the plate at the {} of the "
        "recording: the lag between force and waist acceleration (without a waist unit, the "
        "angular acceleration of the shank) was that of the highest cross-correlation from {} to "
        "{} Hz, interpolated between samples and searched up to {} s. A recording with a "
        "correlation below {}, or with another peak above {} of the best, stayed on a "
        "clock of its own, and values that need two devices were refused. The shock reaches the "
        "waist some milliseconds after the plate; this delay "
        "cannot be told from a lag of the clocks, and bounds the accuracy.",
        _listed([words(place) for place in chosen["stomp_at"]]),
        setting(chosen["band_low_hz"]),
        setting(chosen["band_high_hz"]),
        setting(chosen["largest_lag_s"]),
        setting(chosen["smallest_correlation"]),
        setting(chosen["largest_second_peak"]),
    )


_TIME_BASE = {"trigger": _by_trigger, "stomp": _by_stomp}
"""How the recordings of a trial were synchronised (study.yaml) -> what says so."""


def _common_rates(rates: dict[str, float | None]) -> Markup:
    common = {sensor: rate for sensor, rate in rates.items() if rate is not None}
    if not common:
        return Markup("Every recording was analysed at its own sampling rate.")
    listed = _listed(
        [phrase("{} per second ({})", setting(rate), words(name)) for name, rate in common.items()]
    )
    return phrase(
        "So that a sampling rate is not mistaken for a site, recordings were brought to one rate "
        "for each kind of sensor, the lowest in use, by a zero-lag anti-aliasing filter: {}. "
        "Saturation and gaps were judged on the samples as recorded. The primary models with the "
        "metrics at the native rates are a sensitivity analysis.",
        listed,
    )


def _signals(study: dict[str, Any], processing: dict[str, Any]) -> Methods:
    filtering, calibration, events = (
        processing[part] for part in ("filtering", "calibration", "events")
    )
    order = 2 * int(filtering["order_per_pass"])
    return Methods(
        "From recording to signal",
        (
            _TIME_BASE[study["synchronisation"]](processing["synchronisation"]),
            _common_rates(filtering["harmonised_rate_hz"]),
            phrase(
                "Sensors were calibrated on quiet standing: over the stillest {} s, the mean of a "
                "gyroscope was its bias and the mean of a plate its body weight. Standing "
                "recordings outside the limits of the settings were not accepted, and the values "
                "that depend on them were flagged.",
                setting(calibration["window_s"]),
            ),
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
                "plate where there is one, else on that of the waist unit.",
                setting(events["force_threshold_n"]),
                setting(events["force_threshold_sd"]),
                setting(events["contact_hold_s"]),
                setting(events["waist_flight_threshold_g"]),
                setting(events["waist_contact_threshold_g"]),
            ),
        ),
    )


def _metrics(plan: dict[str, Any], processing: dict[str, Any]) -> Methods:
    used = [item["metric"] for item in [*plan["primary"], *plan["exploratory"]]]
    used += plan["mixed"]["metrics"]
    windows = {name: f"{1000 * value:g}" for name, value in processing["windows"].items()}
    texts = [metrics()[name].methods.format(**windows) for name in dict.fromkeys(used)]
    sentences = [Exempt(text, "setting") for text in dict.fromkeys(texts)]
    return Methods("Landing metrics", (Markup(" ").join(sentences),))


def _cohort(plan: dict[str, Any], study: dict[str, Any], minimum_valid_trials: int) -> Methods:
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


def _covariate(covariate: dict[str, Any]) -> Markup:
    if covariate["reference"] is not None:
        return phrase("{} (reference: {})", covariate["label"], words(covariate["reference"]))
    columns = {column.name: column for column in schema_of("cohort").columns}
    name = covariate["column"]
    unit = unit_shown(columns[name].unit) if name in columns else ""
    step = phrase("{} {}", setting(covariate["per"]), unit) if unit else setting(covariate["per"])
    return phrase("{} (per {})", covariate["label"], step)


def _hazard_models(plan: dict[str, Any]) -> Markup:
    cox = plan["cox"]
    strata = _listed([words(column) for column in cox["strata"]])
    stratified = phrase(", stratified by {}", strata) if cox["strata"] else Markup("")
    covariates = _listed([_covariate(covariate) for covariate in cox["covariates"]])
    adjusted = phrase(", adjusted for {}", covariates) if cox["covariates"] else Markup("")
    penalty = (
        phrase(", with the penalty of {}", sentence_case(cox["penalty"]))
        if cox["penalty"] != "none"
        else Markup("")
    )
    return phrase(
        "Hazard ratios per standard deviation came from cause-specific Cox models of {}{}{}{}; "
        "tied times by the method of {}, intervals of the {} type at {} %. The "
        "primary metrics entered one model together; each exploratory metric had a model of its "
        "own. P-values are two-sided; those of the primary family ({} primary metrics, {} primary "
        "outcomes) are also adjusted by the method of {}, those of the exploratory metrics for the "
        "rate of false discoveries by the method of Benjamini and Hochberg.",
        _listed([plan["outcomes"][name]["label"] for name in plan["outcomes"]]),
        stratified,
        penalty,
        adjusted,
        sentence_case(cox["ties"]),
        sentence_case(cox["interval"]),
        setting(100 * plan["confidence_level"]),
        setting(len(plan["primary"])),
        setting(len(plan["primary_outcomes"])),
        sentence_case(plan["multiplicity"]),
    )


def _incidence(plan: dict[str, Any]) -> Markup:
    incidence = plan["cumulative_incidence"]
    by = f" by {words(incidence['group'])}" if incidence["group"] else ""
    return phrase(
        "Cumulative incidence of each second injury{} was estimated by the method of Aalen and "
        "Johansen, with the other ends as competing events; intervals were of the {} type. {}"
        "Rates have exact Poisson intervals, their ratios exact conditional ones. The mean time in "
        "sport and free of knee injury is the area under the Kaplan-Meier curve up to {} days.",
        by,
        words(incidence["interval"]),
        _group_tests(plan),
        setting(f"{plan['horizon_days']:g}"),
    )


def _group_tests(plan: dict[str, Any]) -> Markup:
    group, strata = plan["cumulative_incidence"]["group"], plan["cox"]["strata"]
    if not group:
        return Markup("")
    within = f", also within {' and '.join(map(words, strata))}," if strata else ""
    return phrase(
        "Groups by {} were compared by the log-rank test{} and by the test of Gray. ",
        words(group),
        within,
    )


def _limbs(plan: dict[str, Any]) -> Markup:
    mixed = plan["mixed"]
    return phrase(
        "Limb differences came from linear mixed models of the single trials of all visits by "
        "REML, adjusted for {}. Random were the athlete, the limb difference between "
        "athletes where it could be estimated, and the visit of an athlete; degrees of freedom by "
        "the method of {}. Analysed as logarithms, so that the difference is a ratio: {}. Athletes "
        "with both knees reconstructed have no uninvolved limb and were left out there.",
        _listed(["site", "visit", *map(_covariate, plan["cox"]["covariates"])]),
        sentence_case(words(mixed["degrees_of_freedom"])),
        _listed([Exempt(metric_label(name), "name") for name in mixed["log_scale"]]),
    )


def _limb_checks(plan: dict[str, Any]) -> Markup:
    return phrase(
        "Checks of these models: likelihood-ratio tests (maximum likelihood) of the limb "
        "difference changing between visits and of residual variances of their own for the limbs; "
        "the limb difference with such variances, and by the degrees of freedom of Kenward and "
        "Roger; residuals, and the influence of each athlete with the variances held; for the "
        "plan's predictors, profile intervals of the standard deviations; for the primary metrics, "
        "{} refits of a parametric bootstrap.",
        setting(plan["mixed"]["check_refits"]),
    )


def _reliability(plan: dict[str, Any]) -> Markup:
    return phrase(
        "Reliability came from linear mixed models of the single trials by REML, with site, visit "
        "and covariates fixed and athlete and visit in athlete random; intervals are percentiles "
        "of {} refits of a parametric bootstrap. Variation between sites came from the sites' "
        "adjusted means (Paule and Mandel; Q-profile interval). Trials and visits were "
        "also compared by intraclass correlations with two-way random effects and absolute "
        "agreement.",
        setting(plan["mixed"]["reliability_refits"]),
    )


def _agreement(_: dict[str, Any]) -> Markup:
    return phrase(
        "Agreement of two sensors was estimated on the landings that both measured, from "
        "differences of single landings: a linear mixed model by REML gives bias and the "
        "variances between athletes, limbs and visits and of trials, whose sum is that of a "
        "single difference; limits of agreement are the bias and {} standard deviations to either "
        "side. Degrees of freedom by the method of Satterthwaite; intervals of limits combine "
        "those of bias and standard deviation.",
        setting(1.96),
    )


def _calibrated(plan: dict[str, Any]) -> Markup:
    return phrase(
        "Hazard ratios of the {} primary metrics were corrected for the error of measurement by "
        "regression calibration, all metrics together. The error came from mixed models of the "
        "single trials: once that of the trials alone, so that the true value is the status at "
        "clearance, and once with what changes between visits, so that it is the habitual value. "
        "Intervals of corrected estimates include what is unknown about the error.",
        setting(len(plan["primary"])),
    )


def _shifts(shifts: list[float]) -> Markup:
    if not shifts:
        return Markup("")
    return phrase(
        " Values not missing at random were tried by shifting the missing values of one metric at "
        "a time by {} standard deviations.",
        _listed([setting(f"{shift:+g}".replace("-", MINUS)) for shift in shifts]),
    )


def _imputed(plan: dict[str, Any]) -> Markup:
    imputation = plan["imputation"]
    filled = {
        "normal": "draws from Bayesian normal regressions",
        "predictive_mean_matching": "predictive mean matching",
    }[imputation["method"]]
    logs = [Exempt(metric_label(name), "name") for name in imputation["log_scale"]]
    logarithm = phrase(" (as logarithms: {})", _listed(logs)) if logs else Markup("")
    auxiliary = [words(name) for name in imputation["auxiliary"]]
    is_primary = plan["missing"]["primary"] == "imputed"
    beside = "those of athletes with all primary metrics (complete cases)"
    return phrase(
        "{} Missing primary metrics{} were filled in by chained equations, {}, in {} data sets "
        "(or, where that is more, one for each per cent of incomplete athletes) of {} iterations. "
        "The imputation models held the other primary metrics, {}, and for each "
        "cause the event indicator and the cumulative hazard by the method of Nelson and Aalen. "
        "A mean of trials that a saturated sensor cut off was drawn above the recorded mean from "
        "the truncated normal distribution. Coefficients were pooled by the rules of Rubin with "
        "the degrees of freedom of Barnard and Rubin, those of complete data being athletes "
        "minus coefficients; corrected ones were corrected in each data set and then pooled, and "
        "tests known by their chi-squared statistic were pooled by the method of Li, Meng, "
        "Raghunathan and Rubin. The standard deviation of a measured value is that among the "
        "complete cases under either handling, that of a true value the one of completed data. "
        "Covariates, exploratory metrics and exposures were not filled in: athletes "
        "without a covariate were left out, exploratory models and rates per exposure rest on the "
        "athletes with a value.{}",
        f"Primary estimates have gaps filled in; {beside} are the sensitivity analysis."
        if is_primary
        else f"Primary estimates are {beside}; those with gaps filled in are the sensitivity "
        "analysis.",
        logarithm,
        filled,
        setting(imputation["data_sets"]),
        setting(imputation["iterations"]),
        _listed(
            [
                *(covariate["label"] for covariate in plan["cox"]["covariates"]),
                *map(words, plan["cox"]["strata"]),
                *auxiliary,
            ]
        ),
        _shifts(imputation["shifts_sd"]),
    )


def _complete_cases(_: dict[str, Any]) -> Markup:
    return Markup(
        "The models are of the athletes with all their metrics and covariates (complete cases). No "
        "value was filled in; the list of what was not run says why."
    )


def _penalised(plan: dict[str, Any]) -> Markup:
    return phrase(
        "Where a primary model had fewer than {} events per coefficient it was fitted again with "
        "the penalty of Firth, with intervals by the profile likelihood (by the curvature where "
        "values were filled in), and with a ridge penalty.",
        setting(plan["sensitivity"]["penalised"]["below_events_per_coefficient"]),
    )


def _alternatives(plan: dict[str, Any]) -> Markup:
    settings = plan["sensitivity"]["specifications"]
    return phrase(
        "The primary models were fitted again under one other choice at a time (table of choices); "
        "models with fewer than {} events per coefficient were not run.",
        setting(settings["least_events_per_coefficient"]),
    )


def _sensitivity(plan: dict[str, Any]) -> Markup:
    settings = plan["sensitivity"]
    return phrase(
        "As sensitivity analyses, each primary metric entered its model as a restricted cubic "
        "spline with {} knots and was tested against the straight line by the likelihood ratio; "
        "hazard ratios were corrected a second time by simulation and extrapolation (SIMEX, {} "
        "refits at each step of added error, extrapolated along the shape of attenuation); "
        "E-values were computed, with the hazard ratio taken as a risk ratio where the cumulative "
        "incidence at the end of "
        "follow-up was below {} %, else turned into an approximate one; and with fewer than {} "
        "events the models were refitted without each event's athlete.",
        setting(settings["spline_knots"]),
        setting(settings["simex"]["refits"]),
        setting(100 * settings["rare_outcome_below"]),
        setting(settings["leave_one_event_out_below"]),
    )


def _prediction(plan: dict[str, Any]) -> Markup:
    chosen = plan["prediction"]
    penalty = (
        phrase(
            ", coefficients shrunk by a ridge penalty chosen among {} by Akaike's criterion",
            _listed([setting(weight) for weight in chosen["penalties"]]),
        )
        if chosen["penalties"]
        else Markup("")
    )
    return phrase(
        "Prediction was exploratory. The risk of {} within {} days came from two cause-specific "
        "Cox models, of the injury and of all other ends{}, in athletes with complete values. A "
        "reference model held {}; the other held the landing metrics as well, and both were "
        "judged together. The whole model building was repeated in {} bootstrap resamples and "
        "optimism was subtracted; the same was done with outcomes shuffled {} times. Censoring was "
        "met by inverse probability weights, calibration by regression on the complementary "
        "log-log of the predicted risk.",
        plan["outcomes"][chosen["outcome"]]["label"],
        setting(chosen["horizon_days"]),
        penalty,
        _listed([covariate["label"] for covariate in chosen["covariates"]]),
        setting(chosen["bootstrap"]),
        setting(chosen["permutations"]),
    )


def _fixed(part: str) -> Callable[[dict[str, Any]], Markup]:
    return lambda _: Markup(FIXED[part])


_ANALYSES = {
    "limb_difference": _limbs,
    "limb_checks": _limb_checks,
    "asymmetry": _fixed("asymmetry"),
    "reliability": _reliability,
    "known_groups": _fixed("known_groups"),
    "agreement": _agreement,
    "force_model": _fixed("force_model"),
    "incidence": _incidence,
    "hazards": _hazard_models,
    "calibrated": _calibrated,
    "imputed": _imputed,
    "complete_cases": _complete_cases,
    "penalised": _penalised,
    "diagnosed": _fixed("diagnosed"),
    "alternatives": _alternatives,
    "sensitivity": _sensitivity,
    "knees": _fixed("knees"),
    "subdistribution": _fixed("subdistribution"),
    "prediction_size": _fixed("prediction_size"),
    "prediction": _prediction,
    "second_opinion": _fixed("second_opinion"),
    "second_opinion_by_r": _fixed("second_opinion_by_r"),
    "rederived": _fixed("rederived"),
}
"""Part of the analysis -> what says how it was done, in the order of the text."""


def methods(
    study: dict[str, Any],
    processing: dict[str, Any],
    plan: dict[str, Any],
    ran: frozenset[str],
) -> list[Methods]:
    """Return the methods text; of `ran`, the parts in `_ANALYSES` are described, others not."""
    analysis = tuple(write(plan) for part, write in _ANALYSES.items() if part in ran)
    sections = [
        _signals(study, processing),
        _metrics(plan, processing),
        _cohort(plan, study, processing["minimum_valid_trials"]),
    ]
    return [*sections, Methods("Statistical analysis", analysis)] if analysis else sections
