"""What each quality flag means, in a sentence for a person."""

from __future__ import annotations

from pipeline.reasons import Reason

EXPLANATIONS: dict[str, str] = {
    Reason.NO_QUIET_STANCE: "no stretch of quiet standing where one is needed",
    Reason.NO_FLIGHT: "no flight was found before the landing",
    Reason.NO_LANDING: "no landing was found after the flight",
    Reason.INCOMPLETE_PLATE: "the foot was not wholly on the plate: the force after the landing "
    "does not come back to body weight",
    Reason.SECOND_HOP: "the athlete left the ground again after the last landing of the task, or "
    "the plate for good before a landing on one leg was held",
    Reason.OTHER_PLATE_LOADED: "a landing on one leg loaded the plate beside it as well: the other "
    "foot was down, or the foot stood on both plates",
    Reason.CLIPPED: "a sensor reached the end of its range inside the window: the peak is larger "
    "than recorded",
    Reason.CLIPPED_UNBOUNDED: "a sensor reached the end of its range inside the window, and nobody "
    "can tell which way the value is off",
    Reason.GAP: "samples are missing inside the window, too many to bridge",
    Reason.MISSING_SAMPLES: "samples are missing in the recording, or its sensor reads one number "
    "all the time",
    Reason.RATE_MISMATCH: "the sampling rate of the file is not the declared one, or too low for "
    "the cut-off of the filter",
    Reason.LOW_RATE: "so few samples per second miss the top of an impact: the peak is of low "
    "grade",
    Reason.SYNC_FAIL: "the value needs an instant of another recording, and the recordings of the "
    "trial do not share their clock",
    Reason.OWN_CLOCK: "the recording is not on the clock of its trial: measured by its own device "
    "alone",
    Reason.CONTACT_MISMATCH: "the waist unit has the contact far from that of the plate, though "
    "both share their clock: it was found wrong, and with it what counts from it",
    Reason.NO_STOMP: "study.yaml says that a stomp synchronises recordings, and none is in this "
    "trial: nothing was cut off, and each device was measured alone",
    Reason.LAG_BY_STOMP: "a stomp gave the lag of the clocks, and the way of its shock to the "
    "waist is part of that: what is left is no lag of the contact",
    Reason.DRIFT: "the knee angle drifts by more than 5 degrees over the trial",
    Reason.LONG_INTEGRATION: "the knee angle counts from a quiet stance too long before "
    "the landing",
    Reason.TILT_CORRECTED: "accelerometers on thigh and shank held the knee angle by gravity until "
    "the fall",
    Reason.TILT_NOT_CORRECTED: "thigh and shank have accelerometers, but no quiet stretch of them "
    "to hold the knee angle by, or one is missing or broken: the angle is that of the gyroscopes "
    "alone",
    Reason.BIAS_FROM_START: "no quiet stance after the landing: the bias of the gyroscopes "
    "is that of the stance before it",
    Reason.OUT_OF_RANGE: "the value lies outside of the hard limits of the metric dictionary",
    Reason.OPERATOR_REJECT: "rejected by hand in the table of rejections",
    Reason.DUPLICATE_RECORDING: "the same file stands under another recording",
    Reason.MIRRORED_SENSOR: "the unit was mounted mirrored; its sign was turned",
    Reason.CALIBRATION_REJECTED: "the standing calibration is missing or outside of its limits",
    Reason.AXIS_LOW_EXPLAINED: "slow knee flexions show no flexion axis; the z axis was used",
    Reason.BIAS_CHANGE: "a gyroscope's bias changed by more than its limit during the session",
    Reason.KNEE_ZERO_MEASURED: "the knee angle counts from the angle that a camera measured in "
    "quiet standing, not from standing itself",
    Reason.PLATE_ZERO_DRIFT: "an unloaded plate reads otherwise at the end of the session than at "
    "its start",
    Reason.PLATE_GAIN_ERROR: "known masses show a wrong gain of a plate, or a mismatch of two",
    Reason.CONTACT_BY_GYRO: "neither plate nor waist unit saw the contact; the gyroscopes gave it, "
    "some 10 ms off at best",
    Reason.BODY_WEIGHT_FROM_SCALE: "body weight from the scale, not from the plate",
    Reason.SHORT_RECORDING: "the recording ends before the window does",
    Reason.BAD_FALL_TIME: "the speed at contact by the plate, or the fall felt by the waist unit, "
    "is not that of a fall from this box",
    Reason.IMPULSE_MISMATCH: "the impulse of the landing and its flight time tell different speeds "
    "at contact",
    Reason.NO_FORCE_PEAKS: "the force has not two separate peaks after contact",
    Reason.NOT_SPRING_LIKE: "force and displacement do not go together as on a spring",
    Reason.NOT_STABILISED: "the force does not stay at body weight long enough within the time "
    "allowed",
    Reason.NO_IMPACT_SPEED: "the speed at contact, or the lowest point, cannot be found",
    Reason.NO_LIMB_FORCE: "one plate carries both limbs: no limb has a force of its own",
    Reason.NO_PLATE_EVENTS: "the plate does not give the events of this landing, so the instant of "
    "its peak force is not known",
}


def explain(flag: str) -> str:
    """Return the explanation of a flag (KeyError when unknown)."""
    return EXPLANATIONS[flag]
