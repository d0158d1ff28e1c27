"""Agreement in the report: sentences and tables say what the estimates say, and what is absent."""

import re

import pandas as pd
import pytest

from analysis.estimates import Estimates, estimates_table
from analysis.figures.agreement import agreement_figure, points
from analysis.models.agreement import pair_numbers
from analysis.models.sensor_pairs import sensor_pairs
from analysis.report.agreement_groups import agreed_groups, spread_grows
from analysis.report.agreement_sentences import agreement_sentences
from analysis.report.context import Context
from analysis.report.ledger import Ledger
from analysis.tables import agreement, asymmetry
from analysis.tables.journal import as_csv
from tests.unit import report_study as study
from tests.unit.test_agreement_steps import values


def context_of(*found: Estimates) -> Context:
    return Context(estimates_table(*found), study.STUDY, study.PROCESSING, study.PLAN)


def plain(sentences) -> list[str]:
    return [re.sub(r"<[^>]+>", "", str(sentence)) for sentence in sentences]


@pytest.fixture(scope="module")
def context() -> Context:
    return context_of(*study.agreement())


def test_one_sentence_per_pair_of_sensors_and_one_for_the_lag(context):
    ledger = Ledger(context.estimates, "test")
    pair, lag = plain(agreement_sentences(context, ledger))
    # Of the two metrics of the pair the one of the plan is told.
    assert pair.startswith("Knee flexion excursion (thigh and shank gyroscopes)")
    base = "agreement.knee_flexion_excursion.gyro.camera"
    estimates = context.estimates.set_index("number_id")["estimate"]
    whole, involved, uninvolved = (
        f"{estimates[f'{base}.{term}.bias']:.2f}".replace("-", "\u2212")
        for term in ("all", "limb.involved", "limb.uninvolved")
    )
    assert f"by {whole} degrees on average" in pair
    # Planted: 6 degrees in the involved limb, 2 in the other.
    told = f"not the same in both limbs: {involved} degrees in the involved and {uninvolved} in"
    assert told in pair
    assert "The waist unit saw the contact" in lag


def test_limbs_with_the_same_bias_are_not_told_apart():
    table = study.paired_metrics()
    gyro = (table["sensor"] == "gyro") & (table["limb"] == "involved")
    table.loc[gyro, "value"] += 4.0
    context = context_of(*(pair_numbers(pair, 0.95) for pair in sensor_pairs(table)))
    (sentence,) = plain(agreement_sentences(context, Ledger(context.estimates, "test")))
    assert "both limbs" not in sentence


def test_limits_that_mislead_are_followed_by_what_tells_more():
    # A tenth of the landings lies in a cluster of its own; clipped ones are told apart.
    table = values("flight_time", {"plate": (0, 1, 0), "waist": (0, 1, 0.003)}, athletes=60)
    table["site"] = table["site"].map(dict(zip(("north", "south"), study.SITES, strict=False)))
    worn = table["sensor"] == "waist"
    lost = worn & (table.groupby("sensor").cumcount() % 10 == 3)
    table.loc[lost, "value"] -= 0.08
    clipped = worn & (table.groupby("sensor").cumcount() % 40 == 1)
    table.loc[clipped, "censoring"] = "right"
    context = context_of(*(pair_numbers(pair, 0.95) for pair in sensor_pairs(table)))
    (sentence,) = plain(agreement_sentences(context, Ledger(context.estimates, "test")))
    assert "not normally distributed: read the percentiles" in sentence
    assert f"{clipped.sum()} more landings hold a clipped value" in sentence
    assert "degrees is good" not in sentence


def test_the_tables_have_a_row_per_group(context):
    ledger = Ledger(context.estimates, "test")
    for build in (agreement.build_limits, agreement.build_lines):
        lines = as_csv(build(context, ledger)).splitlines()
        assert sum(line.startswith("All landings") for line in lines) == 2
        assert sum(line.startswith("Involved limb") for line in lines) == 2
        assert sum("thigh and shank gyroscopes minus camera" in line for line in lines) == 2
    lag = as_csv(agreement.build_contact_lag(context, ledger)).splitlines()
    assert [line.split(",")[0] for line in lag[1:]] == [
        "All landings",
        "Single-leg drop landing",
        "Drop vertical jump",
        *(site["label"] for site in list(study.STUDY["sites"].values())[:2]),
    ]


