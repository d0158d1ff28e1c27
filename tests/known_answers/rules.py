"""The settings of the known-answer tests, in the words of processing.yaml."""

THRESHOLD = {"force_threshold_n": 20.0, "force_threshold_sd": 5.0}
FLIGHT = {
    "contact_hold_s": 0.010,
    "unloaded_before_contact_s": 0.050,
    "minimum_flight_s": 0.030,
}
WAIST = {
    "waist_flight_threshold_g": 0.4,
    "waist_minimum_flight_s": 0.100,
    "waist_contact_threshold_g": 1.0,
    "waist_search_s": 0.200,
    "waist_ringing_s": 0.050,
}
ONSET = {"onset_sd": 5.0, "onset_lead_s": 0.030}
TASK = {"smallest_landing_peak": 800.0, "second_hop_flight_s": 0.050}
