"""Values are tabled column by column: each row says what its value says by itself."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from pipeline.extraction.harmonised import harmonised
from pipeline.extraction.rows import landing_id
from pipeline.filtering.gaps import Gap
from pipeline.metrics.outcome import Measured, Refused
from shared.schemas import schema_of
from tests.unit import extraction_signals as made
from tests.unit.extraction_signals import RATE, measure, plates, rows_of, times, trial, wearables

LOST = 3
CONTACT_SLOT = 3001  # odd, so that it lies between two samples of the common rate


@pytest.fixture(scope="module")
def measured():
    """A drop landing on a plate of 1000 samples per second, brought to 500; three rows are lost."""
    force = made.drop_force(times() - 1.0 / RATE)
    on_plate = plates({"single": 1.0}, force)
    slots = np.delete(np.arange(len(force)), np.s_[1000 : 1000 + LOST])
    on_plate.channels["vertical_force.single"][1000 : 1000 + LOST] = 0.0
    gapped = replace(on_plate, gaps=(Gap(1000, 1000 + LOST),), slots=slots)
    (on_plate,) = harmonised(gapped, {"plate": 500.0})
    (found,) = measure(trial("single_leg_drop_landing", "left", on_plate, wearables(force)))
    return found


def test_each_row_is_that_of_its_value(measured):
    tables = rows_of([measured])
    rows = tables["metrics"].set_index(["landing_id", "metric", "sensor"])
    assert len(rows) == len(measured.values)
    assert {type(value.outcome) for value in measured.values} == {Measured, Refused}
    for value in measured.values:
        name = landing_id(measured.observed.trial, value.events.side, value.number)
        row, signals = rows.loc[name, value.metric, value.sensor], value.signals
        assert (row["recording_id"], row["rate_hz"]) == (signals.recording_id, signals.rate_hz)
        assert value.flags <= set(row["flags"].split(";"))
        outcome = value.outcome
        if isinstance(outcome, Measured):
            samples = [signals.raw_sample(x) for x in outcome[1:]]
            assert row["value"] == outcome.value
            assert row[["first_sample", "last_sample"]].tolist() == samples
        else:
            assert row[["value", "first_sample", "last_sample"]].isna().all()
            assert not row["valid"]


def test_sources_follow_their_values(measured):
    tables = rows_of([measured])
    key = ["landing_id", "metric", "sensor", "recording_id"]
    values, sources = tables["metrics"], tables["metric_sources"]
    own = sources.loc[sources["role"] == "value", [*key, "first_sample", "last_sample"]]
    pd.testing.assert_frame_equal(
        own.reset_index(drop=True), values[[*key, "first_sample", "last_sample"]]
    )
    order = list(schema_of("metric_sources").key)
    assert not sources.duplicated(order).any()
    pd.testing.assert_frame_equal(sources, sources.sort_values(order, ignore_index=True))


def test_the_sample_of_an_event_is_that_of_the_file(measured):
    """Closed form: the force jumps at one sample; the rows before it that are lost do not count."""
    (landing,) = rows_of([measured])["landings"].to_dict("records")
    assert landing["initial_contact_sample"] == CONTACT_SLOT - LOST
    assert (CONTACT_SLOT - 1) / RATE < landing["initial_contact_s"] <= CONTACT_SLOT / RATE


def test_a_shard_without_values_has_both_tables():
    tables = rows_of([])
    for name in ("metrics", "metric_sources"):
        assert list(tables[name].columns) == list(schema_of(name).names)
        assert tables[name].empty
