"""What a metric function returns: a value with its samples, or a refusal with its reason."""

from __future__ import annotations

from typing import NamedTuple

from pipeline.reasons import Reason


class Measured(NamedTuple):
    """A value and the first and last sample of the recording that it was computed from."""

    value: float
    first_sample: int
    last_sample: int


class Refused(NamedTuple):
    """Why there is no value: the flag, and a sentence for people."""

    reason: Reason
    detail: str


Outcome = Measured | Refused
