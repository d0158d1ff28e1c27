"""Sheets of flagged trials: drawn by lot, memory bounded, no peak lost, no value of a person."""

from dataclasses import replace
from hashlib import sha256

import numpy as np
import pandas as pd
import pytest

from analysis.figures.flagged import sheet_figure
from analysis.report.build import ReportError
from analysis.report.check import check_page, read_page
from analysis.report.flagged_page import build_flagged_page
from pipeline.extraction.clocks import on_own_clock
from pipeline.extraction.exclusions import exclusions_of_values
from pipeline.extraction.flagged import (
    Flagged,
    draw_flagged,
    in_intervals,
    reasons_of_trials,
)
from pipeline.extraction.signals import Signals
from pipeline.extraction.waveforms import Curve
from pipeline.filtering.gaps import Gap
from shared.schemas import schema_of
from shared.tables import empty_table, write_table
from tests.unit import extraction_signals as made
from tests.unit import report_study as study
from tests.unit.extraction_signals import PROCESSING, drop_force, measure, plates, times, trial

SINGLE = "single_leg_drop_landing"
QUALITY = study.PROCESSING["quality"]
EXCLUDING = QUALITY["excluding_flags"]


def by_lot(names):
    """The order of drawing, found here without the project's code: the athletes in turn."""

    def hashed(word):
        return sha256(word.encode()).hexdigest()

    def turn(name):
        same = [one for one in names if one.split(".")[0] == name.split(".")[0]]
        return sorted(same, key=hashed).index(name)

    return sorted(names, key=lambda name: (turn(name), hashed(name.split(".")[0]), hashed(name)))


def no_landing(athlete, number):
    """A trial whose force never rises: no landing is found."""
    force = np.full_like(times(), 0.0)
    flat = trial(SINGLE, "left", plates({"left": 1.0, "right": 0.0}, force), number=number)
    return replace(flat, athlete_id=f"A{athlete:04d}")


def with_most(most):
    waveforms = PROCESSING.waveforms.model_copy(update={"flagged_per_site_and_reason": most})
    return PROCESSING.model_copy(update={"waveforms": waveforms})


@pytest.fixture(scope="module")
def flagged():
    return [*measure(*(no_landing(n, trial) for n in range(1, 6) for trial in (1, 2)))]


@pytest.mark.parametrize("most", [0, 1, 3, 7, 99])
def test_trials_are_kept_by_lot_whatever_their_order(flagged, most):
    tables = []
    for measured in (flagged, flagged[::-1]):
        kept = Flagged(with_most(most))
        for one in measured:
            kept.offer(one, made.standing())
            assert len(kept.kept) <= most * len(kept.lotteries)  # memory is bounded all the time
        tables.append(kept.table())
    assert tables[0].equals(tables[1])
    names = [one.observed.trial.name for one in flagged]
    assert set(tables[0].column("trial_id").to_pylist()) == set(by_lot(names)[:most])


def test_a_trial_without_a_flag_is_not_kept_and_one_without_contact_shows_the_whole(flagged):
    force = drop_force(times())
    on_plate = plates({"left": 1.0, "right": 0.0}, force)
    (good,) = measure(trial(SINGLE, "left", on_plate))
    clean = replace(good, values=tuple(x for x in good.values if not x.flags & set(EXCLUDING)))
    kept = Flagged(PROCESSING)
    kept.offer(clean, made.standing())
    assert kept.table().num_rows == 0
    kept.offer(flagged[0], made.standing())
    table = kept.table().to_pandas()
    assert list(table.columns) == list(schema_of("flagged_waveforms").names)
    assert set(table["view"]) == {"whole"}
    force = table.loc[table["channel"] == "vertical_force", "time_s"]
    assert force.min() <= times()[0]
    assert force.max() >= times()[-1] - 0.04


def test_intervals_hold_every_peak_and_the_missing_samples():
    """Closed form: one sample of 7 among zeros, and a gap of 20 ms, at 1000 samples per second."""
    values = np.zeros(1000)
    values[503] = 7.0
    signals = Signals("r", "d", 0.0, 1000.0, {"a": values}, gaps=(Gap(200, 220),))
    found = in_intervals(Curve("a", "g", values, signals), 0.04, -np.inf, np.inf)
    assert np.allclose(found.time_s, np.arange(25) * 0.04)
    assert found.highest.max() == 7.0
    assert found.time_s[found.highest.argmax()] == 0.48
    assert found.lowest.max() == 0.0
    assert found.time_s[found.bridged].tolist() == [0.2]
    assert in_intervals(Curve("a", "g", values, signals), 0.04, 2.0, 3.0) is None


def tables_of(names, flags):
    landings = pd.DataFrame(
        {
            "landing_id": [f"{name}.left.1" for name in names],
            "athlete_id": [name.split(".")[0] for name in names],
            "site": "harbour",
            "flags": flags,
        }
    )
    return landings, landings.iloc[:0]


def test_the_first_of_each_reason_come_before_the_second_of_any():
    names = [f"A{number:04d}.clearance.{SINGLE}.left.1" for number in range(1, 13)]
    flags = ["gap"] * 5 + ["second_hop;clipped"] * 5 + ["not_stabilised"] * 2
    reasons = reasons_of_trials(*tables_of(names, flags), EXCLUDING)
    assert set(reasons["reason"]) == {"gap", "second_hop", "not_stabilised"}
    waves = pd.DataFrame({"trial_id": names})
    undefined = QUALITY["undefined_flags"]
    first = {by_lot(names[:5])[0], by_lot(names[5:10])[0], by_lot(names[10:])[0]}
    assert set(draw_flagged(waves, reasons, 1, 60, undefined)["trial_id"]) == first
    assert set(draw_flagged(waves, reasons, 2, 3, undefined)["trial_id"]) == first
    # The trials that only lack a metric give way first.
    assert set(draw_flagged(waves, reasons, 2, 2, undefined)["trial_id"]) == first - set(names[10:])


