"""The shareable edition: no small count, nothing from which one follows, no way down to rows."""

import csv
import re
import shutil
import zipfile
from pathlib import Path

import pandas as pd
import pytest

from analysis.audit.check.edition import edition as tables_of_edition
from analysis.audit.check.finding import Files
from analysis.audit.study_folder import StudyFolder
from analysis.disclosure.follow_up import follow_up_tally
from analysis.disclosure.people import athletes_tally, variable_tally
from analysis.disclosure.shareable import shareable_estimates, without_numbers
from analysis.disclosure.sums import recoverable
from analysis.disclosure.suppression import is_small
from analysis.disclosure.tally import Tally
from analysis.estimates import rows_of
from analysis.report.checklist import checklists, unanswered
from analysis.report.ledger import Ledger
from analysis.report.numerals import HIDDEN
from analysis.report.shareable import build_shareable, faults_of_sharing, links_of
from shared.blinding import how_permuted
from shared.sources import ROOT
from shared.tables import write_table
from tests.unit import report_study as study

LIMIT = 11
ATHLETE = re.compile(r"\bA\d{4}\b")
ITEMS = ROOT / "analysis/report/checklists.yaml"


def build(
    folder: Path,
    estimates: pd.DataFrame,
    settings: dict = study.STUDY,
    freeze: dict = study.FROZEN,
) -> Path:
    how = how_permuted(settings)
    write_table(estimates, folder / "estimates.parquet", "estimates", outcomes=how)
    build_shareable(
        estimates=folder / "estimates.parquet",
        captions=sorted((ROOT / "analysis/report/captions").glob("*.rst")),
        guidelines=[ITEMS],
        folder=folder / "shareable",
        study=settings,
        processing=study.PROCESSING,
        plan=study.PLAN,
        freeze=freeze,
    )
    return folder / "shareable"


@pytest.fixture(scope="module")
def table() -> pd.DataFrame:
    return shareable_estimates(study.estimates(), study.PLAN, LIMIT)


@pytest.fixture(scope="module")
def edition(table, tmp_path_factory) -> Path:
    return build(tmp_path_factory.mktemp("edition"), table)


def whole_tally() -> Tally:
    """Every count of athletes that the study prints, with all sums between them, at once."""
    estimates = study.estimates()
    people = athletes_tally(estimates, study.PLAN)
    whole = people.joined(follow_up_tally(estimates, people, study.PLAN))
    for variable in rows_of(estimates, "table_one", "missing")["subject"].unique():
        whole = whole.joined(variable_tally(estimates, people, variable))
    return whole


def shown_places(table: pd.DataFrame) -> set[tuple[str, str]]:
    columns = ("estimate", "n_athletes", "n_events")
    return {
        (row["number_id"], column)
        for row in table.to_dict("records")
        for column in columns
        if not pd.isna(row[column])
    }


def test_the_sums_of_the_study_are_found():
    """A sum that is missed protects nothing, so the important ones are named here."""
    whole = whole_tally()
    found = {(item.total, frozenset(item.parts)) for item in whole.sums}
    sites = frozenset(f"site/{site}" for site in study.SITES)
    assert ("landmark", sites) in found
    for total, *parts in [
        ("enrolled", "remaining/no_clearance_visit", "excluded/no_clearance_visit"),
        ("landmark", "group/no_second_injury", "group/graft_rupture", "group/contralateral_tear"),
        ("landmark", "plan_group/female", "plan_group/male"),
        ("events/graft_rupture/all", "events/graft_rupture/female", "events/graft_rupture/male"),
        ("events/second_injury/all", "end/graft_rupture", "end/contralateral_tear"),
        ("at_risk/all/365", "at_risk/female/365", "at_risk/male/365"),
        ("at_risk/all/365", "at_risk/all/730", "leaving/all/730"),
        ("plan_group/female", "level/sex/female/all"),
        ("site/harbour", "level/site/harbour/all"),
        ("level/graft/hamstring/all", *(f"level/graft/hamstring/{group}" for group in
            ("no_second_injury", "graft_rupture", "contralateral_tear"))),
        ("known/graft/all", "level/graft/hamstring/all", "level/graft/patellar_tendon/all"),
    ]:  # fmt: skip
        assert (total, frozenset(parts)) in found, total


