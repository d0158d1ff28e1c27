"""The table of landings measured twice says agrees, differs and not run as the estimates say."""

import numpy as np
import pandas as pd
import pytest

from analysis.audit.comparison import ANALYSIS, compare
from analysis.estimates import Estimates, estimates_table
from analysis.report.context import Context
from analysis.report.ledger import Ledger
from analysis.tables import rederived
from tests.unit import report_study as study

LIMITS = study.PLAN["audit"]["rederivation"]


def table_of(numbers: Estimates):
    estimates = estimates_table(numbers)
    context = Context(estimates, study.STUDY, study.PROCESSING, study.PLAN)
    return rederived.build(context, Ledger(estimates, "test"))


def pairs(second: list[float], value: float) -> pd.DataFrame:
    names = [f"A{i:04d}" for i in range(len(second))]
    return pd.DataFrame({"athlete_id": names, "value": value, "second": second})


def test_each_metric_has_its_verdict():
    numbers = Estimates(ANALYSIS)
    compare(numbers, "peak_vgrf", "plate", pairs([3.0, 3.03, 3.05], 3.0), LIMITS)
    # 3 ms in one of three flights: beyond the limit of 2 ms.
    compare(numbers, "flight_time", "plate", pairs([0.500, 0.503, 0.501], 0.5), LIMITS)
    compare(numbers, "contact_time", "plate", pairs([np.nan, np.nan], 0.3), LIMITS)
    rows = {str(row.cells[0]): [str(cell) for cell in row.cells[1:]] for row in
            table_of(numbers).rows}  # fmt: skip
    assert rows["Peak vertical ground reaction force, force plate (%)"] == [
        "3", "1.000", "1.667", "2.00", "0", "agrees",
    ]  # fmt: skip
    flight = rows["Flight time, force plate (ms)"]
    assert flight[2] == "3.000"
    assert flight[-2:] == ["1", "differs"]
    assert rows["Contact time, force plate (ms)"][-1] == "not run"


def test_a_study_without_a_second_path_says_why():
    numbers = Estimates(ANALYSIS)
    numbers.not_run("all", "the files have clocks of their own")
    table = table_of(numbers)
    assert table.rows == ()
    assert table.absent == "not run: the files have clocks of their own"


@pytest.mark.parametrize(("outside", "passed"), [(0, 1.0), (2, 1.0), (3, 0.0)])
def test_a_share_may_lie_beyond_the_limit(outside, passed):
    second = [3.0] * (100 - outside) + [3.2] * outside
    numbers = Estimates(ANALYSIS)
    compare(numbers, "peak_vgrf", "plate", pairs(second, 3.0), LIMITS)
    found = estimates_table(numbers).set_index("number_id")["estimate"]
    assert found["rederived.peak_vgrf.plate.all.outside"] == outside
    assert found["rederived.peak_vgrf.plate.all.passed"] == passed
