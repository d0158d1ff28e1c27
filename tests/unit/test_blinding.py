"""A blinded run: its setting, its folder, what it may do that a true one may not, and its pages."""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import yaml
from PIL import Image, ImageChops

from analysis.cohort.analysis_set import reason_not_to_run
from analysis.export.ro_crate import export_crate
from analysis.models.planted import PERMUTED, reason_not_to_compare
from analysis.report.page import render
from analysis.tables.journal import JournalTable, Row, as_csv, as_html, with_mark
from pipeline import run_study, withdraw
from shared.blinding import (
    KEY,
    how_permuted,
    how_permuted_in,
    mark,
    mark_in,
    mark_of,
    seed_of_results,
    stop_if_other_kind,
)
from shared.errors import StudyError
from shared.freeze import status_of
from shared.settings.load import load_settings, with_blinding
from shared.settings.study import StudySettings
from shared.sources import ROOT
from shared.tables import empty_table, read_metadata, read_table, write_table
from tests.tiny_study import marked
from tests.unit import cohort_tables, test_report_page, test_shareable
from tests.unit import report_study as study
from tests.unit.test_figures import FIGURES

SEED = 20260401
WORDS = "BLINDED: outcomes permuted (seed 20260401); no result is real"
BLINDED = {**study.STUDY, "blinded": {"seed": SEED, "smallest_group": 10}}
NOT_FROZEN = {**study.NOT_FROZEN, "blinded": True}


def test_the_words_and_the_metadata():
    assert mark(SEED) == mark_of(BLINDED) == WORDS
    assert mark(None) == mark_of(study.STUDY) == how_permuted(study.STUDY) == ""
    assert how_permuted(BLINDED) == "permuted, seed 20260401"


@pytest.mark.parametrize(
    ("block", "words"),
    [
        ({"seed": -1}, "greater than or equal to 0"),
        ({"seed": "7"}, "valid integer"),
        ({"seed": True}, "valid integer"),
        ({"sead": 7}, "sead"),
        ({}, "required"),
        ({"seed": 7, "smallest_group": 1}, "greater than or equal to 2"),
    ],
)
def test_a_block_that_is_wrong_is_refused(block, words):
    with pytest.raises(ValueError, match=words):
        StudySettings.model_validate({**study.STUDY, "blinded": block})


def test_results_lie_apart_and_the_seed_may_come_from_the_command():
    settings = load_settings(ROOT / "config")
    blinded = with_blinding(settings, SEED)
    assert settings.results_folder.name == "results"
    assert blinded.results_folder == settings.results_folder.with_name("results_blinded")
    assert with_blinding(blinded, SEED).study == blinded.study
    assert with_blinding(settings, None) is settings
    with pytest.raises(StudyError, match="leave the seed out of the command"):
        with_blinding(blinded, SEED + 1)
    with pytest.raises(StudyError, match="zero or more"):
        with_blinding(settings, -3)


def _with_outcomes(results: Path, how: str) -> Path:
    path = results / "intake" / "outcomes.parquet"
    write_table(empty_table("outcomes"), path, "outcomes", outcomes=how)
    return results


def test_blinded_and_true_results_never_share_a_folder(tmp_path):
    stop_if_other_kind(tmp_path, BLINDED)
    true = _with_outcomes(tmp_path / "true", "")
    permuted = _with_outcomes(tmp_path / "permuted", "permuted, seed 7")
    assert (seed_of_results(true), seed_of_results(permuted)) == (None, 7)
    stop_if_other_kind(true, study.STUDY)
    stop_if_other_kind(permuted, BLINDED)  # another seed: made again
    with pytest.raises(StudyError, match="results of a run of the true outcomes"):
        stop_if_other_kind(true, BLINDED)
    with pytest.raises(StudyError, match="results of a blinded run"):
        stop_if_other_kind(permuted, study.STUDY)


