"""The page: whole, alone, honest about what was not run, and true to its ledger."""

import re
from pathlib import Path

import pandas as pd
import pytest

from analysis.estimates import Estimates, estimates_table
from analysis.labels import analysis_words, sentence_case
from analysis.report.build import ReportError, build_report, optional_measurements
from analysis.report.cautions import CAUTIONS, FOOTER, as_markdown
from analysis.report.check import check_table, read_page
from analysis.report.checklist import ITEMS, build_checklist
from analysis.report.context import Context
from analysis.report.links import AUDIT_PAGE
from analysis.report.methods import methods
from analysis.report.quality_page import TABLES as QUALITY_TABLES
from analysis.report.quality_page import build_quality_page
from analysis.report.standing import standings
from analysis.report.versions import software_versions
from analysis.tables.write import TABLES, write_tables
from shared.blinding import how_permuted
from shared.sources import ROOT
from shared.tables import read_table, write_table
from tests.unit import report_study as study
from tests.unit.page_outline import Outline
from tests.unit.test_figures import FIGURES, PRINTS_NUMBERS

ABSENT = ("agreement_percent_errors", "not_run", "known_groups", "native_rate", "asymmetry_indexes")
"""Tables without rows in the invented study: its landing metric with both limbs is an angle."""

CAPTIONS = sorted((ROOT / "analysis/report/captions").glob("*.rst"))


def make(folder: Path, estimates: pd.DataFrame, study_settings: dict, freeze: dict) -> Path:
    how = how_permuted(study_settings)
    write_table(estimates, folder / "estimates.parquet", "estimates", outcomes=how)
    write_table(study.summaries(study.cohort()), folder / "summaries.parquet", "summaries")
    for name, table in zip(("waveforms", "landings", "metrics"), study.waveforms(), strict=True):
        table.to_parquet(folder / f"{name}.parquet")
    for step in FIGURES.values():
        step(folder, folder)
    settings = {"study": study_settings, "processing": study.PROCESSING, "plan": study.PLAN}
    write_tables(
        estimates=folder / "estimates.parquet",
        tables=[folder / f"tables/{name}.csv" for name in TABLES],
        fragments=[folder / f"tables/{name}.html" for name in TABLES],
        numbers=folder / "numbers_of_tables.parquet",
        **settings,
    )
    build_quality_page(
        fragments=[folder / f"tables/{name}.html" for name in QUALITY_TABLES],
        numbers=folder / "numbers_of_tables.parquet",
        estimates=folder / "estimates.parquet",
        figures=[folder / "residual_analysis.svg"],
        captions=[path for path in CAPTIONS if path.stem == "residual_analysis"],
        page=folder / "quality.html",
        **settings,
    )
    build_checklist(
        page=folder / "checklist.html",
        guidelines=[ITEMS],
        report="report.html",
        study=study_settings,
    )
    build(folder, freeze=freeze, **settings)
    return folder


def build(folder: Path, **settings) -> None:
    build_report(
        estimates=folder / "estimates.parquet",
        figures=[folder / f"{name}.svg" for name in FIGURES],
        captions=CAPTIONS,
        fragments=[folder / f"tables/{name}.html" for name in TABLES],
        numbers=[
            folder / "numbers_of_tables.parquet",
            *(folder / f"{name}.parquet" for name in PRINTS_NUMBERS),
        ],
        report=folder / "report.html",
        ledger=folder / "ledger.parquet",
        **settings,
    )


