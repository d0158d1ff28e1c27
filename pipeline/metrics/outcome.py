"""What a metric function returns: a value with its samples, or a refusal with its reason."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.reasons import Reason


@dataclass(frozen=True, slots=True)
class Measured:
    """A value and the first and last sample of the recording that it was computed from."""

    value: float
    first_sample: int
    last_sample: int


@dataclass(frozen=True, slots=True)
class Refused:
    """Why there is no value: the flag, and a sentence for people."""

    reason: Reason
    detail: str


Outcome = Measured | Refused
