"""The audit page: linked both ways with the report, true to estimates and tables, alone."""

import json
import re
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import urldefrag

import pandas as pd
import pytest

from analysis.audit.audit_page import text_of
from analysis.audit.rows_behind import COLUMNS, Behind, conditions
from analysis.report.check import check_page, read_page
from analysis.report.links import linked
from shared.tables import read_metadata, read_table

NUMBER = "quality_metrics.peak_vgrf.plate.valid.share"
_ALONE = ("src", "href", "action", "data", "poster", "srcset")


class Elements(HTMLParser):
    """Collects every start tag with its attributes."""

    def __init__(self, page: str):
        super().__init__()
        self.found: list[tuple[str, dict[str, str]]] = []
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        self.found.append((tag, {name: value or "" for name, value in attrs}))

    def ids(self) -> list[str]:
        return [attributes["id"] for _, attributes in self.found if "id" in attributes]


@pytest.fixture(scope="module")
def results(audited) -> Path:
    return audited / "results"


@pytest.fixture(scope="module")
def pages(results) -> dict[str, Elements]:
    names = ("report.html", "quality.html", "audit.html")
    return {n: Elements((results / "report" / n).read_text(encoding="utf-8")) for n in names}


def entry_of(results: Path, number: str) -> str:
    page = (results / "report" / "audit.html").read_text(encoding="utf-8")
    return page.partition(f'<div class="entry" id="{number}">')[2].partition("</div>")[0]


def test_each_printed_number_leads_to_its_place_and_back(pages):
    """Every link between the three pages ends at an address that exists, and only once."""
    places = {name: elements.ids() for name, elements in pages.items()}
    for name, ids in places.items():
        assert len(ids) == len(set(ids)), name
    numbers = 0
    for name, elements in pages.items():
        for tag, attributes in elements.found:
            file, place = urldefrag(attributes.get("href", ""))
            if place and (file or name) in places:
                assert place in places[file or name], (name, tag, attributes)
            if tag == "a" and attributes.get("class") == "number" and name != "audit.html":
                assert (file, place) == ("audit.html", attributes["data-number"])
                numbers += 1
    assert numbers > 200


def test_every_row_of_ledger_and_estimates_has_its_place(results, pages):
    ids = set(pages["audit.html"].ids())
    assert set(read_table(results / "tables/ledger.parquet")["ledger_id"]) <= ids
    assert set(read_table(results / "tables/estimates.parquet")["number_id"]) <= ids


def test_an_entry_shows_the_whole_chain(results):
    entry = entry_of(results, NUMBER)
    row = read_table(results / "tables/estimates.parquet").set_index("number_id").loc[NUMBER]
    ledger = read_table(results / "tables/ledger.parquet")
    printed = ledger.loc[ledger["number_id"] == NUMBER].iloc[0]
    metrics = read_table(results / "tables/metrics.parquet")
    mine = metrics.loc[(metrics["metric"] == "peak_vgrf") & (metrics["sensor"] == "plate")]
    for known in (
        f">{printed['display']}</a> <small>{printed['place']}, {printed['field']}</small>",
        f'href="report.html#{printed["ledger_id"]}"',
        f"estimate <b>{float(row['estimate'])!r}</b>",
        f"{len(mine)} values of landings behind it, {int(mine['valid'].sum())} valid",
        f"python -m analysis.audit.trace</span> {NUMBER}</code>",
    ):
        assert known in entry
    page = (results / "report" / "audit.html").read_text(encoding="utf-8")
    section = page.partition('id="analysis-quality_metrics"')[2].partition("</section>")[0]
    assert 'href="#step-sensor_quality"' in section
    metadata = read_metadata(results / "models/sensor_quality.parquet")
    step = page.partition('id="step-sensor_quality"')[2].partition("</tr>")[0]
    assert metadata["code_version"] in step
    for name, digest in json.loads(metadata["inputs"]).items():
        assert f"{name} <code>{digest}</code>" in step


