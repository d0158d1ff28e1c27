"""simulate.yaml: every parameter of the invented cohort."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, model_validator

from shared.settings.strict import Strict

STYLES = (
    "knee_excursion_deg",
    "knee_angle_at_contact_deg",
    "knee_contact_rate_share",
    "knee_peak_time_share",
    "thigh_share",
    "standing_knee_angle_deg",
    "damping_per_m",
    "leg_stiffness_per_s2",
    "toe_share",
    "toe_depth_m",
    "heel_start_m",
    "heel_depth_m",
    "drop_efficiency",
    "unloading_time_s",
    "push_force_g",
    "countermovement_depth_m",
    "countermovement_time_s",
    "bottom_force_g",
    "takeoff_rise_m",
    "contact_rise_m",
    "recovery_time_s",
    "involved_share",
    "contact_lag_s",
    "tissue_gain",
    "tissue_frequency_hz",
    "tissue_delay_s",
    "pelvis_pitch_deg",
)
"""The parameters of movement; each varies between athletes, limbs, visits and trials."""

Site = Literal["harbour", "meadow", "ridge"]
TaskName = Literal[
    "single_leg_drop_landing",
    "single_leg_drop_landing_soft",
    "single_leg_drop_landing_stiff",
    "drop_vertical_jump",
    "countermovement_jump",
    "box_jump",
    "cut",
]
Cause = Literal["graft_rupture", "contralateral_tear"]


class Variation(Strict):
    """One parameter of movement: its typical value and how it varies.

    On the `log` scale shifts and standard deviations are those of the natural logarithm.
    """

    typical: float
    scale: Literal["linear", "log"] = "linear"
    involved_shift: float = 0.0
    women_shift: float = 0.0
    task_shift: dict[TaskName, float] = Field(default_factory=dict)
    between_athletes: float = Field(default=0.0, ge=0)
    between_limbs: float = Field(default=0.0, ge=0)
    between_visits: float = Field(default=0.0, ge=0)
    between_trials: float = Field(default=0.0, ge=0)
    low: float
    high: float

    @model_validator(mode="after")
    def _ordered(self) -> Variation:
        if not self.low < self.typical < self.high:
            raise ValueError("low < typical < high is needed")
        return self


class People(Strict):
    """Who takes part; shares are probabilities."""

    women_share: float = Field(gt=0, lt=1)
    age_mean_years: float
    age_sd_years: float = Field(gt=0)
    age_low_years: float
    age_high_years: float
    height_mean_m: dict[Literal["female", "male"], float]
    height_sd_m: float = Field(gt=0)
    body_mass_index_mean: dict[Literal["female", "male"], float]
    body_mass_index_sd: float = Field(gt=0)
    right_dominant_share: float = Field(ge=0, le=1)
    graft_shares: dict[Literal["patellar_tendon", "hamstring", "quadriceps", "allograft"], float]
    sport_level_shares: list[float] = Field(min_length=3, max_length=3)
    prior_injury_share: float = Field(ge=0, le=1)


class FurtherTrials(Strict):
    """Soft and stiff landings, box jumps and cuts: some athletes, at clearance."""

    each: int = Field(ge=1)
    trials: int = Field(ge=1, le=9)


class Standing(Strict):
    """Calibrations of a session: empty plates, quiet standing, slow knee flexions."""

    duration_s: float = Field(gt=0)
    step_on_s: float = Field(gt=0)
    flexion_sites: list[Site]
    flexions: int = Field(ge=1)
    flexion_period_s: float = Field(gt=0)
    flexion_deg: float = Field(gt=0)


class Protocol(Strict):
    """What is recorded when."""

    box_height_m: float = Field(gt=0)
    trials: int = Field(ge=1, le=9)
    clearance_day_mean: float
    clearance_day_sd: float = Field(gt=0)
    clearance_day_low: float
    follow_up_share: float = Field(ge=0, le=1)
    follow_up_gap_days: tuple[int, int]
    camera_share_of_harbour: float = Field(ge=0, le=1)
    trial_duration_s: dict[TaskName, float]
    first_contact_s: tuple[float, float]
    countermovement_start_s: tuple[float, float]
    standing: Standing
    further: FurtherTrials


class Instruments(Strict):
    """Errors of the instruments, in the units that their data sheets use."""

    plate_noise_n: float
    plate_offset_sd_n: float
    accelerometer_noise_g: float
    accelerometer_bias_sd_g: float
    accelerometer_tilt_sd_deg: float
    accelerometer_range_g: float
    unit_scale_sd: float = Field(ge=0)
    unit_cross_axis_sd: float = Field(ge=0)
    unit_bias_sd_g: float = Field(ge=0)
    unit_rate_gain_sd: float = Field(ge=0)
    plate_gain_sd: float = Field(ge=0)
    rate_noise_deg_s: float
    rate_bias_mean_deg_s: float
    rate_bias_sd_deg_s: float
    rate_bias_trial_sd_deg_s: float
    rate_drift_sd_deg_s2: float
    rate_bias_session_sd_deg_s: float
    rate_misalignment_sd_deg: float
    rate_range_deg_s: float
    thigh_wobble_sd_deg_s: float
    camera_noise_deg: float
    camera_zero_sd_deg: float
    sway_m_s2: float
    reference_noise_g: float
    reference_bias_sd_g: float
    reference_range_g: float


class Stomps(Strict):
    """Recordings without a common trigger: clocks of their own, and a stomp at start and end.

    `after_begin_s` is from when to when the foot strikes after the plates begin (as long before
    they end); forces in body weights, `felt_share` in g per body weight.
    """

    site: Site
    stretch_s: float = Field(gt=0)
    after_begin_s: tuple[float, float]
    largest_offset_s: float = Field(ge=0)
    drift_sd: float = Field(ge=0)
    force_bw: float = Field(gt=0)
    force_sd: float = Field(ge=0)
    shock_s: float = Field(gt=0)
    felt_share: float = Field(gt=0)
    tissue_share: float = Field(ge=0, le=1)


class Radio(Strict):
    """Units that send packets of counted samples, stamped on arrival; some packets are lost."""

    device: Literal["wearables_basic"]
    packet_samples: int = Field(ge=1)
    wraps_at: int = Field(ge=4, le=1 << 15)  # counts are written as 16-bit integers
    arrival_sd_s: float = Field(ge=0)
    lost_packet_share: float = Field(ge=0, lt=1)


class Clocks(Strict):
    """How the recordings of a site tell time, where a trigger and a steady clock do not."""

    stomps: Stomps
    radio: Radio


class Nuisances(Strict):
    """What goes wrong. Athletes are named by number, so that the smallest cohort has each case."""

    mirrored_left_sensors_site: Site
    bilateral_athlete: int
    duplicate_athlete: int
    wrong_rate_athlete: int
    event_before_clearance_athlete: int
    operator_reject_athlete: int
    expired_bench_athlete: int
    gap_share: float = Field(ge=0, le=1)
    missing_samples_share: float = Field(ge=0, le=1)
    incomplete_plate_share: float = Field(ge=0, le=1)
    short_recording_share: float = Field(ge=0, le=1)
    second_hop_share: float = Field(ge=0, le=1)


class Predictor(Strict):
    """A planted effect: hazard ratio of each cause per standard deviation of the true metric."""

    metric: str
    sensor: str
    task: TaskName
    limb: Literal["involved", "both"]
    landing: int = 1
    unit: str
    hazard_ratio_per_sd: dict[Cause, float]


class CovariateEffect(Strict):
    """Hazard ratio of each cause per unit of a covariate."""

    hazard_ratio: dict[Cause, float]


class Outcomes(Strict):
    """Cause-specific Weibull hazards after clearance, and everything else that ends follow-up."""

    horizon_days: int = Field(gt=0)
    weibull_shape: float = Field(gt=0)
    cumulative_hazard: dict[Cause, float]
    predictors: list[Predictor]
    age_centre_years: float
    age_per_year: CovariateEffect
    women: CovariateEffect
    other_knee_injury_cumulative_hazard: float = Field(ge=0)
    end_of_sport_cumulative_hazard: float = Field(ge=0)
    lost_cumulative_hazard: float = Field(ge=0)
    contact_share: float = Field(ge=0, le=1)
    exposures_first_year: float = Field(gt=0)
    exposures_second_year: float = Field(gt=0)
    exposure_dispersion: float = Field(gt=0)


class SimulationSettings(Strict):
    """All parameters of the generator."""

    seed: int
    athletes: int = Field(ge=1, le=99_999)
    athletes_per_batch: int = Field(ge=1)
    people: People
    protocol: Protocol
    style: dict[str, Variation]
    stiffness_per_excursion: float
    propulsion_speed_share: float = Field(gt=0, lt=1)
    instruments: Instruments
    clocks: Clocks
    nuisances: Nuisances
    outcomes: Outcomes

    @model_validator(mode="after")
    def _every_style_parameter(self) -> SimulationSettings:
        if set(self.style) != set(STYLES):
            wrong = sorted(set(self.style) ^ set(STYLES))
            raise ValueError(f"style must list exactly the known parameters; differing: {wrong}")
        return self