def test_tables_of_different_seeds_do_not_mix(tmp_path):
    folders = [_with_outcomes(tmp_path / n, f"permuted, seed {n}") for n in ("7", "8")]
    paths = [folder / "intake" / "outcomes.parquet" for folder in folders]
    assert how_permuted_in(paths[:1]) == "permuted, seed 7"
    assert mark_in(tmp_path / "nothing.parquet", paths[0]) == mark(7)
    with pytest.raises(ValueError, match="different blinded runs"):
        how_permuted_in(paths)


def test_only_a_blinded_run_goes_without_a_frozen_plan(tmp_path):
    assert reason_not_to_run(study.NOT_FROZEN)
    assert reason_not_to_run(NOT_FROZEN) == ""
    config = tmp_path / "config"
    shutil.copytree(ROOT / "config", config, ignore=shutil.ignore_patterns("environment"))
    text = (config / "plan.yaml").read_text(encoding="utf-8")
    plan = yaml.safe_load(text)
    (config / "plan.yaml").write_text(yaml.safe_dump({**plan, "seed": 5}))
    true, blinded = load_settings(config), with_blinding(load_settings(config), SEED)
    assert status_of(true).status == status_of(blinded).status == "changed"
    assert "blinded" not in status_of(true).as_dict()
    with pytest.raises(SystemExit, match="changed after it was frozen"):
        run_study.stop_if_plan_changed(true, config)
    run_study.stop_if_plan_changed(blinded, config)
    assert run_study._opening_lines(true) == ""
    assert run_study._opening_lines(blinded).startswith(f"{WORDS}.\nThe plan is being changed")
    assert run_study._closing_lines(blinded, 1.0).splitlines()[-1] == WORDS
    assert "BLINDED" not in run_study._closing_lines(true, 1.0)


def test_outcomes_are_joined_and_what_is_made_of_them_says_so(tmp_path):
    """Not frozen: the true cohort has no outcomes, the blinded one has, and passes its mark on."""
    rng = np.random.default_rng(3)
    people = cohort_tables.athletes(40, rng)
    ends = cohort_tables.outcomes(people, rng)
    values = cohort_tables.trials(people, cohort_tables.all_predictors(), rng)
    for name, freeze in (("true", study.NOT_FROZEN), ("blinded", NOT_FROZEN)):
        folder = tmp_path / name
        paths = cohort_tables.write_study(folder, people, ends, values)
        if name == "blinded":
            write_table(ends, paths["outcomes"], "outcomes", outcomes=how_permuted(BLINDED))
        _cohort(folder, paths, freeze)
    true, blinded = (read_table(tmp_path / n / "cohort.parquet") for n in ("true", "blinded"))
    assert (true["event"] == "").all()
    assert (blinded["event"] != "").all()
    for table in ("cohort", "exclusions", "filled", "imputation"):
        assert KEY not in read_metadata(tmp_path / "true" / f"{table}.parquet")
        how = read_metadata(tmp_path / "blinded" / f"{table}.parquet")[KEY]
        assert how == "permuted, seed 20260401"


def _cohort(folder: Path, paths: dict[str, Path], freeze: dict) -> None:
    from analysis.cohort.landmark import build_cohort
    from analysis.models.impute_cohort import impute_cohort

    settings = {"plan": cohort_tables.plan(), "study": cohort_tables.study(), "freeze": freeze}
    names = ("athletes", "visits", "outcomes", "exposure", "summaries")
    build_cohort(
        **{name: paths[name] for name in names},
        cohort=folder / "cohort.parquet",
        exclusions=folder / "exclusions.parquet",
        minimum_valid_trials=2,
        **settings,
    )
    impute_cohort(
        cohort=folder / "cohort.parquet",
        metrics=paths["metrics"],
        filled=folder / "filled.parquet",
        estimates=folder / "imputation.parquet",
        **settings,
    )


