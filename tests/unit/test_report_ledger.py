"""Numbers are printed by address only; the check finds every number that is not."""

import pandas as pd
import pytest
from markupsafe import Markup

from analysis.estimates import Estimates, estimates_table
from analysis.report.check import check_ledger, check_page, check_table
from analysis.report.ledger import Exempt, Ledger, phrase
from analysis.tables.journal import JournalTable, Row, as_csv, as_html, with_interval
from shared.tables import to_arrow


@pytest.fixture
def estimates() -> pd.DataFrame:
    numbers = Estimates("cox_primary", family="primary")
    numbers.add(
        "graft_rupture",
        "flight_time",
        "hazard_ratio",
        1.4249,
        ci_low=1.1,
        ci_high=1.83,
        p=0.0002,
        n_events=18,
    )
    numbers.add("graft_rupture", "excursion", "hazard_ratio", None, note="did not converge")
    return estimates_table(numbers)


ADDRESS = "cox_primary.graft_rupture.flight_time.hazard_ratio"
EMPTY = "cox_primary.graft_rupture.excursion.hazard_ratio"


def page_of(ledger: Ledger) -> str:
    ratio = ledger.number(ADDRESS, "ratio")
    p = ledger.number(ADDRESS, "p", field="p")
    return str(
        phrase("<p>The ratio is {} (p {}), level {}.</p>", ratio, p, Exempt("95 %", "setting"))
    )


def test_a_page_of_addressed_numbers_passes(estimates):
    ledger = Ledger(estimates, "report")
    page = page_of(ledger)
    table = ledger.table()
    assert check_page(page, table) == []
    assert check_ledger(table, estimates) == []
    to_arrow(table, "ledger")  # keeps to the declared schema
    assert list(table["display"]) == ["1.42", "<\u00a00.001"]
    assert list(table["field"]) == ["estimate", "p"]


@pytest.mark.parametrize(
    ("before", "after", "fault"),
    [
        (">1.42<", ">1.52<", "the ledger holds '1.42'"),
        ("The ratio", "The 2 ratios", "without an address"),
        ("hazard_ratio/estimate", "hazard_ratio/ci_low", "the ledger does not hold"),
        ("<p>", '<p title="3 of 4">', "without an address"),
        ("<p>", '<p aria-label="about 7">', "without an address"),
        ('data-exempt="setting"', 'data-exempt="trust me"', "not declared"),
        ("</p>", "<i>12</i></p>", "without an address"),
        ('<span class="number" data-number=', "<span data-was-number=", "without an address"),
    ],
)
def test_a_tampered_page_is_found(estimates, before, after, fault):
    ledger = Ledger(estimates, "report")
    page = page_of(ledger)
    assert before in page
    faults = check_page(page.replace(before, after, 1), ledger.table())
    assert faults
    assert fault in " ".join(faults)


def test_a_tampered_estimate_or_ledger_is_found(estimates):
    ledger = Ledger(estimates, "report")
    page_of(ledger)
    changed = estimates.copy()
    changed.loc[changed["number_id"] == ADDRESS, "estimate"] = 1.435
    assert "shows '1.42'" in check_ledger(ledger.table(), changed)[0]
    gone = estimates.loc[estimates["number_id"] != ADDRESS]
    assert len(check_ledger(ledger.table(), gone)) == 2
    typed = ledger.table()
    typed.loc[0, "display"] = "1.24"
    assert len(check_ledger(typed, estimates)) == 1


def test_an_empty_estimate_is_said_in_words(estimates):
    ledger = Ledger(estimates, "report")
    number = ledger.number(EMPTY, "ratio")
    assert str(number) == "not estimated"
    assert check_ledger(ledger.table(), estimates) == []


def test_what_has_no_address_cannot_be_printed(estimates):
    ledger = Ledger(estimates, "report")
    with pytest.raises(KeyError, match="no estimate has the address"):
        ledger.number("cox_primary.graft_rupture.invented.hazard_ratio", "ratio")
    with pytest.raises(KeyError, match="is no number"):
        ledger.number(ADDRESS, "ratio", field="note")
    with pytest.raises(ValueError, match="exempt class"):
        Exempt("42", "because")


def test_the_same_number_with_other_digits_has_a_row_of_its_own(estimates):
    ledger = Ledger(estimates, "report")
    first = ledger.number(ADDRESS, "ratio")
    again = ledger.number(ADDRESS, "ratio")
    longer = ledger.number(ADDRESS, "three_decimals")
    assert first == again
    assert longer.ledger_id != first.ledger_id
    assert len(ledger.table()) == 2


def test_text_from_outside_is_escaped(estimates):
    ledger = Ledger(estimates, "report")
    text = phrase("{} {}", "<script>", ledger.number(ADDRESS, "ratio"))
    assert "<script>" not in text
    assert isinstance(text, Markup)


@pytest.fixture
def table(estimates) -> tuple[JournalTable, Ledger]:
    ledger = Ledger(estimates, "table.example")
    cell = with_interval(
        *(ledger.number(ADDRESS, "ratio", field=f) for f in ("estimate", "ci_low", "ci_high"))
    )
    rows = (Row(("Graft rupture",)), Row((Exempt("Impulse, first 50 ms", "name"), cell)))
    return JournalTable("example", "An example", ("Metric", "Hazard ratio"), rows), ledger


def test_a_table_is_the_same_as_csv_and_as_html(table, tmp_path):
    content, ledger = table
    csv, html = tmp_path / "example.csv", tmp_path / "example.html"
    csv.write_text(as_csv(content), encoding="utf-8")
    html.write_text(as_html(content, 1), encoding="utf-8")
    assert check_table(csv, html) == []
    assert check_page(html.read_text(encoding="utf-8"), ledger.table()) == []
    csv.write_text(as_csv(content).replace("1.83", "1.38"), encoding="utf-8")
    assert "row 3, column 2" in check_table(csv, html)[0]
    csv.write_text(as_csv(content) + "one,more\n", encoding="utf-8")
    assert "4 rows" in check_table(csv, html)[0]


def test_a_table_names_its_rows_columns_and_groups(table):
    html = as_html(table[0], 3)
    assert html.count("<caption>") == 1
    assert '<th scope="rowgroup" colspan="2">Graft rupture</th>' in html
    assert html.count('scope="col"') == 2
    assert html.count('scope="row"') == 1
    assert 'tabindex="0"' in html


def test_a_table_without_rows_says_why():
    empty = JournalTable("example", "An example", ("Metric",), (), absent="no model was run")
    assert "Not shown: no model was run." in as_html(empty, 1)
    assert as_csv(empty) == "Metric\n"
