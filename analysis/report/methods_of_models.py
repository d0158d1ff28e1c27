"""Methods text: the statistical models."""

from __future__ import annotations

from typing import Any

from markupsafe import Markup

from analysis.labels import metric_label, sentence_case, unit_shown, words
from analysis.report.ledger import Exempt, phrase, setting
from analysis.report.methods_parts import listed
from analysis.report.numerals import MINUS
from shared.schemas import schema_of


def _covariate(covariate: dict[str, Any]) -> Markup:
    if covariate["reference"] is not None:
        return phrase("{} (reference: {})", covariate["label"], words(covariate["reference"]))
    columns = {column.name: column for column in schema_of("cohort").columns}
    name = covariate["column"]
    unit = unit_shown(columns[name].unit) if name in columns else ""
    step = phrase("{} {}", setting(covariate["per"]), unit) if unit else setting(covariate["per"])
    return phrase("{} (per {})", covariate["label"], step)


def hazard_models(plan: dict[str, Any]) -> Markup:
    """Return how hazard ratios were estimated."""
    cox = plan["cox"]
    strata = listed([words(column) for column in cox["strata"]])
    stratified = phrase(", stratified by {}", strata) if cox["strata"] else Markup("")
    covariates = listed([_covariate(covariate) for covariate in cox["covariates"]])
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
        listed([plan["outcomes"][name]["label"] for name in plan["outcomes"]]),
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


def incidence(plan: dict[str, Any]) -> Markup:
    """Return how cumulative incidence was estimated."""
    incidence = plan["cumulative_incidence"]
    by = f" by {words(incidence['group'])}" if incidence["group"] else ""
    return phrase(
        "Cumulative incidence of each second injury{} was estimated by the method of Aalen and "
        "Johansen, with the other ends as competing events; intervals were of the {} type. {}"
        "Rates have exact Poisson intervals, their ratios exact conditional ones. The mean time in "
        "sport and free of knee injury is the area under the Kaplan-Meier curve up to {} days.",
        by,
        words(incidence["interval"]),
        group_tests(plan),
        setting(f"{plan['horizon_days']:g}"),
    )


def group_tests(plan: dict[str, Any]) -> Markup:
    """Return how groups were compared."""
    group, strata = plan["cumulative_incidence"]["group"], plan["cox"]["strata"]
    if not group:
        return Markup("")
    within = f", also within {' and '.join(map(words, strata))}," if strata else ""
    return phrase(
        "Groups by {} were compared by the log-rank test{} and by the test of Gray. ",
        words(group),
        within,
    )


def limbs(plan: dict[str, Any]) -> Markup:
    """Return how limbs were compared."""
    mixed = plan["mixed"]
    return phrase(
        "Limb differences came from linear mixed models of the single trials of all visits by "
        "REML, adjusted for {}. Random were the athlete, the limb difference between "
        "athletes where it could be estimated, and the visit of an athlete; degrees of freedom by "
        "the method of {}. Analysed as logarithms, so that the difference is a ratio: {}. Athletes "
        "with both knees reconstructed have no uninvolved limb and were left out there.",
        listed(["site", "visit", *map(_covariate, plan["cox"]["covariates"])]),
        sentence_case(words(mixed["degrees_of_freedom"])),
        listed([Exempt(metric_label(name), "name") for name in mixed["log_scale"]]),
    )


def limb_checks(plan: dict[str, Any]) -> Markup:
    """Return how the models of the limb difference were checked."""
    return phrase(
        "Checks of these models: likelihood-ratio tests (maximum likelihood) of the limb "
        "difference changing between visits and of residual variances of their own for the limbs; "
        "the limb difference with such variances, and by the degrees of freedom of Kenward and "
        "Roger; residuals, and the influence of each athlete with the variances held; for the "
        "plan's predictors, profile intervals of the standard deviations; for the primary metrics, "
        "{} refits of a parametric bootstrap.",
        setting(plan["mixed"]["check_refits"]),
    )


