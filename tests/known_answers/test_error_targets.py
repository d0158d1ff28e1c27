"""The targets that ERRORS.md states are those that the pipeline meets today."""

from __future__ import annotations

import pytest

from shared.metric_dictionary import metrics
from tests.known_answers.error_table import TARGET, TRIALS, measured
from tests.known_answers.error_targets import AS_DEFINED, RATE_HZ, REASONS, judged


@pytest.fixture(scope="module")
def found():
    rows = judged(measured(RATE_HZ, {"clean": TRIALS["clean"]}))
    return rows.set_index(["metric", "sensor"])


@pytest.fixture(scope="module")
def stated():
    """Metric and sensor -> yes, no or '' of the column `met` in the file."""
    text = TARGET.read_text(encoding="utf-8").split("## Targets")[1].split("\n## ")[0]
    cells = [line.strip("|").split("|") for line in text.splitlines() if line.startswith("| ")]
    rows = [[cell.strip() for cell in line] for line in cells[1:]]
    return {(row[0], row[1]): row[4].strip("*") for row in rows}


def test_the_file_states_what_is_found(found, stated):
    words = {True: "yes", False: "no", None: ""}
    assert stated == {key: words[met] for key, met in found["met"].items()}
    assert len(stated) > 80


def test_every_missed_target_has_its_reason_and_no_other_has_one(found):
    assert set(REASONS) == {key for key, met in found["met"].items() if met is False}


def test_every_metric_of_the_dictionary_is_judged(found):
    named = {(m.id, sensor) for m in metrics().values() for sensor in m.sensors}
    assert {key for key in found.index if not key[1].endswith(AS_DEFINED)} == named


def test_every_metric_meets_its_target_as_it_is_defined(found):
    """What a filter, a rule or a formula of the trade adds is no error of the estimate."""
    of_definition = found.loc[found.index.get_level_values("sensor").str.endswith(AS_DEFINED)]
    assert len(of_definition) == 24
    assert of_definition["met"].all()


def test_what_misses_the_ideal_is_known_as_it_is_defined(found):
    missed = {key for key, met in found["met"].items() if met is False}
    assert missed
    for metric, sensor in missed:
        assert (metric, sensor + AS_DEFINED) in found.index


def test_times_of_the_waist_unit_meet_the_instants_of_their_rule(found):
    by_rule = found.xs("waist" + AS_DEFINED, level="sensor")
    assert by_rule.loc[["flight_time", "contact_time"], "largest"].max() < 0.01  # ms; 1 kHz