def test_the_number_of_shards_does_not_change_the_lot(flagged):
    names = [one.observed.trial.name for one in flagged]
    landings = pd.concat([made.rows_of([one])["landings"] for one in flagged])
    reasons = reasons_of_trials(landings, landings.iloc[:0], EXCLUDING)
    drawn = []
    for shards in (1, 3):
        kept = [Flagged(with_most(2)) for _ in range(shards)]
        for number, one in enumerate(flagged):
            kept[number % shards].offer(one, made.standing())
        waves = pd.concat([shard.table().to_pandas() for shard in kept])
        drawn.append(draw_flagged(waves, reasons, 2, 60, QUALITY["undefined_flags"]))
    assert set(drawn[0]["trial_id"]) == set(drawn[1]["trial_id"]) == set(by_lot(names)[:2])


@pytest.fixture
def inputs(tmp_path):
    """The tables of one trial whose landing hit the floor beside the plate, and left it again."""
    force = drop_force(times())
    measured = measure(
        trial(SINGLE, "left", plates({"left": 1.0, "right": 0.0}, force), made.wearables(force))
    )
    rows = made.rows_of(measured)
    landings = rows["landings"].assign(flags="clipped;second_hop", valid=False)
    values = rows["metrics"].assign(flags="")
    values.loc[values["metric"] == "peak_vgrf", "flags"] = "out_of_range"
    (seen,) = measured
    second_hop = replace(
        seen.observed.chosen[1, "left"], flags=frozenset({"second_hop", "clipped"})
    )
    observed = replace(seen.observed, chosen={(1, "left"): second_hop})
    kept = Flagged(PROCESSING)
    kept.offer(replace(seen, observed=observed), made.standing())
    site = next(iter(study.STUDY["sites"]))
    waves = kept.table().to_pandas().assign(site=site)
    exclusions = exclusions_of_values(landings, values, EXCLUDING)
    exclusions = exclusions.sort_values(list(schema_of("exclusions").key), ignore_index=True)
    write_table(waves, tmp_path / "waveforms.parquet", "flagged_waveforms")
    write_table(landings, tmp_path / "landings.parquet", "landings")
    write_table(exclusions, tmp_path / "exclusions.parquet", "exclusions")
    return {
        **{n: tmp_path / f"{n}.parquet" for n in ("waveforms", "landings", "exclusions")},
        "page": tmp_path / "flagged.html",
        "study": study.STUDY,
        "quality": QUALITY,
        "waveforms_kept": study.PROCESSING["waveforms"],
    }


def test_the_page_shows_what_was_flagged_and_why_and_asks_for_nothing(inputs):
    build_flagged_page(**inputs)
    text = inputs["page"].read_text(encoding="utf-8")
    assert text.count('class="sheet"') == 1
    assert "the athlete left the ground again after the last landing of the task" in text
    assert "Second hop after landing" in text
    assert "hard limits" in text  # of the peak that was out of range
    assert "sensor saturated" in text  # noted, though it excludes nothing
    assert "found: contact" in text
    assert "a rejection by hand or a file found twice has no sheet" in text
    assert "for the study team only" in text
    assert "break-before: page" in text
    for request in ("http:", "https:", "<script", "<img", "@import", "<link"):
        assert request not in text.replace("http://www.w3.org/", "")
    assert check_page(text, empty_table("ledger")) == []
    assert read_page(text).numbers == []  # no value of a metric, hence none of a person
    build_flagged_page(**inputs)
    assert inputs["page"].read_text(encoding="utf-8") == text


def test_events_are_drawn_on_the_clock_that_saw_them():
    """A unit on a clock of its own: 300 ms later, so that its events would mislead on the force."""
    force = drop_force(times())
    on_plate = plates({"left": 0.0, "right": 0.0}, force)
    late = on_own_clock(replace(made.wearables(force), start_s=0.3), ())
    (measured,) = measure(trial(SINGLE, "left", on_plate, late))
    kept = Flagged(PROCESSING)
    kept.offer(measured, made.standing())
    landings = made.rows_of([measured])["landings"]
    figure = sheet_figure(kept.table().to_pandas(), landings)
    contact_s = landings["initial_contact_s"].iloc[0]
    assert contact_s == pytest.approx(3.3, abs=0.05)
    upright = {
        axes.get_ylabel(): [
            line.get_xdata()[0] for line in axes.get_lines() if len(set(line.get_xdata())) == 1
        ]
        for axes in figure.axes
        if axes.get_ylabel()
    }
    (of_force,) = (name for name in upright if name.startswith("Vertical"))
    assert upright.pop(of_force) == []
    assert len(upright) == 3
    assert all(contact_s in places for places in upright.values())


def test_a_digit_that_is_no_name_stops_the_page(inputs):
    settings = {**inputs["study"], "tasks": {**inputs["study"]["tasks"]}}
    settings["tasks"][SINGLE] = {**settings["tasks"][SINGLE], "label": "landing 97"}
    with pytest.raises(ReportError, match="97"):
        build_flagged_page(**{**inputs, "study": settings})
    assert not inputs["page"].exists()


def test_a_study_without_flags_says_so(inputs):
    write_table(empty_table("flagged_waveforms"), inputs["waveforms"], "flagged_waveforms")
    build_flagged_page(**inputs)
    text = inputs["page"].read_text(encoding="utf-8")
    assert "No trial of this study carries an excluding flag" in text
    assert 'class="sheet"' not in text
