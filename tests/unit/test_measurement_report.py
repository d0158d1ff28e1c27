"""Reliability, known groups and force in the report: words say what the estimates say."""

import re

import pytest

from analysis.estimates import Estimates, estimates_table
from analysis.models.known_groups import ANALYSIS as KNOWN
from analysis.models.reliability_rows import Deviations, Presented, add_reliability
from analysis.report.context import Context
from analysis.report.force_sentences import force_plausibility
from analysis.report.ledger import Ledger
from analysis.report.reliability_sentences import reliability_sentences
from analysis.tables import force_model, known_groups
from analysis.tables.journal import as_csv
from tests.unit import force_study
from tests.unit import report_study as study

PREDICTOR = study.PLAN["primary"][0]
_TO = "\u00a0to\u00a0"
SUBJECT = tuple(PREDICTOR[key] for key in ("metric", "sensor", "task", "limb"))


def context_of(*found: Estimates) -> Context:
    return Context(estimates_table(*found), study.STUDY, study.PROCESSING, study.PLAN)


def sentence_of(deviations: Deviations) -> str:
    numbers = Estimates("metric_reliability")
    add_reliability(numbers, SUBJECT, deviations, Presented(4, 10, "deg", 0.95))
    context = context_of(numbers)
    (sentence,) = reliability_sentences(context, Ledger(context.estimates, "test"))
    return re.sub(r"<[^>]+>", "", str(sentence))


def test_how_many_trials_are_enough():
    # s_a 3, s_v 1, s_t 2: mean of four 9 / (9 + 1 + 4 / 4) = 0.82; SEM sqrt(2) = 1.41; MDC
    # 1.96 sqrt(2) sqrt(2) = 3.92; 0.80 needs 4 / (9 / 0.8 - 9 - 1) = 3.2, so four trials.
    said = sentence_of(Deviations(3.0, 1.0, 2.0, None))
    assert "the mean of the protocol's 4 trials" in said
    assert "between visits of 0.82 (" in said
    assert "of 1.41 degrees (" in said
    assert "detectable change of 3.92 degrees (" in said
    assert said.endswith("Trials at one visit that reach 0.80: 4.")


def test_a_ceiling_below_the_target_is_said():
    # 9 / (9 + 4) = 0.69 however many trials.
    assert "No number of trials at one visit reaches 0.80" in sentence_of(
        Deviations(3.0, 2.0, 1.0, None)
    )


def test_without_a_second_visit_nothing_is_claimed():
    numbers = Estimates("metric_reliability")
    shown = Presented(3, 10, "deg", 0.95)
    add_reliability(numbers, SUBJECT, Deviations(3.0, None, 2.0, None), shown)
    context = context_of(numbers)
    assert reliability_sentences(context, Ledger(context.estimates, "test")) == []


@pytest.mark.parametrize(
    ("metric", "sensor", "quantity", "interval", "shown"),
    [
        ("peak_vgrf", "plate", "ratio", (0.7, 0.9), "lower, shown"),
        ("peak_vgrf", "plate", "ratio", (0.9, 1.1), "lower, not shown"),
        ("knee_flexion_excursion", "gyro", "mean_difference", (3.0, 9.0), "higher, shown"),
        ("knee_flexion_excursion", "gyro", "mean_difference", (-9.0, -3.0), "higher, not shown"),
    ],
)
def test_known_groups_say_whether_the_expected_difference_was_shown(
    metric, sensor, quantity, interval, shown
):
    numbers = Estimates(KNOWN, n_athletes=20, n_trials=80, metric=metric, sensor=sensor)
    low, high = interval
    numbers.add(
        (metric, sensor), "first_against_second", quantity, (low + high) / 2, unit="ratio",
        ci_low=low, ci_high=high, ci_level=0.95, ci_type="t", p=0.01,
    )  # fmt: skip
    for term, clipped in (("first", 0.0), ("second", 0.079)):
        numbers.add((metric, sensor), term, "mean", 4.0, unit="BW")
        numbers.add((metric, sensor), term, "clipped_share", clipped, unit="share")
    context = context_of(numbers)
    row = as_csv(known_groups.build(context, Ledger(context.estimates, "test"))).splitlines()[1]
    assert f'"{shown}"' in row
    assert row.count("clipped") == 1
    assert "7.9" in row


def test_what_was_found_stands_beside_what_is_plausible():
    error = Estimates("agreement")
    pair = ("peak_waist_acceleration", "waist", "reference_accelerometer")
    error.add(pair, "all", "percent_error_root_mean_square", 12.34, unit="%")
    context = context_of(*force_study.numbers(), error)
    said = re.sub(r"<[^>]+>", "", str(force_plausibility(Ledger(context.estimates, "test"))))
    linear = context.estimates.set_index("number_id")["estimate"]
    share = linear["force_model.single_leg.athletes_left_out.linear.r_squared"]
    assert f"{100 * share:.1f}\u00a0% (single-leg landings)" in said
    assert "peaks that were not clipped were 12.3 % off the reference accelerometer" in said
    nothing = context_of(error)
    assert force_plausibility(Ledger(nothing.estimates, "test")) is None


def test_every_score_of_the_force_models_has_its_interval():
    context = context_of(*force_study.numbers())
    ledger = Ledger(context.estimates, "test")
    for build in (
        *(force_model.build, force_model.build_limits),
        *(force_model.build_groups, force_model.build_group_limits),
    ):
        text = as_csv(build(context, ledger))
        assert "Involved limb" in text or "Line on peak acceleration" in text
        assert "no interval" not in text
        rows = [line for line in text.splitlines() if _TO in line]
        scores = 4 if "RMSE" in text else 3
        assert rows
        assert all(line.count(_TO) == scores for line in rows)
