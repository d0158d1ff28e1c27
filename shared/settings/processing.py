"""processing.yaml: from signal to metric. Each section goes to the steps that use it."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, model_validator

from shared.settings.strict import Strict


class Calibration(Strict):
    """Quiet standing, alignment and bench calibration: windows and acceptance limits."""

    window_s: float = Field(gt=0)
    acceleration_spread_g: float = Field(gt=0)
    acceleration_norm_error_g: float = Field(gt=0)
    calibrated_norm_error_g: float = Field(gt=0)
    rate_spread_deg_s: float = Field(gt=0)
    rate_bias_deg_s: float = Field(gt=0)
    force_spread_share: float = Field(gt=0)
    force_drift_share: float = Field(gt=0)
    smallest_body_weight_n: float = Field(gt=0)
    mass_difference_share: float = Field(gt=0)
    rate_bias_change_deg_s: float = Field(gt=0)
    smallest_explained_share: float = Field(gt=0, le=1)
    smallest_flexion_deg: float = Field(gt=0)
    knee_zero: Literal["standing", "measured"]
    knee_spread_deg: float = Field(gt=0)
    zero_drift_n: float = Field(gt=0)
    unit_residual_mg: float = Field(gt=0)
    unit_longest_age_days: float = Field(gt=0)
    unit_pose_window_s: float = Field(gt=0)
    unit_pose_spread_g: float = Field(gt=0)
    unit_fewest_poses: int = Field(ge=9)
    unit_pose_condition: float = Field(gt=1)
    unit_rest_window_s: float = Field(gt=0)
    unit_rest_spread_deg_s: float = Field(gt=0)
    unit_least_turned_share: float = Field(gt=0, lt=1)
    unit_scale_error: float = Field(gt=0, lt=1)
    plate_gain_error: float = Field(gt=0)
    plate_gain_mismatch: float = Field(gt=0)


class HarmonisedRate(Strict):
    """Common sampling rate of each kind of sensor, in samples per second; null = as recorded."""

    plate: float | None = Field(default=None, gt=0)
    waist: float | None = Field(default=None, gt=0)
    reference_accelerometer: float | None = Field(default=None, gt=0)
    gyro: float | None = Field(default=None, gt=0)
    camera: float | None = Field(default=None, gt=0)

    @property
    def by_sensor(self) -> dict[str, float | None]:
        """Kind of sensor -> common rate."""
        return self.model_dump()


class TiltCorrection(Strict):
    """How accelerometers on thigh and shank hold the knee angle by gravity, and when they may."""

    time_constant_s: float = Field(gt=0)
    norm_tolerance_g: float = Field(gt=0, lt=1)
    steady_for_s: float = Field(ge=0)
    off_after_contact_s: float = Field(ge=0)


class Filtering(Strict):
    """Cut-off frequencies (-3 dB of the dual pass, corrected) in Hz; null = unfiltered."""

    harmonised_rate_hz: HarmonisedRate

    order_per_pass: int = Field(ge=1, le=8)
    force_hz: float | None
    waist_acceleration_hz: float | None
    angular_rate_hz: float | None
    camera_angle_hz: float | None
    gyro_bias: Literal["between_stances", "before_landing"]
    tilt_correction: TiltCorrection | None

    @property
    def cutoff_by_sensor(self) -> dict[str, float | None]:
        """Kind of sensor -> cut-off of its signals."""
        return {
            "plate": self.force_hz,
            "waist": self.waist_acceleration_hz,
            "reference_accelerometer": self.waist_acceleration_hz,
            "gyro": self.angular_rate_hz,
            "camera": self.camera_angle_hz,
        }


class Events(Strict):
    """Thresholds and durations of event detection."""

    force_threshold_n: float = Field(gt=0)
    force_threshold_sd: float = Field(gt=0)
    empty_window_s: float = Field(gt=0)
    largest_offset_n: float = Field(gt=0)
    contact_hold_s: float = Field(gt=0)
    contact_dip_s: float = Field(ge=0)
    unloaded_before_contact_s: float = Field(gt=0)
    minimum_flight_s: float = Field(gt=0)
    landing_peak_bw: float = Field(gt=0)
    landing_peak_window_s: float = Field(gt=0)
    largest_limb_lag_s: float = Field(gt=0)
    onset_sd: float = Field(gt=0)
    onset_lead_s: float = Field(ge=0)
    onset_hold_s: float = Field(ge=0)
    quiet_window_s: float = Field(gt=0)
    second_hop_flight_s: float = Field(gt=0)
    second_hop_within_s: float = Field(gt=0)
    other_plate_load_share: float = Field(gt=0, lt=1)
    other_plate_hold_s: float = Field(gt=0)
    other_plate_within_s: float = Field(gt=0)
    longest_contact_s: float = Field(gt=0)
    shortest_jump_flight_s: float = Field(gt=0)
    longest_jump_flight_s: float = Field(gt=0)
    lowest_point_search_s: float = Field(gt=0)
    final_stance_after_s: float = Field(ge=0)
    final_stance_load_share: float = Field(gt=0, lt=1)
    final_stance_spread_share: float = Field(gt=0)
    waist_flight_threshold_g: float = Field(gt=0, lt=1)
    waist_minimum_flight_s: float = Field(gt=0)
    waist_contact_threshold_g: float = Field(gt=0)
    waist_search_s: float = Field(gt=0)
    waist_ringing_s: float = Field(gt=0)
    waist_hold_s: float = Field(gt=0)
    waist_landing_peak_g: float = Field(gt=1)
    gyro_landing_share: float = Field(gt=0, le=1)
    gyro_landing_rate_deg_s: float = Field(gt=0)


class MetricWindows(Strict):
    """Windows of the metrics, in seconds from initial contact."""

    peak_force_s: float = Field(gt=0)
    force_peaks_from_s: float = Field(ge=0)
    force_peaks_until_s: float = Field(gt=0)
    stabilisation_hold_s: float = Field(gt=0)
    stabilisation_trial_s: float = Field(gt=0)
    waist_peak_s: float = Field(gt=0)
    knee_flexion_s: float = Field(gt=0)
    standing_before_contact_s: float = Field(gt=0)
    standing_window_s: float = Field(gt=0)
    standing_after_contact_s: float = Field(gt=0)
    longest_integration_s: float = Field(gt=0)


class MetricLimits(Strict):
    """When a metric exists, and by what it is told."""

    force_peak_prominence_bw: float = Field(gt=0)
    stabilisation_band_share: float = Field(gt=0, lt=1)
    waist_shock_g: float = Field(gt=1)
    stiffness_correlation: float = Field(gt=0, le=1)


class Quality(Strict):
    """Which flags take a value out of the primary analysis, and limits of quality control."""

    maximum_gap_samples: int = Field(ge=0)
    gap_guard_s: float = Field(ge=0)
    excluding_flags: list[str]
    undefined_flags: list[str]
    largest_support_error: float = Field(gt=0)
    smallest_fall_time_share: float = Field(gt=0, lt=1)
    largest_fall_time_share: float = Field(ge=1)
    largest_speed_mismatch_m_s: float = Field(gt=0)
    largest_drift_deg: float = Field(gt=0)
    largest_clock_difference_s: float = Field(gt=0)
    smallest_course_correlation: float = Field(gt=0, lt=1)
    smallest_impact_rate_hz: float = Field(gt=0)
    course_s: float = Field(gt=0)
    clip_share_of_range: float = Field(gt=0, le=1)
    flat_top_share_of_range: float = Field(gt=0, le=1)
    flat_top_samples: int = Field(ge=2)
    mirrored_share: float = Field(gt=0.5, le=1)
    mirrored_minimum_landings: int = Field(ge=1)
    mirrored_window_s: float = Field(gt=0)
    mirrored_smallest_deg: float = Field(gt=0)


class Synchronisation(Strict):
    """How a stomp is found, and when the lag that it gives is believed."""

    stomp_at: list[Literal["start", "end"]] = Field(min_length=1, max_length=2)
    search_s: float = Field(gt=0)
    largest_lag_s: float = Field(gt=0)
    band_low_hz: float = Field(gt=0)
    band_high_hz: float = Field(gt=0)
    grid_hz: float = Field(ge=100)
    smallest_shock: float = Field(gt=0)
    smallest_correlation: float = Field(gt=0, lt=1)
    largest_second_peak: float = Field(gt=0, lt=1)
    end_support: float = Field(ge=0, lt=1)
    end_support_s: float = Field(gt=0)

    @model_validator(mode="after")
    def _in_order(self) -> Synchronisation:
        if not self.band_low_hz < self.band_high_hz < self.grid_hz / 2.0:
            raise ValueError("expected band_low_hz < band_high_hz < half of grid_hz")
        if len(set(self.stomp_at)) < len(self.stomp_at):
            raise ValueError("stomp_at names a place twice")
        return self


class Waveforms(Strict):
    """Waveforms kept for figures: examples of valid landings, and flagged trials."""

    before_contact_s: float = Field(gt=0)
    after_contact_s: float = Field(gt=0)
    step_s: float = Field(gt=0)
    landings_per_site_and_task: int = Field(ge=0)
    flagged_per_site_and_reason: int = Field(ge=0)
    flagged_most: int = Field(ge=0)
    flagged_whole_step_s: float = Field(gt=0)
    flagged_landings_step_s: float = Field(gt=0)


class ResidualAnalysis(Strict):
    """The recordings, candidates and tail of the residual analysis, which only suggests."""

    recordings_per_device_and_task: int = Field(ge=1)
    before_contact_s: float = Field(ge=0)
    after_contact_s: float = Field(gt=0)
    lowest_cutoff_hz: float = Field(gt=0)
    step_ratio: float = Field(gt=1, le=1.25)
    tail_from_share: float = Field(gt=0, lt=1 / 3)
    tail_until_share: float = Field(gt=0, le=0.5)
    largest_tail_misfit: float = Field(gt=0)
    largest_tail_fall: float = Field(gt=1)

    @model_validator(mode="after")
    def _tail_holds_a_line(self) -> ResidualAnalysis:
        shortest = self.tail_from_share * self.step_ratio**3
        if self.tail_until_share < shortest:
            raise ValueError(
                f"tail_until_share {self.tail_until_share:g} leaves fewer than three candidates to "
                f"the tail, which tell no line; set it to {shortest:.3g} or above"
            )
        return self


class ProcessingSettings(Strict):
    """All choices between a raw sample and a metric."""

    standard_gravity: float = Field(gt=9.7, lt=9.9)
    calibration: Calibration
    filtering: Filtering
    events: Events
    windows: MetricWindows
    metric_limits: MetricLimits
    synchronisation: Synchronisation
    quality: Quality
    waveforms: Waveforms
    residual_analysis: ResidualAnalysis
    minimum_valid_trials: int = Field(ge=1)

    @model_validator(mode="after")
    def _gravity_leaves_the_landing_alone(self) -> ProcessingSettings:
        tilt, window_s = self.filtering.tilt_correction, self.windows.knee_flexion_s
        if tilt is not None and tilt.off_after_contact_s < window_s:
            raise ValueError(
                f"filtering.tilt_correction.off_after_contact_s {tilt.off_after_contact_s:g} ends "
                f"before windows.knee_flexion_s {window_s:g}: an accelerometer would pull the knee "
                f"angle at the impact; set it to {window_s:g} or above"
            )
        return self
