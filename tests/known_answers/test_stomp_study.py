"""Whole studies without a trigger, from files to metrics: what the plain study gives comes back.

The plain study has one clock and no stomp; its values are held against their closed forms in the
tests of the catalogue and in ERRORS.md. Here the same movements carry a stomp, and the units' clock
is off by a known time.
"""

import pandas as pd
import pytest

from tests.known_answers.stomp_study import STOMP_S, TRIGGER, Clocks, write_stomp_study
from tests.tiny_study.extracted import extract

KEY = ["landing_id", "metric", "sensor"]
OFF_S, STAMPS_S = 0.12345, 50.0
"""The units' clock is ahead by 61.7 of its samples, and counts from another zero."""
LAG_S = OFF_S + STAMPS_S
ACROSS = {"knee_flexion_at_peak_vgrf", "contact_lag_of_waist"}
"""They need an instant by the plate on the clock of the units."""


def extracted(tmp_path_factory, clocks, *, trials=1, condition="clean"):
    settings = write_stomp_study(
        tmp_path_factory.mktemp("study"), clocks, trials=trials, condition=condition
    )
    return extract(settings, settings.results_folder)


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    return extracted(tmp_path_factory, TRIGGER, trials=2)


def beside(plain, tables):
    """Return the values of both studies side by side, of the landings that both have."""
    return plain["metrics"].merge(tables["metrics"], on=KEY, suffixes=("_plain", ""))


def test_a_trigger_leaves_no_row_and_a_clock_that_is_off_would_be_seen(plain, tmp_path_factory):
    assert len(plain["synchronisation"]) == 0
    late = Clocks("trigger", stomps_s=(), lead_s=0.0, units_s=0.030)
    pair = beside(plain, extracted(tmp_path_factory, late)).query(
        "metric == 'knee_flexion_at_contact' and sensor == 'gyro'"
    )
    assert (pair["value"] - pair["value_plain"]).abs().min() > 5.0  # degrees, for 30 ms


def test_every_value_comes_back_from_clocks_that_differ(plain, tmp_path_factory):
    tables = extracted(tmp_path_factory, Clocks(units_s=OFF_S, stamps_s=STAMPS_S), trials=2)
    clocks = tables["synchronisation"]
    assert len(clocks) == 6  # the units, in each of six trials
    assert clocks["applied"].all()
    assert set(clocks["compared"]) == {"acceleration"}
    assert clocks["residual_lag_s"].isna().all()
    assert (clocks["lag_s"] - LAG_S).abs().max() < 0.01e-3
    pair = beside(plain, tables)
    assert len(pair) == len(plain["metrics"]) == len(tables["metrics"]) > 500
    # The lag of the clocks holds the way of the stomp's shock: the contact has none beside it.
    lag = pair["metric"] == "contact_lag_of_waist"
    assert (pair.loc[lag & pair["valid_plain"], "flags"] == "lag_by_stomp").all()
    assert pair.loc[lag, "value"].isna().all()
    pair = pair.loc[~lag]
    assert (pair["flags"] == pair["flags_plain"]).all()
    assert (pair["valid"] == pair["valid_plain"]).all()
    assert (pair["value"].isna() == pair["value_plain"].isna()).all()
    # Samples fall elsewhere on the movement: found 7e-5, and 5e-4 for the time of a flat peak.
    share = (pair["value"] / pair["value_plain"] - 1.0).abs()
    assert share.max() < 1e-3
    # Tables name samples of the file, the stretch that was cut off included.
    first = pair.query("metric == 'peak_vgrf'")
    assert (first["first_sample"] - first["first_sample_plain"]).unique() == [4000]


def test_noise_moves_the_lag_by_less_than_a_millisecond(tmp_path_factory):
    tables = extracted(
        tmp_path_factory, Clocks(units_s=OFF_S, stamps_s=STAMPS_S), condition="noise"
    )
    clocks = tables["synchronisation"]
    assert clocks["applied"].all()
    assert (clocks["lag_s"] - LAG_S).abs().max() < 0.2e-3  # found 0.08 ms in 30 trials, SD 0.03
    assert not tables["metrics"]["flags"].str.contains("sync_fail").any()


def test_a_second_stomp_tells_how_far_the_clocks_run_apart(plain, tmp_path_factory):
    drift, second_s = 2e-4, 13.2  # a clock that is 0.2 ms too fast in every second
    clocks = Clocks(
        stomps_s=(STOMP_S, second_s),
        tail_s=3.0,
        units_s=OFF_S,
        drift=drift,
        processing={"stomp_at": ["start", "end"]},
    )
    tables = extracted(tmp_path_factory, clocks)
    found = tables["synchronisation"]
    assert found["residual_lag_s"].tolist() == pytest.approx(
        [drift * (second_s - STOMP_S)] * len(found), abs=0.02e-3
    )
    assert set(found["place"]) == {"start"}
    assert found["lag_s"].tolist() == pytest.approx(
        [OFF_S + drift * (STOMP_S + 0.05)] * len(found), abs=0.02e-3
    )
    pair = beside(plain, tables).query("metric != 'contact_lag_of_waist'")
    assert (pair["flags"] == pair["flags_plain"]).all()  # neither stomp is taken for a landing