def test_no_small_count_of_athletes_can_be_worked_out(table):
    """All tables together: flow, Table 1, injuries by group, numbers at risk."""
    whole, shown = whole_tally(), shown_places(table)
    printed = {name for name, places in whole.places.items() if set(places) & shown}
    small = {name for name, count in whole.counts.items() if is_small(count, LIMIT)}
    assert len(small) > 30
    assert printed & small == set()
    assert recoverable(whole.sums, set(whole.counts) - printed) & small == set()
    assert len(printed) > 30


def test_the_cohort_and_its_large_parts_are_still_shown(table):
    held = table.set_index("number_id")["estimate"]
    assert held["flow.landmark_cohort.all.count"] == 148
    assert held["flow.outcome.graft_rupture.count"] == 16
    assert held["table_one.sex.all.female.count"] == 77
    ratios = rows_of(table, "cox_primary", "hazard_ratio")["estimate"]
    assert ratios.notna().all()


def test_no_field_of_any_row_is_a_small_count(table):
    for field in ("n_athletes", "n_events", "n_trials", "rows_dropped", "n_filled", "n_clipped"):
        assert not any(is_small(value, LIMIT) for value in table[field].dropna()), field
    people = table.loc[table["unit"].isin(["athletes", "recordings", "landings"])]
    assert not any(is_small(value, LIMIT) for value in people["estimate"].dropna())


def test_a_share_tells_no_small_count(table):
    shares = rows_of(table, "table_one", "share").dropna(subset=["estimate", "n_athletes"])
    assert len(shares) > 5
    for row in shares.to_dict("records"):
        part = round(row["estimate"] * row["n_athletes"])
        assert not is_small(part, LIMIT), row["number_id"]
        assert not is_small(row["n_athletes"] - part, LIMIT), row["number_id"]


def test_what_is_empty_was_emptied_and_says_so(table):
    original = study.estimates().set_index("number_id")
    for row in table.to_dict("records"):
        for field in row["hidden"].split():
            assert pd.isna(row[field])
    ledger = Ledger(table, "test")
    address = "flow.outcome.contralateral_tear.count"
    assert original.loc[address, "estimate"] == 10
    assert ledger.number(address, "count").display == HIDDEN


def test_a_limit_of_its_own_hides_less(table):
    fewer = shareable_estimates(study.estimates(), study.PLAN, 3)
    assert (fewer["hidden"] != "").sum() < (table["hidden"] != "").sum()
    held = fewer.set_index("number_id")["estimate"]
    assert held["flow.outcome.contralateral_tear.count"] == 10


def test_curves_are_known_at_the_times_of_the_plan_only(table):
    days = {0.0, *map(float, study.PLAN["cumulative_incidence"]["times_days"])}
    curve = table.loc[table["analysis"] == "cumulative_incidence_curve"]
    assert set(curve["time_days"].dropna()) <= days
    everything = study.estimates()
    steps = everything.loc[everything["analysis"] == "cumulative_incidence_curve"]
    assert len(set(steps["time_days"])) > len(days)


def test_notes_name_no_recording_and_count_nothing(table):
    assert not table["note"].str.contains(ATHLETE).any()
    reason = "4 events for 5 coefficients in 1,203 rows; 80 % power needs 10.5"
    assert without_numbers(reason) == (
        "some events for some coefficients in some rows; 80 % power needs 10.5"
    )


def test_the_edition_names_no_athlete_and_shows_no_small_number(edition):
    files = [path for path in sorted(edition.rglob("*")) if path.is_file()]
    assert {path.suffix for path in files} == {".html", ".csv", ".tex", ".docx", ".svg", ".png"}
    for path in files:
        assert not re.search(rb"\bA\d{4}\b", path.read_bytes()), path.name
    with (edition / "figures/flow.csv").open(encoding="utf-8") as stream:
        counts = [row["value"] for row in csv.DictReader(stream)]
    assert not any(is_small(float(count), LIMIT) for count in counts if count)
    with (edition / "tables/exclusions.csv").open(encoding="utf-8") as stream:
        cells = [cell for row in list(csv.reader(stream))[1:] for cell in row[1:]]
    assert cells
    assert not any(cell.isdigit() and is_small(int(cell), LIMIT) for cell in cells)


