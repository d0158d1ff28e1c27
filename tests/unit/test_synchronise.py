"""Recordings of a trial on one clock: which is the reference, what is cut, what is refused."""

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analysis.estimates import estimates_table
from analysis.models.clock_quality import clock_quality
from analysis.report.methods import methods
from pipeline.extraction.harmonised import harmonised
from pipeline.extraction.signals import Signals
from pipeline.extraction.synchronise import by_stomp, by_trigger, cut, ways_of
from pipeline.filtering.gaps import Gap
from shared.settings.load import load_settings
from shared.sources import ROOT
from tests.known_answers.signals import half_sine
from tests.known_answers.stomp_study import stomp
from tests.unit.extraction_signals import PROCESSING, WEIGHT, G

SEARCH_S = PROCESSING.synchronisation.search_s


def clock(rate_hz, lag_s=0.0, duration_s=9.0):
    return np.arange(round(duration_s * rate_hz)) / rate_hz - lag_s


def plates(start_s=0.0, **changes):
    force = WEIGHT * stomp(clock(1000.0), 1.2)
    channels = {"vertical_force.left": 0.3 * force, "vertical_force.right": 0.7 * force}
    return replace(Signals("t.plates", "plates", start_s, 1000.0, channels), **changes)


def unit(lag_s=0.0, start_s=0.0, place="waist_acceleration", rate_hz=500.0, duration_s=9.0):
    felt = 0.8 * stomp(clock(rate_hz, lag_s, duration_s), 1.2)
    channels = {f"{place}.{axis}": 0.6 * G * (1.0 + felt) for axis in "xz"}
    channels[f"{place}.y"] = np.sqrt(1.0 - 2 * 0.36) * G * (1.0 + felt)
    return Signals(f"t.{place}", place, start_s, rate_hz, channels)


def shank(lag_s=0.0):
    time = clock(500.0, lag_s)
    turn = np.sin(0.5 * np.pi * np.clip((time - 0.96) / 0.24, 0.0, 1.0)) ** 2
    turn -= np.sin(0.5 * np.pi * np.clip((time - 1.2) / 0.060, 0.0, 1.0)) ** 2
    return Signals("t.shank", "shank", 0.0, 500.0, {"shank_rate.left.z": 4.0 * turn})


def camera():
    return Signals("t.camera", "camera", 0.0, 120.0, {"knee_flexion.left": np.zeros(1080)})


def synchronised(*recordings, **changes):
    """Put recordings on one clock; return recordings and clocks by device."""
    chosen = PROCESSING.synchronisation.model_copy(update=changes)
    settings = PROCESSING.model_copy(update={"synchronisation": chosen})
    found = by_stomp(recordings, WEIGHT, settings)
    return {x.device: x for x in found.recordings}, {x.device: x for x in found.clocks}


def test_a_trigger_leaves_everything_as_it_is():
    recordings = (plates(), unit(0.1))
    found = by_trigger(recordings, WEIGHT, PROCESSING)
    assert found.clocks == ()
    assert all(one is two for one, two in zip(found.recordings, recordings, strict=True))


def test_every_recording_comes_on_the_clock_of_the_plates_whatever_the_order():
    waist = unit(0.0771, start_s=1000.0)
    reference = unit(-0.3, place="reference_acceleration", rate_hz=200.0)
    recordings, clocks = synchronised(waist, shank(0.25), plates(start_s=7.0), reference)
    assert list(recordings) == ["waist_acceleration", "shank", "plates", "reference_acceleration"]
    assert {c.reference_id for c in clocks.values()} == {"t.plates"}
    assert clocks["waist_acceleration"].lag_s == pytest.approx(993.0771, abs=1e-5)
    assert clocks["reference_acceleration"].lag_s == pytest.approx(-7.3, abs=5e-5)
    assert clocks["shank"].lag_s == pytest.approx(0.25 - 7.0, abs=2e-3)
    assert {device: c.compared for device, c in clocks.items()} == {
        "waist_acceleration": "acceleration",
        "reference_acceleration": "acceleration",
        "shank": "angular_acceleration",
    }
    # All begin where the search ended, on the clock of the plates, to within the next sample that
    # 500 and the common 200 per second have together.
    for signals in recordings.values():
        assert -1e-9 <= signals.start_s - (7.0 + SEARCH_S) < 0.010
    assert recordings["waist_acceleration"].raw_sample(0) == 1540  # after (3 + 0.0771) s * 500


