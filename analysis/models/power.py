"""What a number of events can show: power arithmetic of a Cox model for one standardised term.

All from Schoenfeld 1983 (Biometrics 39:499) and Hsieh & Lavori 2000 (Control Clin Trials 21:552):
var(log HR per SD) = 1 / events, without adjustment for other terms.
"""

from __future__ import annotations

import math

POWER = 0.8


def _quantiles(confidence_level: float) -> float:
    from scipy.stats import norm

    return float(norm.ppf(0.5 + confidence_level / 2) + norm.ppf(POWER))


def minimal_detectable_hazard_ratio(events: int, confidence_level: float) -> float:
    """Return the smallest hazard ratio (> 1) per SD that is found with 80 % power, two-sided."""
    return math.exp(_quantiles(confidence_level) / math.sqrt(events))


def events_needed(hazard_ratio: float, confidence_level: float, reliability: float = 1.0) -> float:
    """Return the events that find a hazard ratio with 80 % power, two-sided.

    `hazard_ratio` is per SD of what the sensor measures when `reliability` is 1, else per SD of
    the true value: error of measurement multiplies the events by 1 / reliability.
    """
    return (_quantiles(confidence_level) / math.log(hazard_ratio)) ** 2 / reliability
