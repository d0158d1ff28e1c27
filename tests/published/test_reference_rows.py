"""Every number of the outside check values is compared, or left out with a reason.

`statistics.json` of the folder `shared` beside the project holds, with 15 digits, what R 4.2.2 and
its packages give for published data sets; `STATISTICS.md` names sources and packages.
"""

import json
import re
from importlib import import_module

import pytest

from tests.published.reference_rows import ROWS, ReferenceRow
from tests.published.reference_rows.listed import COVERED
from tests.published.survival_tables import REFERENCE, reference_values


@pytest.mark.parametrize("name", ROWS)
def test_row(name):
    script, entry = name.split("/")
    row = ReferenceRow(reference_values()[script][entry])
    ROWS[name](row)
    assert row.not_compared() == []


def test_every_row_of_the_machine_form_has_a_test():
    names = {f"{script}/{name}" for script, rows in reference_values().items() for name in rows}
    assert set(ROWS) == names


def test_every_row_of_the_printed_table_is_covered():
    path = REFERENCE / "STATISTICS.md"
    if not path.exists():
        pytest.skip("the folder `shared` with the reference values is not beside the project")
    listed = re.findall(r"^\| ([A-Z]-[A-Z0-9-]+c?)(?: / -?[A-Z-]+)* \|", path.read_text(), re.M)
    assert listed
    assert set(COVERED) == set(listed)


@pytest.mark.parametrize("name", sorted(COVERED))
def test_the_test_named_for_a_printed_row_exists(name):
    for place in COVERED[name]:
        if place in ROWS:
            continue
        module, test = place.split("::")
        owner = import_module(f"tests.{module}")
        for part in test.split("."):
            owner = getattr(owner, part)
        assert callable(owner)


def test_a_row_that_is_not_compared_is_noticed():
    row = ReferenceRow(json.loads('{"fit": {"coef": {"a.b": 1.0, "c": 2.0}, "n": 3}}'))
    row.same("fit/coef", [1.0, 2.0])
    assert row.not_compared() == ["fit/n"]
    with pytest.raises(AssertionError, match="at fit/n"):
        row.same("fit/n", 4)