@pytest.mark.parametrize("lag_s", [0.0999, 0.1001, 0.1019, 0.1021, 0.1039])
def test_an_error_of_the_lag_does_not_move_the_samples_of_a_slower_signal(lag_s):
    """Two lags 0.2 ms apart may begin a sample of 500 apart; at 200 this moves every sample."""
    recordings, _ = synchronised(plates(), unit(lag_s))
    signals = recordings["waist_acceleration"]
    assert signals.raw_sample(0) == 5 * np.ceil((SEARCH_S + lag_s) * 100)
    (slower,) = harmonised(signals, PROCESSING.filtering.harmonised_rate_hz.by_sensor)
    # On the clock of the unit the slower signal has a sample at every 5 ms from its first on.
    own_s = slower.start_s + lag_s
    assert slower.rate_hz == pytest.approx(200.0)
    assert own_s * 200.0 == pytest.approx(round(own_s * 200.0), abs=2e-2)


def test_without_plates_an_accelerometer_gives_the_clock():
    recordings, clocks = synchronised(shank(0.1), unit())
    assert clocks["shank"].reference_id == "t.waist_acceleration"
    assert clocks["shank"].lag_s == pytest.approx(0.1, abs=2e-3)
    assert recordings["shank"].flags == ()


def test_a_lone_recording_has_nothing_to_synchronise_but_loses_its_stomp():
    recordings, clocks = synchronised(plates())
    assert clocks == {}
    assert recordings["plates"].start_s == SEARCH_S
    assert recordings["plates"].raw_sample(0) == 3000


@pytest.mark.parametrize("lone", ["plates", "waist", "gyroscopes"])
def test_a_lone_recording_without_a_stomp_stays_whole_where_it_can_show_one(lone):
    """Gyroscopes alone cannot show that there was no stomp: they are cut as the setting says."""
    still = {"plates": plates(), "waist": unit(), "gyroscopes": shank()}[lone]
    still = replace(still, channels={name: np.full(9000, 5.0) for name in still.channels})
    found = by_stomp([still], WEIGHT, PROCESSING)
    (signals,) = found.recordings
    first = signals.raw_sample(0)
    if lone == "gyroscopes":
        assert (first, signals.flags) == (SEARCH_S * still.rate_hz, ())
    else:
        assert (first, signals.flags) == (0, ("no_stomp",))
        assert signals.start_s == still.start_s
    assert found.clocks == ()


@pytest.mark.parametrize(
    ("other", "sentence"),
    [
        (camera(), "no stomp can be seen: expected a plate or an accelerometer"),
        (unit(duration_s=3.9), "the recording lasts 3.90 s, expected 4 s or more"),
        (unit(rate_hz=50.0), "30 Hz cannot be applied at 50 samples per second"),
        (unit(lag_s=2.0), "does not look the same in both recordings: correlation 0.00"),
        (unit(lag_s=4.0), "no stomp: the largest shock is 0.00 g"),
    ],
    ids=["camera", "short", "slow", "far", "farther"],
)
def test_what_cannot_be_synchronised_is_flagged_with_a_sentence(other, sentence):
    other = replace(other, start_s=500.0, flags=("rate_mismatch",))
    recordings, clocks = synchronised(plates(), other)
    found = clocks[other.device]
    assert sentence in found.reason
    assert found.lag_s is None
    assert recordings[other.device].flags == ("own_clock", "rate_mismatch")
    assert recordings[other.device].start_s <= SEARCH_S + 1.0 / other.rate_hz
    assert recordings[other.device].channels[next(iter(other.channels))].size > 0
    assert recordings["plates"].flags == ()


