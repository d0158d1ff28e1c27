"""Why there is no knee angle at peak force: each cause has its own word, none is `no_landing`."""

import pytest

from pipeline.extraction.visit import measure_visit
from pipeline.metrics.outcome import Measured
from tests.unit.extraction_signals import (
    PROCESSING,
    SCALES,
    drop_force,
    drop_jump_force,
    measure,
    plates,
    rows_of,
    standing,
    times,
    trial,
    values,
    wearables,
)

SINGLE, DROP_JUMP, METRIC = (
    "single_leg_drop_landing",
    "drop_vertical_jump",
    "knee_flexion_at_peak_vgrf",
)
BOTH = ("left", "right")


def _flags(measured):
    return {side: value.flags for side, value in values(measured, METRIC, "gyro").items()}


def test_one_plate_under_two_feet_has_no_peak_of_a_limb():
    force = drop_jump_force(times())
    recordings = plates({"single": 1.0}, force), wearables(force, BOTH)
    measured = measure(trial(DROP_JUMP, "both", *recordings))
    assert set(_flags(measured[0])) == set(BOTH)
    for flags in _flags(measured[0]).values():
        assert "no_limb_force" in flags
        assert "no_landing" not in flags
    rows = rows_of(measured)["metrics"].query("metric == @METRIC")
    assert rows["value"].isna().all()
    assert not rows["valid"].any()


def test_one_plate_under_one_foot_has_its_peak():
    force = drop_force(times())
    (measured,) = measure(trial(SINGLE, "left", plates({"single": 1.0}, force), wearables(force)))
    (value,) = values(measured, METRIC, "gyro").values()
    assert isinstance(value.outcome, Measured)


@pytest.mark.parametrize("share", [0.0, 0.7])
def test_a_plate_that_was_missed_does_not_give_the_peak(share):
    """The waist unit has seen the landing, so that it is there; the foot missed the plate."""
    force = drop_force(times())
    on_plate = plates({"left": share, "right": 0.0}, force)
    (measured,) = measure(trial(SINGLE, "left", on_plate, wearables(force)))
    flags = _flags(measured)["left"]
    assert "no_plate_events" in flags
    assert "no_landing" not in flags


def test_a_peak_that_the_plate_cannot_tell_keeps_its_own_reason():
    """A cut-off above half the sampling rate: the plate has its contact, but no filtered peak."""
    filtering = PROCESSING.filtering.model_copy(update={"force_hz": 600.0})
    settings = PROCESSING.model_copy(update={"filtering": filtering})
    force = drop_force(times())
    both = trial(SINGLE, "left", plates({"left": 1.0, "right": 0.0}, force), wearables(force))
    (measured,) = measure_visit([both], standing(), SCALES, settings)
    assert "rate_mismatch" in _flags(measured)["left"]


def test_without_a_landing_the_word_is_no_landing():
    nothing = drop_force(times()) * 0.0 + 1.0
    on_plate = plates({"left": 1.0, "right": 0.0}, nothing)
    (measured,) = measure(trial(SINGLE, "left", on_plate, wearables(nothing, knee_scale=0.0)))
    assert _flags(measured)["left"] & {"no_landing", "no_flight"}


def test_only_the_limb_without_a_force_is_no_loss():
    """What does not exist is not lost; a plate that was missed has lost a value."""
    quality = PROCESSING.quality
    assert {"no_limb_force", "no_plate_events"} <= set(quality.excluding_flags)
    assert "no_limb_force" in quality.undefined_flags
    assert "no_plate_events" not in quality.undefined_flags
