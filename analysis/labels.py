"""Display words for the codes that tables carry: limbs, sensors, outcomes, grafts, flags."""

from __future__ import annotations

from shared.metric_dictionary import metrics

WORDS: dict[str, str] = {
    "involved": "involved limb",
    "mass_kg": "body mass",
    "height_m": "body height",
    "uninvolved": "uninvolved limb",
    "both": "both limbs",
    "left": "left",
    "right": "right",
    "plate": "force plate",
    "waist": "waist accelerometer",
    "gyro": "thigh and shank gyroscopes",
    "camera": "camera",
    "graft_rupture": "graft rupture",
    "contralateral_tear": "contralateral tear",
    "second_injury": "any second injury",
    "other_knee_injury": "other knee injury",
    "end_of_sport": "end of sport",
    "end_of_study": "end of study",
    "horizon": "none by the end of the planned follow-up",
    "lost": "lost to follow-up",
    "patellar_tendon": "patellar tendon",
    "no_quiet_stance": "no quiet stance",
    "no_flight": "no flight phase",
    "no_landing": "no landing found",
    "no_limb_force": "one plate under both limbs",
    "no_plate_events": "landing not seen, or not whole, by the plate",
    "incomplete_plate": "foot not wholly on the plate",
    "second_hop": "second hop after landing",
    "other_plate_loaded": "second plate loaded in a landing on one leg",
    "clipped": "sensor saturated",
    "clipped_unbounded": "sensor saturated, value off either way",
    "gap": "gap in the signal",
    "missing_samples": "missing samples",
    "rate_mismatch": "sampling rate not as declared, or too low",
    "low_rate": "sampling rate too low for a peak",
    "sync_fail": "sensors not synchronous",
    "own_clock": "on a clock of its own",
    "contact_mismatch": "contact by the waist unit found wrong",
    "no_stomp": "no stomp in the recording",
    "lag_by_stomp": "clocks joined by a stomp",
    "drift_gt_5deg": "angle drifts by more than the limit",
    "long_integration": "angle integrated too long",
    "tilt_corrected": "knee angle held by gravity",
    "tilt_not_corrected": "knee angle by gyroscopes alone",
    "gyro_bias_from_start": "bias from the stance before the landing only",
    "out_of_range": "outside the plausible range",
    "operator_reject": "rejected by the operator",
    "duplicate_recording": "duplicate recording",
    "mirrored_sensor": "sensor mounted mirrored",
    "calibration_rejected": "calibration rejected",
    "contact_by_gyro": "contact seen by the gyroscopes only",
    "body_weight_from_scale": "body weight from the scale",
    "short_recording": "recording too short",
    "bilateral_case": "both knees reconstructed",
    "event_before_clearance": "injury before the clearance visit",
    "reference_accelerometer": "reference accelerometer",
    "follow_up": "follow-up",
    "first_visit": "against the first visit",
    "same_visit": "both limbs of one visit",
    "landing_2": "second landing",
    "no_force_peaks": "no separate peaks of force",
    "no_impact_speed": "speed at impact unknown",
    "not_spring_like": "force and displacement not like those of a spring",
    "not_stabilised": "force not steady by the end of the recording",
    "bad_fall_time": "fall not one from this box",
    "knee_zero_measured": "knee angle counted from a measured stance",
    "gyro_bias_change": "bias of the gyroscope changed in the session",
    "impulse_mismatch": "impulse and flight time tell different speeds",
    "axis_low_explained": "axis of the knee badly determined",
    "plate_gain_error": "gain of the plate off",
    "plate_zero_drift": "zero of the plate drifted in the session",
    "adjusted_p_values": "p-values adjusted over the primary family",
}

ANALYSES: dict[str, str] = {
    "sensor_answer": "how good the sensors are",
    "cox_primary": "primary hazard models",
    "cox_secondary": "hazard models of secondary outcomes",
    "cox_exploratory": "exploratory hazard models",
    "cox_calibrated_trial_error": "correction for the error of trials",
    "cox_calibrated_visit_error": "correction for the error of trials and visits",
    "cumulative_incidence": "cumulative incidence",
    "cumulative_incidence_others_censored": "cumulative incidence, other ends censored",
    "incidence_rates": "injury rates",
    "rate_ratios": "comparison of rates",
    "group_tests": "tests between groups",
    "event_free_time": "mean time in sport",
    "cox_complete_cases": "hazard models of complete cases",
    "imputation": "filling in of gaps",
    "cox_imputed": "hazard models with gaps filled in",
    "cox_imputed_shifted": "hazard models with filled-in values shifted",
    "cox_native_rate": "hazard models at the native sampling rate",
    "cox_specifications": "primary models under other choices",
    "cox_nonlinearity": "departure from a straight line",
    "cox_e_value": "E-values",
    "cox_leave_one_event_out": "leaving out one event at a time",
    "cox_simex_trial_error": "correction by SIMEX, error of trials",
    "cox_simex_visit_error": "correction by SIMEX, error of trials and visits",
    "cox_site_frailty": "shared frailty of sites",
    "knee_level": "both knees of an athlete",
    "knee_level_frailty": "both knees of an athlete, shared frailty",
    "fine_gray": "subdistribution models",
    "cox_firth": "penalty of Firth",
    "cox_ridge": "ridge penalty",
    "cox_diagnostics": "diagnostics of the hazard models",
    "collinearity": "correlations of the metrics",
    "cox_second_opinion": "hazard models fitted by a library",
    "limb_difference_second_opinion": "mixed models fitted by a library",
    "r_second_opinion": "models fitted by R",
    "rederived": "landings measured a second time",
    "prediction_size": "sample that a prediction needs",
    "prediction_performance": "performance of the prediction",
    "prediction_curve": "curves of the prediction",
    "prediction_null": "prediction with shuffled outcomes",
    "prediction_sites": "prediction at a site left out",
    "limb_difference": "limb differences",
    "limb_difference_checks": "checks of the limb differences",
    "asymmetry": "asymmetry",
    "metric_reliability": "reliability",
    "known_groups": "landings known to differ",
    "agreement": "agreement between sensors",
    "contact_lag": "lag of contact",
    "force_model": "force from waist acceleration",
    "planted_effects": "planted and found",
}
"""Analysis of the table of estimates -> its display words, in the order of the report."""


def words(code: str) -> str:
    """Return the display words of a code; an unknown code is spelled out."""
    return WORDS.get(code, code.replace("_", " "))


def analysis_words(analysis: str) -> str:
    """Return the display words of an analysis; an unknown one is spelled out."""
    return ANALYSES.get(analysis, words(analysis))


def sentence_case(text: str) -> str:
    """Return `text` with a capital first letter and the rest as it is."""
    return text[:1].upper() + text[1:]


def metric_label(metric: str) -> str:
    """Return the name of a metric, or the code spelled out when it is in no dictionary."""
    entry = metrics().get(metric)
    return entry.label if entry else words(metric)


_UNITS = {"a": "years", "deg": "degrees", "deg/s": "degrees/s", "m/s2": "m/s²", "": "no unit"}


def unit_shown(unit: str) -> str:
    """Return a unit as a reader expects it."""
    return _UNITS.get(unit, unit)