@pytest.mark.parametrize(
    ("stomps", "sentence"),
    [
        ((), "no stomp: the largest shock is"),
        ((STOMP_S, STOMP_S + 0.6), "does not look the same in both recordings: correlation 0.7"),
    ],
)
def test_units_that_saw_another_stomp_keep_what_they_yield_alone(
    plain, stomps, sentence, tmp_path_factory
):
    tables = extracted(tmp_path_factory, Clocks(stomps_of_units_s=stomps, stamps_s=STAMPS_S))
    clocks, metrics = tables["synchronisation"], tables["metrics"]
    assert not clocks["applied"].any()
    assert clocks["lag_s"].isna().all()
    assert clocks["reason"].str.contains(sentence).all()
    of_units = metrics["recording_id"].str.endswith(".units")
    assert metrics.loc[of_units, "flags"].str.contains("own_clock").all()
    assert not metrics.loc[~of_units, "flags"].str.contains("own_clock|sync_fail").any()
    across = metrics["flags"].str.contains("sync_fail")
    assert set(metrics.loc[across, "metric"]) == ACROSS
    assert metrics.loc[metrics["metric"].isin(ACROSS), "value"].isna().all()
    # The waist unit has events of its own: as with the common clock, but for where samples fall.
    pair = beside(plain, tables).query("sensor == 'waist' and metric not in @ACROSS")
    assert len(pair) > 20
    assert (pair["valid"] == pair["valid_plain"]).all()
    assert ((pair["value"] / pair["value_plain"] - 1.0).abs().dropna() < 1e-3).all()
    excluded = tables["exclusions"].query("level == 'recording' and reason == 'sync_fail'")
    assert sorted(excluded["id"]) == sorted(clocks["recording_id"])
    assert excluded["detail"].str.contains(sentence).all()
    # A figure lays its curves at the contact: those on another clock are left out.
    shown = set(tables["waveforms"]["channel"])
    assert shown == {"vertical_force", "vertical_force.left", "vertical_force.right"}


def test_where_nobody_stomped_each_device_is_measured_alone(plain, tmp_path_factory):
    """The setting says stomp and is wrong: nothing is cut off, and one flag says why."""
    tables = extracted(tmp_path_factory, Clocks(stomps_s=(), units_s=OFF_S))
    metrics, clocks = tables["metrics"], tables["synchronisation"]
    assert metrics["flags"].str.contains("no_stomp").all()
    assert not clocks["applied"].any()
    assert clocks["reason"].str.startswith("no stomp: the largest shock is 0.0").all()
    assert clocks["reason"].str.endswith("in the reference").all()
    across = metrics["flags"].str.contains("sync_fail")
    assert set(metrics.loc[across, "metric"]) == ACROSS
    pair = beside(plain, tables).query("sensor in ['plate', 'waist'] and metric not in @ACROSS")
    assert len(pair) > 150
    assert (pair["valid"] == pair["valid_plain"]).all()
    assert ((pair["value"] / pair["value_plain"] - 1.0).abs().dropna() < 1e-3).all()
    # The task begins 4 s later than in the plain study, and nothing was cut off before it.
    first = pair.query("metric == 'peak_vgrf'")
    assert (first["first_sample"] - first["first_sample_plain"]).unique() == [4000]


def test_a_stomp_of_another_trial_is_told_by_the_landing(tmp_path_factory):
    """It looks the same but lies 0.4 s elsewhere: plate and waist then disagree on the contact.

    The knee is then timed by the waist unit on the same clock, as if there were no plate.
    """
    tables = extracted(tmp_path_factory, Clocks(stomps_of_units_s=(STOMP_S + 0.4,)))
    assert tables["synchronisation"]["applied"].all()
    assert tables["synchronisation"]["lag_s"].tolist() == pytest.approx([0.4] * 3, abs=1e-4)
    knees = tables["metrics"].query("sensor == 'gyro' and value.notna()")
    assert len(knees) > 10
    assert knees["flags"].str.contains("own_clock").all()
    assert not set(knees["metric"]) & ACROSS
    across = tables["metrics"].query("metric in @ACROSS")
    assert across["flags"].str.contains("sync_fail").all()
    assert across["value"].isna().all()
    used = tables["metric_sources"].query("sensor == 'gyro' and role == 'events'")
    assert used["recording_id"].str.endswith(".units").all()


def test_the_same_study_gives_the_same_table(tmp_path_factory):
    one, two = (
        extracted(tmp_path_factory, Clocks(units_s=OFF_S))["synchronisation"] for _ in range(2)
    )
    pd.testing.assert_frame_equal(one, two, check_exact=True)
