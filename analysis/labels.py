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
    "clipped": "sensor saturated",
    "clipped_unbounded": "sensor saturated, value off either way",
    "gap": "gap in the signal",
    "missing_samples": "missing samples",
    "rate_mismatch": "sampling rate not as declared, or too low",
    "sync_fail": "sensors not synchronous",
    "own_clock": "on a clock of its own",
    "no_stomp": "no stomp in the recording",
    "drift_gt_5deg": "angle drifts by more than the limit",
    "long_integration": "angle integrated too long",
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
}


def words(code: str) -> str:
    """Return the display words of a code; an unknown code is spelled out."""
    return WORDS.get(code, code.replace("_", " "))


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
