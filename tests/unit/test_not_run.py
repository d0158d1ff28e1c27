"""The table of what was not run: subjects that share words stand once, and none is lost."""

from analysis.estimates import Estimates, estimates_table
from analysis.report.context import Context
from analysis.report.ledger import Ledger
from analysis.tables.not_run import build
from tests.unit import report_study as study

FEW = "athletes with valid values: 5"


def lines_of(*refused: tuple[str, tuple[str, ...], str]) -> list[tuple[str, ...]]:
    """Return the lines of the table for (analysis, subject, reason)."""
    numbers = [Estimates(analysis) for analysis, _, _ in refused]
    for one, (_, subject, reason) in zip(numbers, refused, strict=True):
        one.not_run(subject, reason)
    rows = estimates_table(*numbers)
    context = Context(rows, study.STUDY, study.PROCESSING, study.PLAN)
    return [tuple(map(str, row.cells)) for row in build(context, Ledger(rows, "test")).rows]


def test_subjects_that_go_on_alike_share_a_line():
    tasks = ("box_jump", "cut")
    metrics = ("peak_knee_flexion", "knee_flexion_excursion")
    every = [("agreement", (m, "gyro", "camera", t), FEW) for m in metrics for t in tasks]
    other = ("agreement", ("flight_time", "waist", "plate", "cut"), FEW)
    assert lines_of(*every, other) == [
        ("Athletes with valid values: 5",),
        ("Agreement between sensors", "Flight time", "Waist accelerometer, force plate, cut"),
        (
            "Agreement between sensors",
            "Knee flexion excursion; peak knee flexion",
            "Thigh and shank gyroscopes, camera: box jump and cut",
        ),
    ]


def test_what_all_end_with_stands_with_the_analysis_and_a_whole_beside_its_parts():
    site = [
        ("reliability", ("peak_vgrf", "plate", "site"), "one site"),
        ("reliability", ("flight_time", "waist", "cut", "site"), "one site"),
        ("reliability", ("flight_time", "waist", "site"), "one site"),
    ]
    alone = ("force_model", ("all",), "no plate")
    assert lines_of(*site, alone) == [
        ("No plate",),
        ("Force from waist acceleration", "All", ""),
        ("One site",),
        ("Reliability: site", "Flight time", "Waist accelerometer: cut and all"),
        ("Reliability: site", "Peak vertical ground reaction force", "Force plate"),
    ]