def test_neither_plate_nor_accelerometer_gives_no_clock():
    recordings, clocks = synchronised(camera(), shank())
    assert "no stomp can be seen" in clocks["shank"].reason
    assert recordings["shank"].flags == ("own_clock",)
    assert recordings["shank"].clock == "shank"
    assert recordings["camera"].flags == ()


def test_an_end_without_a_stomp_leaves_the_residual_empty():
    _, clocks = synchronised(plates(), unit(0.1), stomp_at=["start", "end"])
    found = clocks["waist_acceleration"]
    assert found.lag_s == pytest.approx(0.1, abs=1e-5)
    assert found.place == "start"
    assert found.residual_s is None


def test_a_stomp_at_the_end_alone_gives_the_lag_and_is_cut_off():
    recordings, clocks = synchronised(
        replace(plates(), channels={k: v[::-1].copy() for k, v in plates().channels.items()}),
        replace(unit(), channels={k: v[::-1].copy() for k, v in unit().channels.items()}),
        stomp_at=["end"],
    )
    found = clocks["waist_acceleration"]
    assert found.place == "end"
    # Reversed, sample k of n lies at (n - 1 - k): the last samples are 1 ms apart.
    assert found.lag_s == pytest.approx(-0.001, abs=1e-5)
    assert recordings["plates"].start_s == 0.0
    assert recordings["plates"].channels["vertical_force.left"].size == 5999 + 1


BOTH_ENDS = {"stomp_at": ["start", "end"], "search_s": 1.5}


def with_load(signals, name, unit_value, from_s, until_s, *, before=0.0):
    """Return a recording whose support is `before` until a landing and 1 from then on."""
    time = np.arange(signals.samples) / signals.rate_hz
    rate = half_sine(time - from_s, 2.5, 0.08)
    added = np.where((time >= from_s) & (time < until_s), 1.0, before) + rate
    channels = dict(signals.channels)
    channels[name] = channels[name] + unit_value * added
    return replace(signals, channels=channels)


def lands_on_plates(duration_s):
    """Plates that are stomped on at 1.2 s and landed on at 4.5 s, and record for so long."""
    landed = with_load(plates(), "vertical_force.left", WEIGHT, 4.5, 9.0)
    return cut(landed, 0.0, duration_s)


def test_a_recording_that_stopped_after_its_landing_keeps_it():
    """Its last shock is the landing: out of the air, into standing."""
    recordings, clocks = synchronised(lands_on_plates(4.75), unit(0.1), **BOTH_ENDS)
    found = clocks["waist_acceleration"]
    assert found.lag_s == pytest.approx(0.1, abs=1e-4)
    assert found.place == "start"
    assert found.residual_s is None
    assert recordings["plates"].start_s == pytest.approx(1.5)
    assert recordings["plates"].seconds(recordings["plates"].samples - 1) == pytest.approx(4.75)
    # The same with nobody on the plates beforehand and afterwards is a stomp, and cut off.
    ends = with_load(plates(), "vertical_force.left", WEIGHT, 4.2, 4.2)
    recordings, _ = synchronised(cut(ends, 0.0, 4.75), unit(0.1), **BOTH_ENDS)
    assert recordings["plates"].seconds(recordings["plates"].samples - 1) == pytest.approx(3.25)
    # And so is one on plates that carry the athlete before and after.
    stood = with_load(plates(), "vertical_force.left", WEIGHT, 4.2, 9.0, before=1.0)
    recordings, _ = synchronised(cut(stood, 0.0, 4.75), unit(0.1), **BOTH_ENDS)
    assert recordings["plates"].seconds(recordings["plates"].samples - 1) == pytest.approx(3.25)


def test_only_a_stretch_with_a_stomp_is_cut_off():
    """The settings expect two, and the athlete stomped once: the end of the recording stays."""
    recordings, clocks = synchronised(plates(), unit(0.1), **BOTH_ENDS)
    kept = recordings["plates"]
    assert kept.start_s == pytest.approx(1.5)
    assert kept.samples == 9000 - 1500
    assert clocks["waist_acceleration"].residual_s is None


