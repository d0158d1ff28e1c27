"""Read one raw file for extraction: hash, validate, prepare, and say why when it cannot be used."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pipeline.extraction.signals import Signals, prepare
from pipeline.readers.checks import FLAG_OF_RULE
from pipeline.readers.read import read_recording
from pipeline.readers.recording import Recording
from pipeline.reasons import Reason
from shared.channels import sensor_of
from shared.errors import Problem, StudyError
from shared.provenance import sha256_of_raw_file
from shared.settings.device import DeviceProfile
from shared.settings.processing import ProcessingSettings
from shared.settings.strict import validate

# Missing samples concern only the values whose window they lie in; see `quality.windows`.
_LOCAL = frozenset({str(Reason.GAP), str(Reason.MISSING_SAMPLES)})
_ACCELERATION = "_acceleration."


@dataclass(frozen=True, slots=True)
class Reading:
    """What came of reading a file.

    Parameters
    ----------
    sha256 : hash of the bytes, '' when there is no file
    signals : the prepared recording; None when it cannot be used
    rate_hz, samples, duration_s : as found, None when it cannot be read
    jitter_s : of time stamps against the counter beside them, None without both
    flags : quality flags of the recording
    rule, reason : why it cannot be used, for machines and for people; '' when it can
    """

    sha256: str
    signals: Signals | None
    rate_hz: float | None = None
    samples: int | None = None
    duration_s: float | None = None
    jitter_s: float | None = None
    flags: tuple[str, ...] = ()
    rule: str = ""
    reason: str = ""


def profiles_of(devices: Mapping[str, Any]) -> dict[str, DeviceProfile]:
    """Return the device profiles that a step was given, by name.

    Raises
    ------
    StudyError
        A profile is wrong.
    """
    return {
        name: validate(DeviceProfile, content, f"devices/{name}.yaml")
        for name, content in devices.items()
    }


def shortest_recording_s(profile: DeviceProfile, settings: ProcessingSettings) -> float:
    """Return how long a recording of a device must be to be of use, in s.

    A shorter one holds neither a quiet stance nor a landing, or ends before the quickest filter of
    its sensors has settled (three periods of the cut-off, see `filtering.butterworth`). A slower
    filter beside it costs only the values that need it.
    """
    cutoffs = settings.filtering.cutoff_by_sensor
    of_device = [cutoffs[sensor_of(channel.channel)] for channel in profile.channels]
    settled_s = min(0.0 if cutoff is None else 3.0 / cutoff for cutoff in of_device)
    return max(settings.calibration.window_s, settled_s)


def _sentence(problem: Problem) -> str:
    place = f" in {problem.column}" if problem.column else ""
    return f"found {problem.found}{place}, expected {problem.expected}"


def _unusable(problems: tuple[Problem, ...], sha256: str, **found: object) -> Reading:
    first = problems[0]
    return Reading(sha256, None, rule=first.rule, reason=_sentence(first), **found)  # type: ignore[arg-type]


def judge(recording: Recording, recording_id: str, shortest_s: float) -> Reading:
    """Turn the findings of the reader into flags, or into the reason why there are no signals.

    Parameters
    ----------
    shortest_s
        A shorter recording holds neither a quiet stance nor a landing.
    """
    found = {
        "rate_hz": recording.rate_hz,
        "samples": recording.samples,
        "duration_s": recording.duration_s,
        "jitter_s": recording.jitter_s,
    }
    grave = tuple(p for p in recording.problems if p.rule not in FLAG_OF_RULE)
    flags = tuple(sorted({FLAG_OF_RULE[p.rule] for p in recording.problems if p not in grave}))
    if grave:
        return _unusable(grave, recording.sha256, flags=flags, **found)
    if recording.duration_s < shortest_s:
        return Reading(
            recording.sha256,
            None,
            flags=tuple(sorted({*flags, str(Reason.SHORT_RECORDING)})),
            rule=str(Reason.SHORT_RECORDING),
            reason=f"found {recording.samples} samples ({recording.duration_s:.2f} s), expected "
            f"at least {math.ceil(shortest_s * recording.rate_hz) + 1} ({shortest_s:g} s)",
            **found,
        )
    everywhere = tuple(flag for flag in flags if flag not in _LOCAL)
    return Reading(
        recording.sha256,
        prepare(recording, recording_id, everywhere),
        flags=flags,
        **found,
    )


def read_file(
    path: Path,
    profile: DeviceProfile,
    file: str,
    recording_id: str,
    shortest_s: float,
    forgiven: Callable[[Problem], bool] = lambda _: False,
) -> Reading:
    """Read and judge a file; a file that cannot be used never stops the others.

    Parameters
    ----------
    forgiven
        Tells which findings of the reader do not count against this kind of file.
    """
    try:
        recording = read_recording(path, profile, file)
    except StudyError as error:
        return _unusable(error.problems, sha256_of_raw_file(path) if path.is_file() else "")
    problems = tuple(problem for problem in recording.problems if not forgiven(problem))
    return judge(replace(recording, problems=problems), recording_id, shortest_s)


def read_bench_file(
    path: Path, profile: DeviceProfile, file: str, recording_id: str, shortest_s: float
) -> Reading:
    """Read and judge a file of a unit on the bench, which nobody wears: it may lie on any face."""
    worn = {c.column for c in profile.channels if _ACCELERATION in c.channel}

    def lies_on_a_face(problem: Problem) -> bool:
        return problem.rule == "sign_contradicts_signal" and problem.column in worn

    return read_file(path, profile, file, recording_id, shortest_s, lies_on_a_face)
