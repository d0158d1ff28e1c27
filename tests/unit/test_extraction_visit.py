"""Which values a trial gives, for which limb, with which flags; on closed-form signals."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.extraction.limbs import is_dominant, limb_of
from pipeline.extraction.visit import measure_visit
from pipeline.filtering.gaps import Gap
from pipeline.metrics.outcome import Measured
from pipeline.quality.windows import FullScale, saturation
from shared.settings.device import Channel
from tests.unit import extraction_signals as made
from tests.unit.extraction_signals import (
    CONTACT,
    PROCESSING,
    RATE,
    WEIGHT,
    drop_force,
    drop_jump_force,
    measure,
    one,
    plates,
    rows_of,
    times,
    trial,
    values,
    wearables,
)

SINGLE, DROP_JUMP = "single_leg_drop_landing", "drop_vertical_jump"
TWO_PLATES = {"left": 0.45, "right": 0.55}


@pytest.mark.parametrize(
    ("side", "injured", "limb"),
    [
        ("left", "left", "involved"),
        ("right", "left", "uninvolved"),
        ("left", "both", "involved"),
        ("right", "both", "involved"),
        ("both", "left", "both"),
        ("both", "both", "both"),
    ],
)
def test_limb_of_a_side(side, injured, limb):
    assert limb_of(side, injured) == limb


def test_a_strange_side_is_refused():
    with pytest.raises(ValueError, match="'l' is not left"):
        limb_of("l", "left")


def test_dominance_is_undefined_for_the_whole_body():
    assert is_dominant("both", "left") is None
    assert is_dominant("left", "left") is True
    assert is_dominant("right", "left") is False


def test_two_plates_give_each_limb_and_their_sum():
    (measured,) = measure(trial(DROP_JUMP, "both", plates(TWO_PLATES, drop_jump_force(times()))))
    peaks = values(measured, "peak_vgrf", "plate")
    assert set(peaks) == {"left", "right", "both"}
    left, right, both = (peaks[side].outcome.value for side in ("left", "right", "both"))
    assert left + right == pytest.approx(both, rel=2e-3)
    assert left / both == pytest.approx(0.45, abs=2e-3)
    assert set(values(measured, "contact_time", "plate")) == {"both"}


def test_one_plate_under_two_feet_gives_no_value_per_limb():
    force = drop_jump_force(times())
    (measured,) = measure(
        trial(
            DROP_JUMP, "both", plates({"single": 1.0}, force), wearables(force, ("left", "right"))
        )
    )
    by_plate = {value.side for value in measured.values if value.sensor == "plate"}
    by_waist = {value.side for value in measured.values if value.sensor == "waist"}
    assert by_plate == by_waist == {"both"}
    assert set(values(measured, "knee_flexion_excursion", "gyro")) == {"left", "right"}


def test_drop_jump_by_closed_form():
    (measured,) = measure(trial(DROP_JUMP, "both", plates(TWO_PLATES, drop_jump_force(times()))))
    contact_time = one(measured, "contact_time", "plate").outcome
    flight_time = one(measured, "flight_time", "plate", 2).outcome
    # the threshold of 20 N is crossed within a sample or two of each edge
    assert contact_time.value == pytest.approx(0.5, abs=0.003)
    assert flight_time.value == pytest.approx(0.45, abs=0.003)


def test_bilateral_case():
    """Both limbs are involved; no uninvolved limb, and still one name for each landing."""
    force = drop_jump_force(times())
    tables = rows_of(measure(trial(DROP_JUMP, "both", plates(TWO_PLATES, force))), "both")
    landings = tables["landings"]
    assert landings["landing_id"].is_unique
    assert set(zip(landings["side"], landings["limb"], strict=True)) == {
        ("left", "involved"),
        ("right", "involved"),
        ("both", "both"),
    }


def test_knee_takes_its_contact_from_the_plate():
    force = drop_force(times())
    worn = wearables(force)
    (measured,) = measure(trial(SINGLE, "left", plates({"left": 1.0, "right": 0.0}, force), worn))
    value = one(measured, "knee_flexion_excursion", "gyro")
    assert value.events.event_source == "plate"
    # the knee of the closed form flexes by 50 degrees from the contact on; the first 20 N come
    # 0.3 ms later and the 20 Hz filter rounds start and top
    assert value.outcome.value == pytest.approx(50.0, abs=1.0)
    assert measured.observed.chosen[1, "left"].event_source == "plate"


def test_without_a_usable_plate_the_waist_gives_the_contact():
    force = drop_force(times())
    missed = plates({"left": 0.0, "right": 0.0}, force)
    (measured,) = measure(trial(SINGLE, "left", missed, wearables(force)))
    chosen = measured.observed.chosen[1, "left"]
    assert chosen.event_source == "waist"
    assert chosen.seconds(chosen.contact) == pytest.approx(CONTACT, abs=0.02)
    peak = one(measured, "peak_vgrf", "plate")
    assert not isinstance(peak.outcome, Measured)
    assert peak.flags & {"no_flight", "no_landing"}
    assert isinstance(one(measured, "knee_flexion_excursion", "gyro").outcome, Measured)


def test_a_foot_partly_beside_the_plate():
    force = drop_force(times())
    partly = plates({"left": 0.7, "right": 0.0}, force)
    (measured,) = measure(trial(SINGLE, "left", partly, wearables(force)))
    assert "incomplete_plate" in one(measured, "peak_vgrf", "plate").events.flags
    chosen = measured.observed.chosen[1, "left"]
    assert chosen.event_source == "waist"
    assert not chosen.flags
    metrics = rows_of([measured])["metrics"].set_index(["metric", "sensor"])
    assert not metrics.loc[("peak_vgrf", "plate"), "valid"]
    assert metrics.loc[("knee_flexion_excursion", "gyro"), "valid"]


def test_a_step_off_the_plate_afterwards_is_not_incomplete():
    time = times()
    force = np.where(time > 5.0, 0.0, drop_force(time))
    (measured,) = measure(trial(SINGLE, "left", plates({"left": 1.0, "right": 0.0}, force)))
    assert not measured.observed.chosen[1, "left"].flags


def test_every_value_says_rate_and_cutoff_of_its_signal():
    """DOMAIN 5 and 17.4: a loading rate means nothing without both."""
    force = drop_force(times())
    (measured,) = measure(trial(SINGLE, "left", plates({"single": 1.0}, force), wearables(force)))
    rows = rows_of([measured])["metrics"].set_index(["metric", "sensor"])
    filtering = PROCESSING.filtering
    assert rows.loc[("peak_loading_rate", "plate"), "cutoff_hz"] == filtering.force_hz
    assert rows.loc[("peak_waist_loading_rate", "waist"), "cutoff_hz"] == (
        filtering.waist_acceleration_hz
    )
    assert rows.loc[("knee_flexion_excursion", "gyro"), "cutoff_hz"] == filtering.angular_rate_hz
    assert np.isnan(rows.loc[("impulse_first_50_ms", "plate"), "cutoff_hz"])
    assert set(rows["rate_hz"]) == {RATE}


def test_second_hop():
    time = times()
    force = np.where((time > 3.6) & (time < 3.75), 0.0, drop_force(time))
    force = force + 2.0 * made.half_sine(time, 3.75, 0.1)
    (measured,) = measure(trial(SINGLE, "left", plates({"left": 1.0, "right": 0.0}, force)))
    assert "second_hop" in measured.observed.chosen[1, "left"].flags
    assert not rows_of([measured])["metrics"]["valid"].any()


def test_a_recording_that_ends_too_soon_keeps_what_it_can():
    force = drop_force(times(CONTACT + 0.25))
    (measured,) = measure(
        trial(SINGLE, "left", plates({"left": 1.0, "right": 0.0}, force), wearables(force))
    )
    assert isinstance(one(measured, "peak_vgrf", "plate").outcome, Measured)
    knee = one(measured, "knee_flexion_excursion", "gyro")
    assert "short_recording" in knee.flags


def test_body_weight_from_the_scale_is_told():
    force = drop_force(times())
    on_plate = plates({"left": 1.0, "right": 0.0}, force)
    by_scale = made.calibrate([], WEIGHT / made.G, PROCESSING)
    (measured,) = measure(trial(SINGLE, "left", on_plate), calibration=by_scale)
    assert by_scale.body_weight_source == "scale"
    assert "body_weight_from_scale" in one(measured, "peak_vgrf", "plate").flags
    assert "body_weight_from_scale" not in one(measured, "time_to_peak_vgrf", "plate").flags
    weighed = measure(trial(SINGLE, "left", on_plate))[0]
    assert one(weighed, "peak_vgrf", "plate").calibrations[0].recording_id == "standing.plates"


def test_a_weighing_far_from_the_scale_is_rejected():
    rejected = made.standing(mass_kg=WEIGHT / made.G * 1.05)
    assert rejected.body_weight_source == "scale"
    assert "scale" in rejected.places["plates", "plate"].reason


def test_wearables_without_calibration_are_flagged():
    force = drop_force(times())
    none = made.calibrate([], WEIGHT / made.G, PROCESSING)
    (measured,) = measure(trial(SINGLE, "left", wearables(force)), calibration=none)
    for metric, sensor in (("peak_waist_acceleration", "waist"), ("peak_knee_flexion", "gyro")):
        assert "calibration_rejected" in one(measured, metric, sensor).flags


def test_mirrored_units_are_turned_and_named():
    force = drop_force(times())
    right_way = [trial(SINGLE, "left", wearables(force), number=n) for n in (1, 2, 3)]
    mirrored = [trial(SINGLE, "left", wearables(force, sign=-1.0), number=n) for n in (1, 2, 3)]
    for straight, turned in zip(measure(*right_way), measure(*mirrored), strict=True):
        for metric in ("knee_flexion_excursion", "peak_knee_flexion_rate"):
            plain, corrected = one(straight, metric, "gyro"), one(turned, metric, "gyro")
            assert corrected.outcome.value == pytest.approx(plain.outcome.value, rel=1e-12)
            assert "mirrored_sensor" in corrected.flags
            assert "mirrored_sensor" not in plain.flags


def test_too_few_landings_decide_nothing():
    force = drop_force(times())
    few = [trial(SINGLE, "left", wearables(force, sign=-1.0), number=n) for n in (1, 2)]
    for measured in measure(*few):
        assert "mirrored_sensor" not in one(measured, "knee_flexion_excursion", "gyro").flags


def test_mirroring_is_decided_per_side():
    force = drop_force(times())
    trials = [trial(SINGLE, "left", wearables(force, ("left",), -1.0), number=n) for n in (1, 2, 3)]
    trials += [trial(SINGLE, "right", wearables(force, ("right",)), number=n) for n in (1, 2, 3)]
    flagged = {
        m.observed.trial.side
        for m in measure(*trials)
        if "mirrored_sensor" in one(m, "knee_flexion_excursion", "gyro").flags
    }
    assert flagged == {"left"}


def test_clipping_is_flagged_in_its_window_only():
    force = drop_force(times(), 20.0)
    (measured,) = measure(trial(SINGLE, "left", wearables(force, peak_axis_g=16.0)))
    assert "clipped" in one(measured, "peak_waist_acceleration", "waist").flags
    assert "clipped" not in one(measured, "knee_flexion_excursion", "gyro").flags
    # clipping censors a peak, it does not spoil it: the value stays in the analysis
    metrics = rows_of([measured])["metrics"].set_index("metric")
    assert "clipped" in metrics.loc["peak_waist_acceleration", "flags"]


@pytest.mark.parametrize(
    ("first", "length", "flag"),
    [
        (round((CONTACT + 0.12) * RATE), 30, "gap"),
        (round((CONTACT + 0.12) * RATE), 2, "missing_samples"),
        (round((CONTACT + 0.01) * RATE), 1, "gap"),  # close to contact nothing is bridged
        (round(5.0 * RATE), 30, None),  # outside of the window
    ],
)
def test_missing_samples(first, length, flag):
    force = drop_force(times())
    worn = replace(wearables(force), gaps=(Gap(first, first + length),))
    (measured,) = measure(trial(SINGLE, "left", worn))
    flags = one(measured, "peak_waist_acceleration", "waist").flags
    assert flags & {"gap", "missing_samples"} == ({flag} if flag else set())


def test_out_of_range():
    force = drop_force(times())
    (measured,) = measure(trial(SINGLE, "left", wearables(force, knee_scale=2.0)))
    assert "out_of_range" in one(measured, "knee_flexion_excursion", "gyro").flags


def test_every_wanted_metric_has_a_row_even_without_a_landing():
    nothing = np.ones_like(times())
    worn = wearables(nothing, knee_scale=0.0)
    (measured,) = measure(trial(SINGLE, "left", plates({"left": 1.0, "right": 0.0}, nothing), worn))
    metrics = rows_of([measured])["metrics"]
    assert set(metrics["sensor"]) == {"plate", "waist", "gyro"}
    assert metrics["value"].isna().all()
    assert (metrics["flags"] != "").all()
    assert not metrics["valid"].any()


def test_the_angle_at_peak_force_names_plate_and_gyroscopes():
    force = drop_force(times())
    (measured,) = measure(
        trial(SINGLE, "left", plates({"left": 1.0, "right": 0.0}, force), wearables(force))
    )
    sources = rows_of([measured])["metric_sources"].set_index("metric")
    of_angle = sources.loc["knee_flexion_at_peak_vgrf"]
    measured_by = set(of_angle.loc[of_angle["role"] != "calibration", "recording_id"])
    assert measured_by == {"trial.plates", "trial.wearables"}
    by_plate = of_angle.loc[of_angle["role"] == "events"].iloc[0]
    # contact at sample 3000, the half-sine of 100 ms has its peak 50 ms later
    assert by_plate["first_sample"] <= 3000
    assert by_plate["last_sample"] == pytest.approx(3050, abs=2)


def test_without_a_plate_there_is_no_angle_at_its_peak():
    (measured,) = measure(trial(SINGLE, "left", wearables(drop_force(times()))))
    assert "knee_flexion_at_peak_vgrf" not in {value.metric for value in measured.values}


def test_how_close_to_a_contact_a_gap_may_lie_is_a_setting():
    first = round((CONTACT + 0.01) * RATE)
    worn = replace(wearables(drop_force(times())), gaps=(Gap(first, first + 1),))
    quality = PROCESSING.quality.model_copy(update={"gap_guard_s": 0.005})
    settings = PROCESSING.model_copy(update={"quality": quality})
    (measured,) = measure_visit(
        [trial(SINGLE, "left", worn)], made.standing(), made.SCALES, settings
    )
    assert "missing_samples" in one(measured, "peak_waist_acceleration", "waist").flags


@pytest.mark.parametrize(
    ("changes", "clipped"),
    [
        ({}, 0),
        ({"flat_top_share_of_range": 0.9}, 4),
        ({"flat_top_share_of_range": 0.9, "flat_top_samples": 5}, 0),
        ({"clip_share_of_range": 0.9}, 4),
    ],
)
def test_what_counts_as_saturated_is_set(changes, clipped):
    """Four equal samples at 92 % of the range, in a signal that is lower elsewhere."""
    signal = np.array([0.1, 0.5, 0.92, 0.92, 0.92, 0.92, 0.4, 0.2])
    found = saturation(
        [signal], [FullScale(1.0)], RATE, PROCESSING.quality.model_copy(update=changes)
    )
    assert (found.samples if found else 0) == clipped


def test_a_top_that_a_filter_rounds_is_seen_where_the_step_is_known():
    """Samples at 98 % of the range that differ by one step; the peak of a sound signal does not."""
    step = 1.0 / 2**11
    limited = np.array([0.1, 0.5, 0.98, 0.98 + step, 0.98, 0.98 + step, 0.4, 0.2])
    sound = np.array([0.1, 0.5, 0.972, 0.98, 0.972, 0.5, 0.4, 0.2])
    quality = PROCESSING.quality
    for signal, known, samples in ((limited, step, 4), (limited, 0.0, 0), (sound, step, 0)):
        found = saturation([signal], [FullScale(1.0, known)], RATE, quality)
        assert found.samples == samples
    # In the unit of the column, of one channel among others.
    other = np.full(8, 3.0)
    found = saturation(
        [other, 9.81 * limited], [FullScale(5.0), FullScale(9.81, 9.81 * step)], RATE, quality
    )
    assert found.axes == (1,)
    channel = {"channel": "waist_acceleration.x", "column": "a", "unit": "g", "range": 16}
    assert Channel.model_validate(channel).resolution == 0.0
    assert Channel.model_validate(channel | {"step": 0.5}).resolution == pytest.approx(4.903325)


@pytest.mark.parametrize(("peak_bw", "too_much"), [(9.0, False), (12.0, True)])
def test_one_leg_has_hard_limits_of_its_own(peak_bw, too_much):
    """10 body weights on one limb, 16 on both together: common practice, no source."""
    time = times(8.0)
    one_leg = drop_force(time, peak_bw)
    (alone,) = measure(trial(SINGLE, "left", plates({"left": 1.0, "right": 0.0}, one_leg)))
    assert ("out_of_range" in one(alone, "peak_vgrf", "plate").flags) == too_much
    two_legs = drop_jump_force(time) + (peak_bw - 3.0) * made.half_sine(time, CONTACT, 0.1)
    (both,) = measure(trial(DROP_JUMP, "both", plates(TWO_PLATES, two_legs)))
    found = values(both, "peak_vgrf", "plate")
    assert set(found) == {"left", "right", "both"}
    assert found["both"].outcome.value == pytest.approx(peak_bw, rel=0.02)
    assert not any("out_of_range" in value.flags for value in found.values())