def test_a_table_carries_the_mark_wherever_it_is_taken():
    table = JournalTable("a", "A table", ("x", "y"), (Row(("one", "two")),))
    assert with_mark(table, "") is table
    found = with_mark(table, WORDS)
    assert as_csv(found).splitlines() == ["x,y", f"{WORDS},", "one,two"]
    assert as_html(found, 1).count(WORDS) == 1
    assert with_mark(JournalTable("a", "A", ("x",), (), absent="none"), WORDS).rows == ()


def test_no_page_is_without_the_mark_even_a_new_one():
    """The words are put in where all pages are made; content that does not know is refused."""
    content = {
        "title": "T", "edition": "restricted", "is_demo": False, "lists": [], "headings": {},
        "report": "report.html", "footer": "",
    }  # fmt: skip
    with pytest.raises(KeyError, match="blinded"):
        render("checklist.jinja", content)
    assert "linded" not in render("checklist.jinja", {**content, "blinded": ""})
    page = render("checklist.jinja", {**content, "blinded": WORDS})
    assert page.count(WORDS) == 4  # the banner, and three times across
    assert page.index('class="blinded"') < page.index("Skip to the content")


def _luminance(colour: list[float]) -> float:
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in colour]
    return float(sum(w * c for w, c in zip((0.2126, 0.7152, 0.0722), linear, strict=True)))


def test_the_words_across_leave_the_text_its_contrast():
    """Against contrast 4.5 of WCAG 2.2, success criterion 1.4.3, by its formula (from memory)."""
    css = (ROOT / "analysis/report/page/style.css").read_text(encoding="utf-8")
    own = (ROOT / "analysis/report/page/blinded.jinja").read_text(encoding="utf-8")
    share = max(float(value) for value in re.findall(r"fill-opacity: (\.\d+)", own))
    named = dict(re.findall(r"--(\w+): #(\w{6})", css))
    colours = {n: [int(c[k : k + 2], 16) / 255 for k in (0, 2, 4)] for n, c in named.items()}
    for text in ("ink", "quiet", "accent", "warn"):
        for ground in ([1.0, 1.0, 1.0], colours["pale"]):
            behind, above = (
                [(1 - share) * own + share * over
                 for own, over in zip(colour, colours["warn"], strict=True)]
                for colour in (ground, colours[text])
            )  # fmt: skip
            # The worst case: words behind the letter, and none on it, or the other way round.
            for letter in (above, colours[text]):
                darker, lighter = sorted((_luminance(letter), _luminance(behind)))
                assert (lighter + 0.05) / (darker + 0.05) >= 4.5, text


OF_THE_TEAM = ("distributions", "waveforms_drop_vertical_jump", "residual_analysis", "agreement",
               "contact_lag", "force_model")  # fmt: skip
"""Figures that the shareable edition does not have."""


@pytest.fixture(scope="module")
def products(tmp_path_factory):
    """The shareable edition of the invented study, and the figures that only the team has."""
    inputs, folder = tmp_path_factory.mktemp("inputs"), tmp_path_factory.mktemp("blinded")
    found = study.estimates()
    # As `compare_with_truth` gives them in a blinded run.
    found = found.loc[found["analysis"] != "planted_effects"].reset_index(drop=True)
    edition = test_shareable.build(inputs, found, BLINDED, NOT_FROZEN)
    shutil.copytree(edition, folder / "shareable")
    write_table(study.summaries(study.cohort()), inputs / "summaries.parquet", "summaries")
    for name, table in zip(("waveforms", "landings", "metrics"), study.waveforms(), strict=True):
        table.to_parquet(inputs / f"{name}.parquet")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(study, "STUDY", BLINDED)
        for name in OF_THE_TEAM:
            FIGURES[name](inputs, inputs)
            for path in inputs.glob(f"{name}.*"):
                shutil.copy(path, folder)
    return folder


def test_every_product_of_a_blinded_study_says_so(products):
    assert marked.unmarked(products) == []
    assert marked.seeds_named(products) == {str(SEED)}
    kinds = {path.suffix for path in marked.products(products)}
    assert kinds == {".html", ".csv", ".svg", ".png", ".tex", ".docx", ".parquet"}


