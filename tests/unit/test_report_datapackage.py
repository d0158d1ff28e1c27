"""`datapackage.json` is valid by the Table Schema standard and true to the files."""

import hashlib
import json

import pandas as pd
import pytest
from frictionless import Package, Resource, Schema

from analysis.report.datapackage import write_datapackage
from shared.schemas import schema_of
from shared.tables import empty_table, write_table
from tests.unit import report_study as study


@pytest.fixture
def package(tmp_path):
    tables = tmp_path / "tables"
    write_table(study.estimates(), tables / "estimates.parquet", "estimates")
    write_table(study.summaries(study.cohort()), tables / "summaries.parquet", "summaries")
    write_table(empty_table("ledger"), tables / "ledger.parquet", "ledger")
    people = study.cohort()
    declared = [name for name in schema_of("cohort").names if name in people.columns]
    people = people[[*declared, *(name for name in people.columns if name not in declared)]]
    write_table(people, tables / "cohort.parquet", "cohort")
    file = tables / "datapackage.json"
    write_datapackage(tables=sorted(tables.glob("*.parquet")), datapackage=file, title="Invented")
    return file


def test_the_library_finds_the_package_valid(package):
    content = json.loads(package.read_text(encoding="utf-8"))
    assert Package.from_descriptor(content, basepath=str(package.parent)).to_descriptor()
    assert Package.validate_descriptor(content).valid
    for resource in content["resources"]:
        schema = Schema.from_descriptor(resource["schema"])
        assert schema.primary_key == list(schema_of(resource["path"].removesuffix(".parquet")).key)


@pytest.mark.parametrize("name", ["estimates", "cohort"])
def test_the_rows_keep_to_the_schema_that_the_package_tells(package, name):
    """The library checks types, required values and allowed values of the rows themselves."""
    content = json.loads(package.read_text(encoding="utf-8"))
    resource = next(entry for entry in content["resources"] if entry["name"] == name)
    table = pd.read_parquet(package.parent / resource["path"]).astype(object)
    rows = table.where(table.notna(), None).to_dict("records")
    schema = Schema.from_descriptor(resource["schema"])
    assert Resource(data=rows, schema=schema).validate().valid
    key = schema.primary_key[0]
    assert not Resource(data=[{**rows[0], key: None}], schema=schema).validate().valid
    assert not Resource(data=[rows[0], rows[0]], schema=schema).validate().valid


def test_a_broken_schema_is_not_found_valid(package):
    content = json.loads(package.read_text(encoding="utf-8"))
    content["resources"][0]["schema"]["fields"][0]["type"] = "float64"
    assert not Package.validate_descriptor(content).valid


def test_size_hash_and_columns_are_those_of_the_file(package):
    content = json.loads(package.read_text(encoding="utf-8"))
    assert len(content["resources"]) == 4
    for resource in content["resources"]:
        file = package.parent / resource["path"]
        raw = file.read_bytes()
        assert resource["bytes"] == len(raw)
        assert resource["hash"] == f"sha256:{hashlib.sha256(raw).hexdigest()}"
        names = [field["name"] for field in resource["schema"]["fields"]]
        assert names == list(pd.read_parquet(file).columns)


def test_units_and_allowed_values_are_told(package):
    content = json.loads(package.read_text(encoding="utf-8"))
    fields = {
        (resource["name"], field["name"]): field
        for resource in content["resources"]
        for field in resource["schema"]["fields"]
    }
    assert fields["cohort", "mass_kg"]["unit"] == "kg"
    assert "involved" in fields["summaries", "limb"]["constraints"]["enum"]
    assert fields["estimates", "number_id"]["constraints"]["required"]
    assert "constraints" not in fields["estimates", "estimate"]


def test_no_place_of_the_machine_is_told(package):
    text = package.read_text(encoding="utf-8")
    assert str(package.parent.parent) not in text