def test_a_clock_by_a_stomp_says_so_and_a_shared_one_does_not():
    chosen = PROCESSING
    shared = (("plates", "camera"),)
    found = by_stomp((plates(), unit(0.1), camera()), WEIGHT, chosen, shared)
    said = {x.device: x.lag_by_stomp for x in found.recordings}
    assert said == {"plates": False, "waist_acceleration": True, "camera": False}


def test_each_site_has_its_way():
    study = {
        "synchronisation": "stomp",
        "sites": {"a": {"synchronisation": None}, "b": {"synchronisation": "trigger"}, "c": {}},
    }
    assert ways_of(study) == {"a": by_stomp, "b": by_trigger, "c": by_stomp}
    assert ways_of({}) == {}  # no site is named: as with a trigger


def test_a_cut_keeps_raw_samples_and_gaps_in_place():
    slots = np.delete(np.arange(100), [40, 41, 70])
    signals = Signals(
        "r", "plates", 2.0, 10.0, {"vertical_force.single": np.arange(100.0)},
        (Gap(40, 42), Gap(70, 71)), (), slots,
    )  # fmt: skip
    kept = cut(signals, 6.05, 8.0)  # slots 41 to 60
    assert kept.channels["vertical_force.single"].tolist() == list(range(41, 61))
    assert kept.start_s == pytest.approx(6.1)
    assert kept.gaps == (Gap(0, 1),)
    assert [kept.raw_sample(slot - 41) for slot in (41, 42, 60)] == [39, 40, 58]
    assert [signals.raw_sample(slot) for slot in (41, 42, 60)] == [39, 40, 58]


def time_base(ways):
    """Return the methods text of three sites of the demo with these ways."""
    settings = load_settings(ROOT / "config")
    study, plan = (x.model_dump(mode="json") for x in (settings.study, settings.plan))
    for site, way in ways.items():
        study["sites"][site]["synchronisation"] = way
    processing = settings.processing.model_dump(mode="json")
    text = str(methods(study, processing, plan, frozenset())[0].paragraphs[0])
    return re.sub(r"<[^>]+>", "", text)


def test_each_way_has_a_sentence_in_the_methods():
    text = time_base({"harbour": "trigger"})
    assert "The recordings of a trial at Harbour shared their time zero by a common trigger" in text
    assert text.endswith("All sensors at Meadow and Ridge were on one clock.")
    text = time_base({"harbour": "stomp"})
    assert "at Harbour were synchronised by a stomp on the plate at the start and end of" in text
    assert "cannot be told from a lag of the clocks" in text
    assert "residual lag" in text
    # One device at a site, whose athletes stomp all the same: nothing to synchronise.
    assert "All sensors at Meadow and Ridge" in time_base({"harbour": "stomp", "ridge": "stomp"})


def test_the_numbers_of_the_clocks():
    table = pd.DataFrame(
        {
            "site": "bench",
            "device": "units",
            "applied": [True] * 4 + [False],
            "correlation": [0.9, 0.8, 0.95, 0.99, np.nan],
            "residual_lag_s": [0.001, -0.002, 0.003, np.nan, np.nan],
            "lag_s": [0.2, -0.3, 0.1, 0.0, np.nan],
            "place": ["start"] * 3 + ["", ""],  # the fourth shares the clock of another device
            "reason": [""] * 4 + ["no stomp: the largest shock is 0.1 g"],
        }
    )
    rows = estimates_table(clock_quality(table))
    assert set(rows.loc[rows["term"] == "applied", "note"]) == {"no stomp"}
    assert set(rows["site"]) == {"bench"}
    found = {(row.term, row.quantity): row.estimate for row in rows.itertuples()}
    assert found == {
        ("recordings", "count"): 5,
        ("applied", "share"): 0.8,
        ("lag", "median"): pytest.approx(200.0),
        ("lag", "largest"): pytest.approx(300.0),
        ("correlation", "median"): pytest.approx(0.925),
        ("correlation", "smallest"): 0.8,
        ("residual_lag", "count"): 3,
        ("residual_lag", "median"): pytest.approx(2.0),
        ("residual_lag", "percentile"): pytest.approx(2.8),  # 2 + 0.8 (3 - 2), by hand
    }
