"""The pages of a finished study in a browser: followed by mouse and keys, judged, printed.

Sources: axe-core for WCAG 2.2 rules; ARIA Authoring Practices Guide (W3C) for the keys; WCAG 2.2
criterion 1.4.10 for the narrow window. Raw files are opened by hashlib and by plain lines here.
"""

import hashlib
import random
import re
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

import pytest
from playwright.sync_api import Page

from analysis.audit.address import find
from analysis.audit.chain import chain_of
from analysis.audit.study_folder import StudyFolder, open_folder
from analysis.audit.trace import main as trace
from shared.tables import read_table
from tests.tiny_study.browser import accessibility_findings, started, watched
from tests.tiny_study.finished import finished_study

pytestmark = pytest.mark.slow

SEED = 20260427
FOLLOWED = {"prose": 3, "table": 4, "figure": 3}
TEAM_PAGES = ("report", "quality", "audit")
PAGES = (*TEAM_PAGES, "flagged", "checklist", "shareable/report", "shareable/checklist")
COUNTED = {"n_athletes": "athletes", "n_events": "events", "n_trials": "trials"}
ON_AUDIT_PAGE, ON_REPORT = re.compile(r"/audit\.html#"), re.compile(r"/report\.html")
PRINTED_WIDTH = 673  # A4 less the margins of the pages, 178 mm at 96 per inch

_NUMBERS = """() => [...document.querySelectorAll("main a.number")].map((link, index) => ({
  kind: link.closest("table") ? "table" : "prose", index, address: link.dataset.number }))"""
_IN_FIGURES = """() => [...document.querySelectorAll("main .places a")].map((link, index) => ({
  kind: "figure", index, address: link.hash.slice(1),
  place: link.parentElement.previousElementSibling.id }))"""
_ENTRY = """() => {
  const target = document.querySelector(":target"), entry = target.closest(".entry");
  const said = [entry.closest(".analysis").querySelector("p"), entry.querySelector(".conventions")];
  return { target: target.textContent, text: entry.textContent,
    conventions: said.map(part => part?.textContent).join(),
    command: entry.querySelector("code").textContent }; }"""
_TARGET_STAYS_IN_VIEW = """async () => {
  for (let frame = 0; frame < 12; frame++) await new Promise(requestAnimationFrame);
  const { top, bottom } = document.querySelector(":target").getBoundingClientRect();
  return bottom > 0 && top < innerHeight; }"""


class Number(NamedTuple):
    """A printed number: where it is, and its address in the ledger."""

    kind: str
    index: int
    address: str
    place: str = ""


class Entry(NamedTuple):
    """What the audit page says of the number that it was asked for."""

    target: str
    text: str
    conventions: str
    command: str


@pytest.fixture(scope="module")
def browser():
    with started() as browser:
        yield browser


@pytest.fixture(scope="module")
def results(browser, tmp_path_factory) -> Path:
    return finished_study(tmp_path_factory)[1] / "demo" / "results"


@pytest.fixture
def page(browser, results):
    with watched(browser, results) as page:
        yield page


def go(page: Page, results: Path, name: str) -> None:
    page.goto((results / "report" / f"{name}.html").as_uri())


def address_of(page: Page) -> str:
    """Return the file and place where the browser is."""
    return page.evaluate("location.pathname.split('/').at(-1) + decodeURIComponent(location.hash)")


def reaches_samples(study: StudyFolder, address: str) -> bool:
    return chain_of(study, find(study, address)).metric_row is not None


@pytest.fixture(scope="module")
def chosen(browser, results) -> list[Number]:
    """Ten numbers by lot among those that rest on recordings; counts of athletes do not."""
    with watched(browser, results) as page:
        go(page, results, "report")
        found = [Number(**each) for each in page.evaluate(_NUMBERS)]
        go(page, results, "audit")
        found += [Number(**each) for each in page.evaluate(_IN_FIGURES)]
    random.Random(SEED).shuffle(found)
    study = open_folder(results, None)
    chosen: list[Number] = []
    for kind, wanted in FOLLOWED.items():
        mine = (number for number in found if number.kind == kind)
        usable = (number for number in mine if reaches_samples(study, number.address))
        chosen += [number for number, _ in zip(usable, range(wanted), strict=False)]
    return chosen