def test_a_product_without_the_mark_is_found(products, tmp_path):
    """The walk itself: it names a page, a picture and a table from which the mark was taken."""
    copied = shutil.copytree(products, tmp_path / "copied")
    names = (
        "shareable/report.html",
        "agreement.svg",
        "agreement.csv",
        "shareable/tables/rates.tex",
    )
    for name in names:
        text = (copied / name).read_text(encoding="utf-8")
        (copied / name).write_text(text.replace("BLINDED", "blinded"), encoding="utf-8")
    assert marked.unmarked(copied) == sorted(names)


def test_the_page_of_a_blinded_study_says_how_its_plan_stands(products):
    page = (products / "shareable/report.html").read_text(encoding="utf-8")
    text = test_report_page.words_of(page)
    assert "Whole records of outcome and exposure were exchanged" in text
    assert "The plan is not frozen yet." in text
    assert "Outcomes were not joined to metrics" not in text


def test_figures_bear_the_words_as_text_and_in_the_picture(products, tmp_path):
    """The words change pixels from side to side of the picture, and not its size."""
    drawing = (products / "shareable/figures/flow.svg").read_text(encoding="utf-8")
    assert WORDS in re.sub(r"<[^>]+>", "", drawing)
    write_table(study.estimates(), tmp_path / "estimates.parquet", "estimates")
    FIGURES["flow"](tmp_path, tmp_path)
    assert "BLINDED" not in (tmp_path / "flow.svg").read_text(encoding="utf-8")
    shown = products / "shareable/figures/flow.png"
    with Image.open(shown) as one, Image.open(tmp_path / "flow.png") as other:
        assert one.size == other.size
        changed = ImageChops.difference(one.convert("RGB"), other.convert("RGB"))
        left, top, right, bottom = changed.getbbox()
        assert right - left > 0.7 * one.width
        assert bottom - top > 0.3 * one.height


def test_the_crate_is_that_of_the_blinded_run_and_says_so(products, tmp_path):
    config = tmp_path / "config"
    shutil.copytree(ROOT / "config", config, ignore=shutil.ignore_patterns("environment"))
    text = (config / "study.yaml").read_text(encoding="utf-8")
    text = text.replace("../demo/results", "../results")
    (config / "study.yaml").write_text(text, encoding="utf-8")
    results = _with_outcomes(tmp_path / "results_blinded", how_permuted(BLINDED))
    shutil.copytree(products / "shareable", results / "report" / "shareable")
    metadata = export_crate(config, tmp_path / "crate", SEED)
    root = json.loads(metadata.read_text(encoding="utf-8"))["@graph"][1]
    assert root["name"].startswith(WORDS)
    assert root["description"].startswith(WORDS)
    with pytest.raises(StudyError, match="shareable edition"):
        export_crate(config, tmp_path / "other")  # the true run does not exist


def test_planted_effects_are_not_held_against_permuted_outcomes():
    for freeze in (study.FROZEN, study.NOT_FROZEN):
        assert reason_not_to_compare({**freeze, "blinded": True}) == PERMUTED
    assert reason_not_to_compare(study.FROZEN) == ""
    assert "not frozen" in reason_not_to_compare(study.NOT_FROZEN)


def test_a_withdrawal_names_the_folder_of_the_other_run(tmp_path):
    """Both folders hold measurements of the athlete; the command clears the one it was given."""
    settings = replace(load_settings(ROOT / "config"), folder=tmp_path / "config")
    true = settings.results_folder
    blinded = with_blinding(settings, SEED).results_folder
    assert withdraw._other_run(settings) == []
    for folder in (true, blinded):
        folder.mkdir(parents=True)
    [line] = withdraw._other_run(settings)
    assert "results_blinded holds a blinded run" in line
    [line] = withdraw._other_run(with_blinding(settings, SEED))
    assert "results holds a true run" in line