@pytest.fixture(scope="module")
def demo(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("demo")
    return make(folder, study.estimates(), study.STUDY, study.FROZEN)


@pytest.fixture(scope="module")
def unfrozen(tmp_path_factory) -> Path:
    """A study that is no demo and whose plan is not frozen."""
    folder = tmp_path_factory.mktemp("unfrozen")
    own = {**study.STUDY, "demo": None}
    return make(folder, study.estimates(with_outcomes=False), own, study.NOT_FROZEN)


def page_of(folder: Path) -> str:
    return (folder / "report.html").read_text(encoding="utf-8")


def words_of(page: str) -> str:
    without_style = re.sub(r"<style.*?</style>", "", page, flags=re.DOTALL)
    return " ".join(re.sub(r"<[^>]+>", " ", without_style).split())


@pytest.mark.parametrize("name", ["demo", "unfrozen"])
def test_every_number_on_the_page_is_in_the_ledger_and_every_entry_is_printed(name, request):
    folder = request.getfixturevalue(name)
    reader = read_page(page_of(folder))
    ledger = read_table(folder / "ledger.parquet")
    assert reader.strays == []
    assert len(reader.numbers) > 50
    shown = {address for address, _ in reader.numbers}
    assert shown <= set(ledger["ledger_id"])
    if name == "demo":
        quality = read_page((folder / "quality.html").read_text(encoding="utf-8"))
        shown |= {address for address, _ in quality.numbers}
        assert set(ledger["ledger_id"]) == shown
    assert ledger["ledger_id"].is_monotonic_increasing


def test_a_number_typed_into_a_figure_a_table_or_a_caption_stops_the_report(demo, tmp_path):
    settings = {
        "study": study.STUDY,
        "processing": study.PROCESSING,
        "plan": study.PLAN,
        "freeze": study.FROZEN,
    }
    changes = {
        "flow.svg": (">150<", ">151<"),
        "tables/hazard_ratios.html": (" (", " 0.99 ("),
        "tables/findings.html": ("Found", "Found in 3"),
        "tables/not_run.html": ('data-exempt="reason">', 'data-exempt="reason">Events: 417, '),
    }
    for name, (before, after) in changes.items():
        file = demo / name
        whole = file.read_text(encoding="utf-8")
        assert before in whole
        file.write_text(whole.replace(before, after, 1), encoding="utf-8")
        page = page_of(demo)
        with pytest.raises(ReportError):
            build(demo, **settings)
        assert page_of(demo) == page  # a page that fails its check is not written
        file.write_text(whole, encoding="utf-8")
    build(demo, **settings)


def test_built_again_the_page_has_the_same_bytes(demo, tmp_path):
    again = make(tmp_path, study.estimates(), study.STUDY, study.FROZEN)
    for name in ("report.html", "ledger.parquet", *(f"tables/{table}.csv" for table in TABLES)):
        assert (demo / name).read_bytes() == (again / name).read_bytes(), name


def test_a_study_with_hardly_an_event_has_a_page_too(tmp_path):
    """Fourteen athletes: no contralateral tear, and no graft rupture in one of the groups."""
    estimates = study.estimates(count=14)
    refused = estimates.loc[estimates["quantity"] == "not_run"]
    assert len(refused) > 3
    page = page_of(make(tmp_path, estimates, study.STUDY, study.FROZEN))
    assert (refused["note"] == "no event of this kind").sum() > 3
    table = words_of(page[page.index('id="table-not_run"') :].partition("</table>")[0])
    for note in refused["note"].unique():
        if re.search("[a-z]_[a-z]", note):
            continue  # names stand in place of its codes: test_no_code_is_printed_...
        assert table.count(sentence_case(note)) == 1, note  # each reason once, for all it kept
    for analysis in refused["analysis"].unique():
        assert analysis_words(analysis).lower() in table.lower(), analysis
    # Whom a reason kept out stands beside it: the groups without an event, by name.
    reason = "No event of this kind"
    beside = table[table.index(reason) + len(reason) :]
    for group in ("female", "male"):
        assert group in beside


@pytest.mark.parametrize("name", TABLES)
def test_tables_are_the_same_as_csv_and_on_the_page(demo, name):
    fragment = demo / f"tables/{name}.html"
    shown = fragment.read_text(encoding="utf-8")
    assert "<caption>" in shown or name in ABSENT
    if "<caption>" in shown:
        assert check_table(demo / f"tables/{name}.csv", fragment) == []


def test_the_page_is_alone(demo):
    page = page_of(demo)
    links = set(re.findall(r"https?://[^\"' )<]+", page))
    assert links <= {"http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"}
    assert page.count("<script") == page.count("<script>") == 1  # keyboard.js, inside the page
    assert "@import" not in page
    assert not re.search(r"<(link|img|iframe|object)\b", page)
    assert len(page) < 5_000_000
    targets = set(re.findall(r'<a [^>]*href="([^"#]+)', page))
    targets.remove(AUDIT_PAGE)  # made from this page
    assert targets
    assert all((demo / target).is_file() for target in targets)


def test_cautions_stand_on_the_page_whole(demo):
    text = words_of(page_of(demo))
    for caution in CAUTIONS:
        for line in caution.lines:
            assert line in text
    assert FOOTER in text
    assert f'@bottom-left {{ content: "RESTRICTED edition. {FOOTER}"' in page_of(demo)  # on paper
    for word in ("licensed clinicians", "ethics committee", "not a medical device", "withdraws"):
        assert word in text.lower()
    assert all(line in as_markdown() for caution in CAUTIONS for line in caution.lines)


def test_edition_and_demo_are_stamped(demo, unfrozen):
    assert "restricted edition: for the study team only" in words_of(page_of(demo)).lower()
    assert "invented data, no real person" in words_of(page_of(demo))
    assert "invented data, no real person" not in words_of(page_of(unfrozen))


def test_an_unfrozen_plan_shows_no_association_and_says_why(unfrozen):
    text = words_of(page_of(unfrozen))
    assert "The plan is not frozen." in text
    assert text.count("Not run: the plan is not frozen") == 3  # incidence, hazards, prediction
    assert "hazard ratio per standard deviation of each primary metric" not in text
    ledger = read_table(unfrozen / "ledger.parquet")
    assert not ledger["number_id"].str.startswith(("cox_", "cumulative_incidence")).any()
    method = text.partition("This text is generated from the settings")[2]
    for part in ("cause-specific Cox models", "Aalen and Johansen", "Prediction was exploratory"):
        assert part not in method


def test_what_is_only_in_the_demo_is_absent_elsewhere(demo, unfrozen):
    assert "Planted and found" in words_of(page_of(demo))
    assert "planted" not in words_of(page_of(unfrozen)).lower()


def test_no_athlete_is_named_and_none_is_judged(demo):
    # A picture in base64 is no text: any letters may stand in a row there.
    page = re.sub(r"data:image/png;base64,[^\"]*", "", page_of(demo))
    assert re.search(r"A\d{4}", page) is None
    sections = [words_of(page).lower()]
    for word in ("high risk", "low risk", "risk score", "passed", "failed the", "cut-off of"):
        assert all(word not in text for text in sections), word


def test_a_changed_plan_lists_its_differences(demo, tmp_path):
    changed = {
        **study.FROZEN,
        "status": "changed",
        "differences": ["plan.horizon_days: 730.0 -> 365.0"],
    }
    logged = {
        **study.FROZEN,
        "deviations": [{"date": "2026-04-01", "reason": "fewer visits", "changes": "x: 1 -> 2"}],
    }
    settings = {"study": study.STUDY, "processing": study.PROCESSING, "plan": study.PLAN}
    build(demo, freeze=changed, **settings)
    assert "plan.horizon_days: 730.0 -&gt; 365.0" in page_of(demo)
    build(demo, freeze=logged, **settings)
    assert "2026-04-01: fewer visits" in words_of(page_of(demo))
    build(demo, freeze=study.FROZEN, **settings)
    assert study.FROZEN["hash"] in page_of(demo)


def test_each_analysis_stands_once_as_pre_specified_exploratory_or_descriptive(demo):
    """Against the estimates: the families of each analysis, counted by pandas."""
    estimates = study.estimates()
    families = estimates.groupby("analysis")["family"].agg(set)
    found = {part.heading: [str(name) for name in part.analyses] for part in standings(estimates)}
    assert found["Primary"] == ["primary hazard models"]
    for heading in ("Secondary", "Exploratory", "Descriptive"):
        for analysis, family in families.items():
            strongest = next(f for f in ("primary", "secondary", "exploratory", "descriptive")
                             if f in family)  # fmt: skip
            assert (analysis_words(analysis) in found[heading]) == (strongest == heading.lower())
    text = words_of(page_of(demo)).partition("Pre-specified and exploratory analyses")[2]
    for names in found.values():
        for name in names:
            assert name in text
    with pytest.raises(ValueError, match="unknown families"):
        standings(estimates.assign(family="tertiary"))


@pytest.mark.parametrize("name", ["demo", "unfrozen"])
def test_the_page_can_be_read_without_seeing_it(name, request):
    outline = Outline()
    outline.feed(page_of(request.getfixturevalue(name)))
    assert outline.levels[0] == 1
    assert outline.levels.count(1) == 1
    steps = zip(outline.levels, outline.levels[1:], strict=False)
    assert all(after - before <= 1 for before, after in steps)
    assert outline.landmarks == ["header", "nav", "main", "footer"]
    assert outline.tables == outline.captions >= 5
    assert outline.unscoped == 0
    assert all(role == "img" and len(label) > 60 for role, label in outline.images)
    assert len(outline.images) >= 3
    assert set(outline.targets) <= set(outline.ids)
    assert len(outline.ids) == len(set(outline.ids))
    assert outline.language == "en"
    assert outline.scrolling == outline.scrolling_by_keyboard  # what scrolls can be focused
    assert outline.scrolling >= outline.tables


@pytest.mark.parametrize("name", ["demo", "unfrozen"])
def test_the_contents_name_every_section_in_the_order_of_the_page(name, request):
    outline = Outline()
    outline.feed(page_of(request.getfixturevalue(name)))
    linked = [target for target in outline.contents if target != "content"]
    assert linked == outline.sections
    assert outline.sections[:4] == ["brief", "reading", "flow", "sensors"]  # the answer first
    assert outline.sections.index("hazards") < outline.sections.index("sensitivity")
    assert outline.sections.index("sensitivity") < outline.sections.index("quality")


def test_tables_and_figures_are_numbered_in_the_order_of_the_page(demo):
    page = page_of(demo)
    tables = re.findall(r"<b>Table <span[^>]*>(\d+)</span>", page)
    assert [int(number) for number in tables] == list(range(1, len(tables) + 1))


def test_no_code_is_printed_where_a_name_belongs(demo):
    drawn = re.sub(r"<svg.*?</svg>", "", page_of(demo), flags=re.DOTALL)
    quality = (demo / "quality.html").read_text(encoding="utf-8")
    for page in (drawn, re.sub(r"<svg.*?</svg>", "", quality, flags=re.DOTALL)):
        codes = set(re.findall(r"\b[a-z]+_[a-z0-9_]+\b", words_of(page)))
        # A folder and the pseudonym of a device unit: to be found by their names.
        assert codes <= {"r_bundle", "unit_2"}


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.2, definitions) of a colour such as #0b5578."""
    shares = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [s / 12.92 if s <= 0.04045 else ((s + 0.055) / 1.055) ** 2.4 for s in shares]
    return sum(w * value for w, value in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


def contrast(one: str, other: str) -> float:
    """Contrast ratio of WCAG 2.2: 21 for black on white."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_text_and_focus_stand_out():
    """WCAG 2.2: 4.5 for text (criterion 1.4.3), 3 for what shows the focus (1.4.11)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    style = (ROOT / "analysis/report/page/style.css").read_text(encoding="utf-8")
    colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", style))
    for name in ("ink", "quiet", "accent", "warn"):
        for paper in ("#ffffff", colours["pale"], "#fbf5f5"):
            assert contrast(colours[name], paper) >= 4.5, (name, paper)
    focus = re.search(r":focus-visible[^{]*{\s*outline: (\d)px solid var\(--(\w+)\)", style)
    assert int(focus[1]) >= 2
    assert contrast(colours[focus[2]], "#ffffff") >= 3


def test_methods_describe_only_what_ran():
    arguments = (study.STUDY, study.PROCESSING, study.PLAN)
    nothing = [group.heading for group in methods(*arguments, frozenset())]
    assert "Statistical analysis" not in nothing
    only_limbs = methods(*arguments, frozenset({"limb_difference"}))[-1]
    assert only_limbs.heading == "Statistical analysis"
    assert len(only_limbs.paragraphs) == 1
    assert "mixed models" in only_limbs.paragraphs[0]


def test_gravity_is_in_the_methods_only_where_it_held_an_angle(demo):
    arguments = (study.STUDY, study.PROCESSING, study.PLAN)
    said = "their inclination held the knee angle by a complementary filter"
    assert said in str(methods(*arguments, frozenset({"tilt_corrected"}))[0].paragraphs)
    assert said not in words_of(page_of(demo))
    found = Estimates("nuisances")
    found.add("tilt_corrected", "all", "count", 12, unit="recordings")
    with_it = pd.concat([study.estimates(), estimates_table(found)], ignore_index=True)
    context = Context(with_it, study.STUDY, study.PROCESSING, study.PLAN)
    assert "tilt_corrected" in optional_measurements(context)
    without = Context(study.estimates(), *arguments)
    assert "tilt_corrected" not in optional_measurements(without)


def test_calibrations_are_in_the_methods_only_where_the_study_has_them():
    arguments = (study.STUDY, study.PROCESSING, study.PLAN)
    bench, session = Estimates("quality_bench"), Estimates("quality_calibrations")
    bench.add(("unit", "accelerometer", "six_orientations"), "calibrations", "count", 2)
    session.add(("harbour", "unit", "gyro", "standing_end"), "calibrations", "count", 9)
    table = pd.concat([estimates_table(bench), estimates_table(session)], ignore_index=True)
    done = optional_measurements(Context(table, *arguments))
    assert done == {"six_orientations", "standing_end"}
    text = str(methods(*arguments, done)[0].paragraphs)
    limit = study.PROCESSING["calibration"]["unit_longest_age_days"]
    assert "six known orientations" in text
    assert re.search(rf">{limit:g}</span> days old", text)
    assert "ran straight from its value at the start" in text
    for absent in ("poses by hand", "known masses", "known angles", "slow knee flexions"):
        assert absent not in text
    both = str(methods(*arguments, done | {"known_rotation"})[0].paragraphs)
    assert both.count("days old") == 1  # said once, whatever the kinds
    assert "days old" not in str(methods(*arguments, frozenset({"standing_end"}))[0].paragraphs)


def test_the_onset_of_movement_is_described_only_where_athletes_jump_from_rest():
    arguments = (study.PROCESSING, study.PLAN, frozenset())
    without = {name: x for name, x in study.STUDY["tasks"].items() if "jump" not in name}
    said = "The movement of a jump from rest began"
    assert said in str(methods(study.STUDY, *arguments)[0].paragraphs)
    assert said not in str(methods(study.STUDY | {"tasks": without}, *arguments)[0].paragraphs)


def test_the_page_describes_every_analysis_that_it_shows(demo):
    text = words_of(page_of(demo))
    for part in (
        "linear mixed models",
        "cause-specific Cox models",
        "Aalen and Johansen",
        "regression calibration",
        "penalty of Firth",
        "a second time by a general-purpose library",
    ):
        assert part in text.partition("Statistical analysis")[2], part


def test_methods_follow_the_settings():
    changed = {**study.PROCESSING, "filtering": {**study.PROCESSING["filtering"], "force_hz": 73.5}}
    text = str(methods(study.STUDY, changed, study.PLAN, frozenset())[0].paragraphs)
    assert "73.5" in text
    assert "73.5" not in str(methods(study.STUDY, study.PROCESSING, study.PLAN, frozenset()))


def test_the_windows_in_the_methods_are_those_of_the_settings():
    windows = {**study.PROCESSING["windows"], "waist_peak_s": 0.135}
    changed = {**study.PROCESSING, "windows": windows}
    text = str(methods(study.STUDY, changed, study.PLAN, frozenset())[1].paragraphs)
    assert "within 135 ms of initial contact" in text
    assert "{" not in text


def test_the_methods_read_well_without_covariates():
    plan = {**study.PLAN, "cox": {**study.PLAN["cox"], "covariates": []}}
    ran = frozenset({"limb_difference", "hazards"})
    text = str(methods(study.STUDY, study.PROCESSING, plan, ran)[-1].paragraphs)
    assert "adjusted for site and visit." in text
    assert "adjusted for ;" not in text
    assert "any second injury, stratified by site; tied times" in text


def test_software_versions_are_those_of_the_environment():
    import numpy

    versions = dict(software_versions())
    assert versions["numpy"] == numpy.__version__
    assert all(versions.values())


def test_each_figure_has_a_caption_for_the_workflow_report_too():
    names = {path.stem for path in CAPTIONS}
    needed = {"waveforms" if name.startswith("waveforms") else name for name in FIGURES}
    assert needed | {"tables", "report", "problems"} <= names
    for path in CAPTIONS:
        assert not re.search(r"[0-9]", path.read_text(encoding="utf-8")), path.name