def test_angles_have_no_ratio_in_the_table_of_asymmetry(context):
    row = as_csv(asymmetry.build(context, Ledger(context.estimates, "test"))).splitlines()[-1]
    assert row.startswith('"Single-leg drop landing, thigh and shank gyroscopes",clearance,20,')
    assert row.count("not defined") == 2
    # An index is a ratio too: an angle has no line among them.
    indexes = as_csv(asymmetry.build_indexes(context, Ledger(context.estimates, "test")))
    assert "Knee flexion excursion" not in indexes


def test_limits_of_the_ratio_follow_where_the_spread_grows():
    table = values("flight_time", {"plate": (0.0, 1.0, 0.0), "waist": (0.0, 1.0, 0.0)}, athletes=60)
    table["site"] = table["site"].map(dict(zip(("north", "south"), study.SITES, strict=False)))
    waist = table["sensor"] == "waist"
    # The error grows from nothing with the size, far beyond proportion; alternating in sign.
    size = table.loc[waist, "value"] - table["value"].min()
    sign = [(-1) ** place for place in range(waist.sum())]
    table.loc[waist, "value"] += 0.1 * size * sign
    context = context_of(*(pair_numbers(pair, 0.95) for pair in sensor_pairs(table)))
    ledger = Ledger(context.estimates, "test")
    whole = agreed_groups(context.estimates, context.study)[0]
    assert spread_grows(whole, ledger)
    (sentence,) = plain(agreement_sentences(context, ledger))
    assert "the ratio of the two tells more: 0.999 on average" in sentence
    assert "not normally distributed" not in sentence
    assert '\n"All landings, as ratio",60,240,' in as_csv(agreement.build_limits(context, ledger))


def test_without_pairs_the_tables_say_so():
    empty = Estimates("agreement")
    empty.not_run("all", "no metric of a landing was measured by two sensors")
    context = context_of(empty)
    ledger = Ledger(context.estimates, "test")
    assert agreement_sentences(context, ledger) == []
    for build in (agreement.build_limits, agreement.build_lines, agreement.build_contact_lag):
        assert build(context, ledger).rows == ()
    assert asymmetry.build(context, ledger).rows == ()


def test_nothing_is_cut_off_and_no_printed_numbers_meet_in_the_figure():
    # Limits that lie close beside clipped peaks far off: the longest titles, the narrowest lines.
    sensors = {"reference_accelerometer": (0.0, 1.0, 0.0), "waist": (0.0, 1.0, 0.002)}
    table = pd.concat(
        [values(metric, sensors) for metric in ("peak_waist_acceleration", "peak_knee_flexion")]
    )
    table["site"] = table["site"].map(dict(zip(("north", "south"), study.SITES, strict=False)))
    far = (table["sensor"] == "waist") & (table.groupby("sensor").cumcount() % 40 == 0)
    table.loc[far, "censoring"] = "right"
    table.loc[far, "value"] -= 0.3
    context = context_of(*(pair_numbers(pair, 0.95) for pair in sensor_pairs(table)))
    ledger = Ledger(context.estimates, "test")
    sites = {code: site["label"] for code, site in study.STUDY["sites"].items()}
    groups = agreed_groups(context.estimates, context.study)
    figure = agreement_figure(groups, points(table), sites, ledger)
    figure.draw_without_rendering()
    panels = [axes for axes in figure.axes if axes.get_title(loc="left")]
    assert len(panels) == 2
    for axes in panels:
        numbers = [text.get_window_extent() for text in axes.texts]
        boxes = [axes.title.get_window_extent(), axes._left_title.get_window_extent(), *numbers]
        assert all(box.x0 >= 0 and box.x1 <= figure.bbox.x1 for box in boxes)
        heights = sorted((box.y0, box.y1) for box in numbers)
        assert len(heights) == 3
        assert heights[0][1] <= heights[1][0]
        assert heights[1][1] <= heights[2][0]