def test_all_values_are_those_of_the_estimates(results):
    """Each estimate that the page prints, read back, is the same number to the last digit."""
    page = (results / "report" / "audit.html").read_text(encoding="utf-8")
    entries = re.findall(r'<div class="entry" id="([^"]+)">(.*?)</div>', page, flags=re.S)
    table = read_table(results / "tables/estimates.parquet").set_index("number_id")
    assert sorted(name for name, _ in entries) == sorted(table.index)
    for name, text in entries:
        shown = re.search(r"<p>estimate <b>([^<]+)</b>", text)
        held = table.loc[name, "estimate"]
        assert (shown is None) == bool(pd.isna(held))
        assert shown is None or float(shown[1]) == held


def test_the_page_is_alone_stamped_and_true_to_the_ledger(results, pages):
    page = (results / "report" / "audit.html").read_text(encoding="utf-8")
    assert page.count("<script") == page.count("<script>") == 1
    assert "@import" not in page
    assert "url(" not in page
    for _, attributes in pages["audit.html"].found:
        for name in _ALONE:
            assert not re.match(r"(https?:)?//", attributes.get(name, ""))
    assert "<b>restricted</b> edition" in page
    ledger = read_table(results / "tables/ledger.parquet")
    assert check_page(page, ledger) == []
    first = ledger.iloc[0]
    other = page.replace(f'data-number="{first["ledger_id"]}">{first["display"]}<',
                         f'data-number="{first["ledger_id"]}">17<')  # fmt: skip
    assert len(check_page(other, ledger)) == 1


def test_links_change_no_text_of_a_page():
    page = '<p>In <span class="number" data-number="a/b">1&#160;%</span> and again ' \
           '<span class="number" data-number="a/b">1&#160;%</span>, 2 of 3</p>'  # fmt: skip
    before, after = read_page(page), read_page(linked(page))
    assert (before.numbers, before.strays) == (after.numbers, after.strays)
    assert linked(page).count('id="a/b"') == 1
    assert linked(page).count('href="audit.html#a/b"') == 2


def test_a_drawing_holds_no_link(results):
    page = (results / "report" / "report.html").read_text(encoding="utf-8")
    drawing = page.partition("<svg")[2].partition("</svg>")[0]
    assert "data-number=" in drawing
    assert "<a " not in drawing


def test_counting_agrees_with_pandas(results):
    """Every estimate with a metric: its counts against a plain query of the table."""
    metrics = read_table(results / "tables/metrics.parquet", columns=COLUMNS)
    behind = Behind(metrics)
    predictors = [{"name": "excursion", "landing": 1}]
    row = {
        **{"metric": "peak_vgrf", "sensor": "plate", "task": "countermovement_jump", "site": ""},
        **{"limb": "both", "analysis": "cox_primary", "number_id": "cox_primary.any.excursion.hr"},
    }
    seen = 0
    for changed in ({}, {"analysis": "agreement"}, {"analysis": "asymmetry"}, {"metric": ""},
                    {"task": ""}, {"metric": "no_such_metric"}):  # fmt: skip
        about = conditions(row | changed, predictors, "clearance")
        found = behind.count(about)
        if not about:
            assert found is None
            continue
        rows = metrics
        for name, relation, value in about:
            rows = rows.loc[rows[name] == value if relation == "==" else rows[name] != value]
        assert (found.values, found.valid) == (len(rows), int(rows["valid"].sum()))
        assert sum(count for _, count in found.left_out) == len(rows) - found.valid
        seen += len(rows)
    assert seen > 0


def test_text_of_a_value_is_the_shortest_that_gives_it_again():
    for value in (0.1, 1 / 3, 1e-300, 12345678.9):
        assert float(text_of(value)) == value
    assert [text_of(True), text_of(False), text_of("a")] == ["yes", "no", "a"]
