"""How numbers are written, and that a written number is recognised as its value or not."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.report.numerals import STYLES, is_rounding_of, write


@pytest.mark.parametrize(
    ("value", "style", "text"),
    [
        (1.4249, "ratio", "1.42"),
        (-0.001, "ratio", "0.00"),
        (-3.25, "one_decimal", "\u22123.2"),
        (0.0914, "percent", "9.1\u00a0%"),
        (12345, "count", "12\u202f345"),
        (0.00012, "p", "<\u00a00.001"),
        (0.0414, "p", "0.041"),
        (0.52, "p", "0.52"),
        (0.9996, "p", ">\u00a00.999"),
        (0.04321, "measure", "0.0432"),
        (472.31, "measure", "472"),
        (9.996, "measure", "10.0"),
        (1234.5, "measure", "1\u202f234"),
        (math.nan, "ratio", "not estimated"),
        (None, "count", "not estimated"),
        (math.inf, "ratio", "\u221e"),
        (16.47, "ratio", "16.5"),
        (9.996, "ratio", "10.0"),
        (272.73, "ratio", "273"),
        (1000.0, "ratio", "1\u202f000"),
        (7.5e9, "ratio", ">\u00a01\u202f000"),
        (1e-8, "ratio", "<\u00a00.01"),
        (0.0, "ratio", "0.00"),
        (0.0, "scientific", "0"),
        (-2.14e-7, "scientific", "\u22122.1e\u22127"),
        (29.03, "percent", ">\u00a01\u202f000\u00a0%"),
        (10.0, "percent", "1\u202f000.0\u00a0%"),
        (18, "trials", "18"),
        (3600, "trials", ">\u00a0100"),
    ],
)
def test_a_value_is_written_as_readers_expect(value, style, text):
    assert write(value, style) == text
    assert is_rounding_of(text, value)


def test_a_count_must_be_whole():
    with pytest.raises(ValueError, match="is not a count"):
        write(12.5, "count")


@given(
    value=st.floats(-1e6, 1e6, allow_nan=False),
    style=st.sampled_from(["ratio", "measure", "percent", "one_decimal", "three_decimals"]),
)
def test_what_is_written_is_a_rounding_of_the_value(value, style):
    assert is_rounding_of(write(value, style), value)


@given(value=st.floats(0, 1, allow_nan=False))
def test_a_written_p_value_holds(value):
    assert is_rounding_of(STYLES["p"](value), value)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("1.43", 1.4249),
        ("1.42", -1.4249),
        ("9.1\u00a0%", 9.14),
        ("<\u00a00.001", 0.0011),
        (">\u00a01\u202f000", 999.0),
        (">\u00a01\u202f000\u00a0%", 9.9),
        ("not estimated", 1.0),
        ("1.42", math.nan),
        ("about 1", 1.0),
        ("", 0.0),
    ],
)
def test_another_number_is_not_taken_for_the_value(text, value):
    assert not is_rounding_of(text, value)
