"""Why a value, an event or a recording is flagged or refused: the machine-readable words."""

from __future__ import annotations

from enum import StrEnum


class Reason(StrEnum):
    """Quality flags; they are stored, joined by semicolons, in the column `flags`."""

    NO_QUIET_STANCE = "no_quiet_stance"
    NO_FLIGHT = "no_flight"
    NO_LANDING = "no_landing"
    INCOMPLETE_PLATE = "incomplete_plate"
    SECOND_HOP = "second_hop"
    OTHER_PLATE_LOADED = "other_plate_loaded"
    CLIPPED = "clipped"
    CLIPPED_UNBOUNDED = "clipped_unbounded"
    GAP = "gap"
    MISSING_SAMPLES = "missing_samples"
    RATE_MISMATCH = "rate_mismatch"
    LOW_RATE = "low_rate"
    SYNC_FAIL = "sync_fail"
    OWN_CLOCK = "own_clock"
    CONTACT_MISMATCH = "contact_mismatch"
    NO_STOMP = "no_stomp"
    LAG_BY_STOMP = "lag_by_stomp"
    DRIFT = "drift_gt_5deg"
    LONG_INTEGRATION = "long_integration"
    BIAS_FROM_START = "gyro_bias_from_start"
    TILT_CORRECTED = "tilt_corrected"
    TILT_NOT_CORRECTED = "tilt_not_corrected"
    OUT_OF_RANGE = "out_of_range"
    OPERATOR_REJECT = "operator_reject"
    DUPLICATE_RECORDING = "duplicate_recording"
    MIRRORED_SENSOR = "mirrored_sensor"
    CALIBRATION_REJECTED = "calibration_rejected"
    AXIS_LOW_EXPLAINED = "axis_low_explained"
    BIAS_CHANGE = "gyro_bias_change"
    KNEE_ZERO_MEASURED = "knee_zero_measured"
    PLATE_ZERO_DRIFT = "plate_zero_drift"
    PLATE_GAIN_ERROR = "plate_gain_error"
    CONTACT_BY_GYRO = "contact_by_gyro"
    BODY_WEIGHT_FROM_SCALE = "body_weight_from_scale"
    SHORT_RECORDING = "short_recording"
    BAD_FALL_TIME = "bad_fall_time"
    IMPULSE_MISMATCH = "impulse_mismatch"
    NO_FORCE_PEAKS = "no_force_peaks"
    NOT_SPRING_LIKE = "not_spring_like"
    NOT_STABILISED = "not_stabilised"
    NO_IMPACT_SPEED = "no_impact_speed"
    NO_LIMB_FORCE = "no_limb_force"
    NO_PLATE_EVENTS = "no_plate_events"


OF_PERFORMANCE = frozenset({str(Reason.SECOND_HOP), str(Reason.OTHER_PLATE_LOADED)})
"""What the athlete did, not a sensor: it stands against the trial whichever sensor has seen it."""