def click_number(page: Page, results: Path, number: Number) -> str:
    """Follow a number of the report by mouse to its entry; return the text that was clicked."""
    if "/report.html" not in page.url:
        go(page, results, "report")
    if number.kind == "figure":
        page.click(f'main figcaption a[href="audit.html#{number.place}"]')
        link = page.locator("main .places a").nth(number.index)
    else:
        link = page.locator("main a.number").nth(number.index)
    shown = link.text_content()
    link.click()
    page.wait_for_url(ON_AUDIT_PAGE)
    return shown


def entry_of(page: Page) -> Entry:
    return Entry(**page.evaluate(_ENTRY))


def as_shown(value: float, field: str) -> str:
    """Return how the audit page writes a value of an estimate: unrounded, counts whole."""
    return f"{int(value)} {COUNTED[field]}" if field in COUNTED else f"{field} {float(value)!r}"


def check_samples(entry: Entry, results: Path, capsys) -> None:
    """Run the command that an entry offers; compare what it says with the page and the raw file."""
    name = re.fullmatch(r"python -m analysis\.audit\.trace (\S+)", entry.command)[1]
    assert trace([name, "--results", str(results)]) == 0
    said = capsys.readouterr().out
    rows = re.search(r"^\d\. Landings \((\d+) values\)", said, flags=re.M)
    if behind := re.search(r"(\d+) values of landings behind it", entry.text):
        assert rows[1] == behind[1]
    recording = re.search(r"^ +recording +(\S+)$", said, flags=re.M)[1]
    raw = (results.parent / "study" / recording).read_bytes()
    assert re.search(r"^ +SHA-256 +(\w{64})$", said, flags=re.M)[1] == (
        hashlib.sha256(raw).hexdigest()
    )
    samples = re.search(r"raw samples +([\d.]+) to ([\d.]+) of (\d+) at", said)
    first, last, count = (float(text) for text in samples.groups())
    assert 0 <= first <= last < count
    if recording.endswith(".csv"):
        # One line per sample; lines above them do not begin with a number and a separator.
        lines = [line for line in raw.decode().splitlines() if re.match(r"-?\d[\d.,]*[;,\t]", line)]
        assert len(lines) == count


def test_ten_numbers_lead_to_raw_samples_and_back(page, results, chosen, capsys):
    ledger = read_table(results / "tables" / "ledger.parquet").set_index("ledger_id")
    estimates = read_table(results / "tables" / "estimates.parquet").set_index("number_id")
    assert len({number.address for number in chosen}) == sum(FOLLOWED.values()) == 10
    for number in chosen:
        shown = click_number(page, results, number)
        assert address_of(page) == f"audit.html#{number.address}"
        row = ledger.loc[number.address]
        assert page.evaluate(_TARGET_STAYS_IN_VIEW)
        entry, estimate = entry_of(page), estimates.loc[row["number_id"]]
        assert shown == entry.target == row["display"]
        assert as_shown(estimate[row["field"]], row["field"]) in entry.text
        unit = f"unit {estimate['unit']}" if estimate["unit"] else ""  # a statistic may have none
        assert unit in entry.conventions
        check_samples(entry, results, capsys)
        page.locator(".entry :target").click()
        page.wait_for_url(ON_REPORT)
        assert page.evaluate(_TARGET_STAYS_IN_VIEW)
        back = page.locator(":target")
        if number.kind == "figure":
            assert f"figure-{number.place.rpartition('.')[2]}" == back.get_attribute("id")
        else:
            assert back.get_attribute("data-number") == number.address
            assert back.text_content() == shown


@pytest.mark.parametrize("name", PAGES)
def test_no_finding_of_the_accessibility_rules(page, results, name):
    go(page, results, name)
    assert accessibility_findings(page) == []


