"""Rows of the table of estimates: addresses, defaults, order, collection."""

from __future__ import annotations

import pytest

from analysis.estimates import (
    Estimates,
    collect_estimates,
    estimates_table,
    number_id,
    subjects_of,
    terms_of,
    write_estimates,
)
from shared.tables import TableError, read_metadata, read_table

STEP = "analysis.models.flow:flow_diagram"


def test_an_address_is_lower_case_and_dotted():
    found = number_id("cox_primary", "graft_rupture", ("Knee flexion", "2nd trial"), "hazard_ratio")
    assert found == "cox_primary.graft_rupture.knee_flexion.2nd_trial.hazard_ratio"
    assert number_id("flow", "enrolled", "", "count") == "flow.enrolled.all.count"


def test_rows_take_common_columns_and_their_own():
    numbers = Estimates("rates", ties="efron", n_athletes=5)
    numbers.add("injury", "all", "rate", 1.5, n_athletes=7)
    numbers.add("injury", "female", "rate", float("nan"))
    numbers.not_run("tear", "no event")
    table = estimates_table(numbers).set_index("number_id")
    assert table.loc["rates.injury.all.rate", ["ties", "n_athletes"]].tolist() == ["efron", 7]
    assert table.loc["rates.injury.female.rate", "n_athletes"] == 5
    assert table["estimate"].isna().to_dict() == {
        "rates.injury.all.rate": False,
        "rates.injury.female.rate": True,
        "rates.tear.all.not_run": True,
    }
    assert table.loc["rates.tear.all.not_run", "note"] == "no event"
    assert set(table["family"]) == {"descriptive"}


def test_an_undeclared_column_is_refused():
    numbers = Estimates("rates")
    numbers.add("injury", "all", "rate", 1.0, colour="red")
    with pytest.raises(ValueError, match="colour"):
        estimates_table(numbers)


def test_parts_are_collected_in_the_order_of_their_addresses(tmp_path):
    for name in ("b", "a"):
        numbers = Estimates(name)
        numbers.add("x", "all", "count", 3)
        write_estimates(tmp_path / name, numbers, step=STEP, inputs={})
    collect_estimates(parts=[tmp_path / "b", tmp_path / "a"], estimates=tmp_path / "all")
    assert read_table(tmp_path / "all")["number_id"].tolist() == ["a.x.all.count", "b.x.all.count"]
    assert len(read_metadata(tmp_path / "all")["code_version"]) == 12


def test_an_address_that_stands_twice_is_a_fault(tmp_path):
    numbers = Estimates("a")
    numbers.add("x", "all", "count", 3)
    write_estimates(tmp_path / "one", numbers, step=STEP, inputs={})
    with pytest.raises(TableError, match=r"a\.x\.all\.count"):
        collect_estimates(parts=[tmp_path / "one"] * 2, estimates=tmp_path / "all")


def test_subjects_and_terms_come_from_their_columns_not_from_the_address():
    numbers = Estimates("force_model")
    for term in (("left_out", "linear"), ("left_out", "linear", "site", "north"), "kept"):
        numbers.add(("single", "leg"), term, "rmse", 1.0)
    numbers.add("whole", ("left_out", "linear"), "rmse", 2.0)
    numbers.add("whole", "kept", "bias", 2.0)
    table = estimates_table(numbers)
    # A renamed address changes nothing: only columns are read.
    table["number_id"] = [f"x{place}" for place in range(len(table))]
    assert set(table["subject"]) == {"single.leg", "whole"}
    assert list(terms_of(table, "force_model", ("single", "leg"), "rmse")) == [
        ("kept",), ("left_out", "linear"), ("left_out", "linear", "site", "north"),
    ]  # fmt: skip
    assert list(subjects_of(table, "force_model", ("left_out", "linear"), "rmse")) == [
        ("single", "leg"), ("whole",),
    ]  # fmt: skip
    assert list(subjects_of(table, "force_model", "kept", "bias")) == [("whole",)]
