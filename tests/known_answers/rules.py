"""The settings of the known-answer tests, in the words of processing.yaml."""

from pipeline.events.tasks import TaskRules

THRESHOLD = {"force_threshold_n": 20.0, "force_threshold_sd": 5.0}
EMPTY = THRESHOLD | {"empty_window_s": 0.100, "largest_offset_n": 60.0}
FLIGHT = {
    "contact_hold_s": 0.010,
    "contact_dip_s": 0.005,
    "unloaded_before_contact_s": 0.050,
    "minimum_flight_s": 0.030,
    "landing_peak_window_s": 0.200,
}
WAIST = {
    "waist_flight_threshold_g": 0.4,
    "waist_minimum_flight_s": 0.100,
    "waist_contact_threshold_g": 1.0,
    "waist_search_s": 0.200,
    "waist_ringing_s": 0.070,
    "waist_hold_s": 0.010,
}
ONSET = {"onset_sd": 5.0, "onset_lead_s": 0.030, "onset_hold_s": 0.050}
LIMB = {"largest_limb_lag_s": 0.200}
STANCE = {"window_s": 1.0, "smallest_load_n": 200.0}
SEARCH = {"search_s": 1.0}
TASK = TaskRules(
    smallest_landing_peak=800.0,
    second_hop_flight_s=0.050,
    second_hop_within_s=2.0,
    longest_contact_s=1.5,
    shortest_jump_flight_s=0.100,
    longest_jump_flight_s=1.0,
)