def test_the_rules_do_find_what_is_wrong(page, results):
    """A page with a pale word in a table, a picture and a link without a name."""
    go(page, results, "checklist")
    page.evaluate("""() => {
      document.querySelector("tbody td").style.color = "#bbb";
      document.querySelector("main").insertAdjacentHTML("beforeend",
        "<svg role='img'></svg><a href='#how'></a>"); }""")
    found = {rule: impact for rule, impact, _ in accessibility_findings(page)}
    assert found.keys() == {"color-contrast", "svg-img-alt", "link-name"}
    assert set(found.values()) == {"serious"}


def press_until(page: Page, key: str, selector: str, most: int) -> int:
    """Press a key until what has the focus matches; return how often."""
    for times in range(1, most + 1):
        page.keyboard.press(key)
        if page.evaluate("selector => document.activeElement.matches(selector)", selector):
            return times
    raise AssertionError(f"{selector} was not reached by {most} presses of {key}")


def focused(page: Page) -> dict[str, str | int | None]:
    return page.evaluate("""() => {
      const at = document.activeElement, cell = at.closest("td, th");
      return { address: at.dataset.number, text: at.textContent,
        column: cell?.cellIndex, row: cell?.parentElement.rowIndex,
        table: at.closest("table")?.id, seen: at.matches(":focus-visible"),
        outline: getComputedStyle(at).outlineStyle }; }""")


def test_a_number_is_followed_by_keyboard_and_back(page, results):
    go(page, results, "report")
    page.keyboard.press("Tab")
    assert focused(page)["text"] == "Skip to the content"
    page.keyboard.press("Enter")
    press_until(page, "Tab", "main a.number", most=3)
    press_until(page, "Tab", "table a.number", most=30)
    page.keyboard.press("ArrowDown")
    number = focused(page)
    assert (number["seen"], number["outline"]) == (True, "solid")
    # Escape goes back to the number that was followed, with the focus on it.
    page.keyboard.press("Enter")
    page.wait_for_url(ON_AUDIT_PAGE)
    page.locator(".entry :target:focus").wait_for()
    assert focused(page)["address"] == number["address"]
    page.keyboard.press("Escape")
    page.wait_for_url(ON_REPORT)
    page.locator("a.number:focus").wait_for()
    assert focused(page) == number
    # The entry's own link leads to where the number is printed.
    page.keyboard.press("Enter")
    page.wait_for_url(ON_AUDIT_PAGE)
    page.locator(".entry :target:focus").wait_for()
    page.keyboard.press("Enter")
    page.wait_for_url(ON_REPORT)
    page.locator("a.number:target:focus").wait_for()
    assert focused(page)["address"] == number["address"]
    # From the caption of a figure to the list of its numbers, an entry, and back twice.
    press_until(page, "Tab", "figcaption a[href^='audit.html']", most=40)
    caption = focused(page)["text"]
    page.keyboard.press("Enter")
    page.wait_for_url(ON_AUDIT_PAGE)
    press_until(page, "Tab", ".places a", most=2)
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Enter")
    page.locator(".entry :target:focus").wait_for()
    page.keyboard.press("Escape")
    page.locator(".places a:focus").wait_for()
    page.keyboard.press("Escape")
    page.wait_for_url(ON_REPORT)
    page.locator("figcaption a:focus").wait_for()
    assert focused(page)["text"] == caption


def test_arrows_go_through_a_table_as_through_a_grid(page, results):
    go(page, results, "report")
    page.locator("#table-table_one a.number").first.focus()
    begin = focused(page)
    page.keyboard.press("End")
    end = focused(page)
    assert (end["row"], end["column"] > begin["column"]) == (begin["row"], True)
    page.keyboard.press("ArrowDown")
    below = focused(page)
    assert (below["row"] > end["row"], below["column"]) == (True, end["column"])
    page.keyboard.press("ArrowUp")
    assert focused(page) == end
    page.keyboard.press("Home")
    page.keyboard.press("ArrowLeft")
    assert focused(page) == begin
    page.keyboard.press("Control+End")
    page.keyboard.press("ArrowDown")
    last = focused(page)
    everything = page.locator("#table-table_one a.number")
    assert last["address"] == everything.last.get_attribute("data-number")
    assert everything.evaluate_all("all => all.filter(link => link.tabIndex === 0).length") == 1
    # The table keeps its place while the focus is elsewhere.
    page.keyboard.press("Tab")
    assert focused(page)["table"] != begin["table"]
    page.keyboard.press("Shift+Tab")
    assert focused(page) == last