def test_nothing_leads_down_to_rows(edition):
    page = (edition / "report.html").read_text(encoding="utf-8")
    assert "data-number" not in page
    assert "<script" not in page
    assert faults_of_sharing(page, edition) == []
    for word in ("quality.html", "flagged.html", "audit", "waveforms_"):
        assert not any(word in target for target in links_of(page)), word
    assert "shareable</b> edition: small counts are hidden" in page
    assert "for the study team only" not in page


@pytest.mark.parametrize("target", ["../quality.html", "flagged.html", "https://example.org/"])
def test_a_link_out_of_the_edition_is_a_fault(edition, target):
    (edition.parent / "quality.html").write_text("rows", encoding="utf-8")
    assert faults_of_sharing(f'<a href="{target}">more</a>', edition) != []


def test_each_item_of_the_checklists_is_answered_or_left_to_the_author(edition):
    lists = checklists(ITEMS)
    assert [[item.item for item in part.items] for part in lists] == [
        [str(number) for number in range(1, 23)],
        [str(number) for number in range(1, 21)],
    ]
    page = (edition / "checklist.html").read_text(encoding="utf-8")
    report = (edition / "report.html").read_text(encoding="utf-8")
    ids = set(re.findall(r'\bid="([^"]+)"', report))
    targets = [target for target in links_of(page) if target.startswith("report.html#")]
    answered = [item.where for part in lists for item in part.items if item.where]
    assert [target.partition("#")[2] for target in targets] == answered
    assert set(answered) <= ids
    assert unanswered(lists, ["brief"]) != []


def test_each_table_comes_as_latex_and_in_word(edition):
    docx = pytest.importorskip("docx")
    document = docx.Document(str(edition / "tables/tables.docx"))
    tables = sorted(edition.glob("tables/*.tex"))
    assert len(document.tables) == len(tables) > 20
    with (edition / "tables/hazard_ratios.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.reader(stream))
    latex = (edition / "tables/hazard_ratios.tex").read_text(encoding="utf-8")
    assert latex.count(r" \\") == len(rows)
    written = next(
        table for table in document.tables if table.rows[0].cells[0].text == rows[0][0]
        and [cell.text for cell in table.rows[0].cells] == rows[0]
    )  # fmt: skip
    for line, row in zip(written.rows, rows, strict=True):
        if any(row[1:]):
            assert [cell.text for cell in line.cells] == row


def in_a_study(edition: Path, root: Path) -> Path:
    """Copy the edition to where a study has it; return the results folder."""
    shutil.copytree(edition, root / "results/report/shareable")
    return root / "results"


def in_word(folder: Path) -> None:
    """Change one cell of the Word file."""
    path = folder / "tables/tables.docx"
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    text = parts["word/document.xml"].decode()
    cell = re.search(r"<w:tc>(?:(?!</w:tc>).)*?>([0-9.]+)</w:t>", text, re.S)
    changed = text[: cell.start(1)] + "17171" + text[cell.end(1) :]
    with zipfile.ZipFile(path, "w") as archive:
        for name, content in {**parts, "word/document.xml": changed.encode()}.items():
            archive.writestr(name, content)


def in_text(name: str, pattern: str):
    def change(folder: Path) -> None:
        text = (folder / name).read_text(encoding="utf-8")
        changed = re.sub(pattern, r"\g<1>17171", text, count=1)
        assert changed != text
        (folder / name).write_text(changed, encoding="utf-8")

    return change


@pytest.mark.parametrize(
    ("change", "place"),
    [
        (in_word, "tables.docx"),
        (in_text("tables/hazard_ratios.tex", r"(& )[0-9]+\.[0-9]+"), "hazard_ratios.tex"),
        (in_text("tables/hazard_ratios.csv", r"(,)[0-9]+\.[0-9]+"), "hazard_ratios.csv"),
        (in_text("report.html", r'(table-hazard_ratios[\s\S]*?class="number">)[0-9.]+'), "hazard"),
        (lambda folder: (folder / "tables/hazard_ratios.tex").unlink(), "tables.docx"),
    ],
)
def test_all_forms_of_a_table_say_the_same_and_a_changed_one_is_found(
    edition, tmp_path, change, place
):
    results = in_a_study(edition, tmp_path)
    files = Files(StudyFolder(results))
    assert list(tables_of_edition(files)) == []
    change(results / "report/shareable")
    found = list(tables_of_edition(files))
    assert found
    assert place in found[0].place