def reliability(plan: dict[str, Any]) -> Markup:
    """Return how reliability was estimated."""
    return phrase(
        "Reliability came from linear mixed models of the single trials by REML, with site, visit "
        "and covariates fixed and athlete and visit in athlete random; intervals are percentiles "
        "of {} refits of a parametric bootstrap. Variation between sites came from the sites' "
        "adjusted means (Paule and Mandel; Q-profile interval). Trials and visits were "
        "also compared by intraclass correlations with two-way random effects and absolute "
        "agreement.",
        setting(plan["mixed"]["reliability_refits"]),
    )


def agreement(_: dict[str, Any]) -> Markup:
    """Return how sensors were compared."""
    return phrase(
        "Agreement of two sensors was estimated on the landings that both measured, from "
        "differences of single landings: a linear mixed model by REML gives bias and the "
        "variances between athletes, limbs and visits and of trials, whose sum is that of a "
        "single difference; limits of agreement are the bias and {} standard deviations to either "
        "side. Degrees of freedom by the method of Satterthwaite; intervals of limits combine "
        "those of bias and standard deviation. Where the size of the differences grew with the "
        "mean of the sensors, limits of the ratio came from logarithms. Landings with a clipped "
        "value, a lower bound, were left out and shown once more as read. Concordance, Deming's "
        "line (equal error variances) and percent errors have intervals from leaving out one "
        "athlete at a time.",
        setting(1.96),
    )


def calibrated(plan: dict[str, Any]) -> Markup:
    """Return how hazard ratios were corrected for error of measurement."""
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
        listed([setting(f"{shift:+g}".replace("-", MINUS)) for shift in shifts]),
    )


def imputed(plan: dict[str, Any]) -> Markup:
    """Return how missing and clipped metrics were filled in."""
    imputation = plan["imputation"]
    filled = {
        "normal": "draws from Bayesian normal regressions",
        "predictive_mean_matching": "predictive mean matching",
    }[imputation["method"]]
    logs = [Exempt(metric_label(name), "name") for name in imputation["log_scale"]]
    logarithm = phrase(" (as logarithms: {})", listed(logs)) if logs else Markup("")
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
        listed(
            [
                *(covariate["label"] for covariate in plan["cox"]["covariates"]),
                *map(words, plan["cox"]["strata"]),
                *auxiliary,
            ]
        ),
        _shifts(imputation["shifts_sd"]),
    )


def complete_cases(_: dict[str, Any]) -> Markup:
    """Return that nothing was filled in."""
    return Markup(
        "The models are of the athletes with all their metrics and covariates (complete cases). No "
        "value was filled in; the list of what was not run says why."
    )


def penalised(plan: dict[str, Any]) -> Markup:
    """Return when and how penalised models were fitted."""
    return phrase(
        "Where a primary model had fewer than {} events per coefficient it was fitted again with "
        "the penalty of Firth, with intervals by the profile likelihood (by the curvature where "
        "values were filled in), and with a ridge penalty.",
        setting(plan["sensitivity"]["penalised"]["below_events_per_coefficient"]),
    )


def alternatives(plan: dict[str, Any]) -> Markup:
    """Return how the primary models were repeated under other choices."""
    settings = plan["sensitivity"]["specifications"]
    return phrase(
        "The primary models were fitted again under one other choice at a time (table of choices); "
        "models with fewer than {} events per coefficient were not run.",
        setting(settings["least_events_per_coefficient"]),
    )


def sensitivity(plan: dict[str, Any]) -> Markup:
    """Return how far results hold."""
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


def prediction(plan: dict[str, Any]) -> Markup:
    """Return how prediction was judged."""
    chosen = plan["prediction"]
    penalty = (
        phrase(
            ", coefficients shrunk by a ridge penalty chosen among {} by Akaike's criterion",
            listed([setting(weight) for weight in chosen["penalties"]]),
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
        listed([covariate["label"] for covariate in chosen["covariates"]]),
        setting(chosen["bootstrap"]),
        setting(chosen["permutations"]),
    )