def test_arrows_go_through_a_text_in_its_order(page, results):
    go(page, results, "report")
    text = page.locator("main ul:has(a.number ~ a.number)").first.locator("a.number")
    inside = text.evaluate_all("all => all.map(link => link.dataset.number)")
    text.first.focus()
    for key, (_, expected) in zip(("ArrowRight", "ArrowDown"), pairwise(inside), strict=False):
        page.keyboard.press(key)
        assert focused(page)["address"] == expected
    page.keyboard.press("Home")
    assert focused(page)["address"] == inside[0]


@pytest.mark.parametrize("name", TEAM_PAGES)
def test_each_table_and_text_is_one_stop_and_what_scrolls_is_reached(page, results, name):
    go(page, results, name)
    page.set_viewport_size({"width": 400, "height": 800})
    assert page.locator("p.keys").is_visible()
    stops = page.evaluate("""() => {
      const all = [...document.querySelectorAll("main a[data-number], main .places a")];
      const inTables = [...document.querySelectorAll("main table")].map(table =>
        [...table.querySelectorAll("a[data-number]")].filter(link => link.tabIndex === 0).length);
      const stops = all.filter(link => link.tabIndex === 0).length;
      return { all: all.length, inTables, stops }; }""")
    assert stops["all"] > 100
    assert stops["stops"] < stops["all"] / 5
    assert max(stops["inTables"]) == 1
    unreached = page.evaluate("""() => [...document.querySelectorAll(".scroll")]
      .filter(region => region.scrollWidth > region.clientWidth && region.tabIndex < 0
        && !region.querySelector("[tabindex='0']")).length""")
    assert unreached == 0


def test_without_scripts_numbers_are_plain_links(browser, results):
    with watched(browser, results, java_script_enabled=False) as page:
        go(page, results, "report")
        link = page.locator("main a.number").first
        assert link.get_attribute("tabindex") is None
        address = link.get_attribute("data-number")
        link.click()
        page.wait_for_url(ON_AUDIT_PAGE)
        assert page.locator(".entry :target").get_attribute("data-number") == address


@pytest.mark.parametrize("name", PAGES)
def test_a_narrow_window_scrolls_only_tables_and_drawings(page, results, name):
    """WCAG 2.2, 1.4.10: 320 pixels wide, the width of 1280 at a zoom of 400 %."""
    page.set_viewport_size({"width": 320, "height": 640})
    go(page, results, name)
    assert page.evaluate("document.scrollingElement.scrollWidth") <= 320


@pytest.mark.parametrize("name", ["report", "quality", "shareable/report"])
def test_in_print_nothing_is_cut_off_and_links_are_plain(page, results, name):
    page.set_viewport_size({"width": PRINTED_WIDTH, "height": 970})
    go(page, results, name)
    page.emulate_media(media="print")
    cut = page.evaluate("""width => [...document.querySelectorAll("main table, main svg, main p")]
      .filter(part => part.getBoundingClientRect().right > width + 1)
      .map(part => part.id || part.localName)""", PRINTED_WIDTH)  # fmt: skip
    assert cut == []
    links = page.evaluate("""() => [...document.querySelectorAll("main a")].map(link => {
      const own = getComputedStyle(link), around = getComputedStyle(link.parentElement);
      return [own.textDecorationLine, own.color === around.color].join(); })""")
    assert set(links) == {"none,true"}
    assert page.locator(".stamp").first.is_visible()
    assert page.locator("#cautions .caution").count() > 0
    assert not page.locator(".skip").is_visible()
    printed = page.pdf(prefer_css_page_size=True)
    assert printed.startswith(b"%PDF")
    assert len(re.findall(rb"/Type\s*/Page\b", printed)) > 5
