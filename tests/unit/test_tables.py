"""Tables are checked against their schema, written whole, and with the same bytes each time."""

import pandas as pd
import pyarrow as pa
import pytest

from shared.schemas import schema_of, schemas
from shared.tables import TableError, empty_table, read_metadata, read_table, write_table


@pytest.fixture
def exclusions():
    return pd.DataFrame(
        {
            "level": ["recording"], "id": ["A1.x"], "site": ["harbour"], "step": ["intake"],
            "reason": ["gap"], "detail": ["a gap of 12 samples"],
        }
    )  # fmt: skip


def test_round_trip_keeps_values_units_and_provenance(tmp_path, exclusions):
    path = tmp_path / "deep" / "exclusions.parquet"
    write_table(exclusions, path, "exclusions", inputs={"raw": "abc"}, code_version="123")
    pd.testing.assert_frame_equal(read_table(path), exclusions)
    metadata = read_metadata(path)
    assert metadata["table"] == "exclusions"
    assert metadata["code_version"] == "123"
    assert '"raw": "abc"' in metadata["inputs"]
    assert not list(path.parent.glob(".*"))


def test_same_content_gives_same_bytes(tmp_path, exclusions):
    first, second = tmp_path / "a.parquet", tmp_path / "b.parquet"
    write_table(exclusions, first, "exclusions")
    write_table(exclusions.copy(), second, "exclusions")
    assert first.read_bytes() == second.read_bytes()


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda t: t.drop(columns="reason"), "missing"),
        (lambda t: t.assign(more=1), "not declared"),
        (lambda t: t.assign(level="planet"), "planet"),
        (lambda t: t.assign(reason=None), "empty values"),
        (lambda t: pd.concat([t, t]), "more than one row"),
    ],
)
def test_a_table_that_breaks_its_schema_is_refused(tmp_path, exclusions, change, message):
    with pytest.raises(TableError, match=message):
        write_table(change(exclusions), tmp_path / "x.parquet", "exclusions")
    assert not list(tmp_path.iterdir())


def test_every_schema_gives_an_empty_table_that_can_be_written(tmp_path):
    for name in schemas():
        write_table(empty_table(name), tmp_path / f"{name}.parquet", name)


def test_every_column_says_what_it_is():
    for schema in schemas().values():
        assert schema.key
        assert set(schema.key) <= set(schema.names)
        for column in schema.columns:
            assert column.description, f"{schema.name}.{column.name}"
    assert schema_of("metrics").row == "landing x metric x sensor"


def test_an_arrow_table_gives_the_same_bytes_as_its_data_frame(tmp_path, exclusions):
    frame, arrow = tmp_path / "a.parquet", tmp_path / "b.parquet"
    write_table(exclusions, frame, "exclusions")
    write_table(pa.Table.from_pandas(exclusions, preserve_index=False), arrow, "exclusions")
    assert frame.read_bytes() == arrow.read_bytes()


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda t: t.drop_columns("reason"), "missing"),
        (lambda t: t.append_column("more", [[1]]), "not declared"),
        (lambda t: pa.concat_tables([t, t]), "more than one row"),
        (lambda t: t.drop_columns("level").append_column("level", [["planet"]]), "planet"),
        (lambda t: t.drop_columns("site").append_column("site", [[None]]), "empty values"),
    ],
)
def test_an_arrow_table_that_breaks_its_schema_is_refused(tmp_path, exclusions, change, message):
    table = change(pa.Table.from_pandas(exclusions, preserve_index=False))
    with pytest.raises(TableError, match=message):
        write_table(table, tmp_path / "x.parquet", "exclusions")
