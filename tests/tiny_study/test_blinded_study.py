"""A small blinded study on disk: no true outcome in it, all pages marked, and still auditable.

The measurements are those of the small finished study; fifty athletes without recordings join it,
so that there are outcomes to permute. Intake, cohort, analyses and pages are made anew.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import yaml

from analysis.audit.check.__main__ import main as check_main
from analysis.audit.study_folder import open_folder
from analysis.audit.trace import main as trace_main
from analysis.audit.walk import main as walk_main
from analysis.report.checklist import ITEMS, build_checklist
from analysis.report.flagged_page import build_flagged_page
from shared.blinding import KEY, seed_of_results
from shared.freeze import FILE as FROZEN
from shared.manifest import write_manifest
from shared.settings.load import Settings, load_settings
from shared.tables import read_metadata, read_table
from shared.workflow import open_study
from tests.tiny_study import marked
from tests.tiny_study.audited import plain, write_models, write_pages
from tests.tiny_study.extracted import check

SEED = 4711
WORDS = f"BLINDED: outcomes permuted (seed {SEED}); no result is real"
MEASURED = ("extraction", "tables", "intake")
MADE_AGAIN = ("cohort", "estimates", "filled_values", "ledger")


def _add_athletes(folder: Path) -> None:
    """Add athletes of three sites with records that are all different, a third injured again."""
    rng = np.random.default_rng(9)
    ids = [f"Z{number:03d}" for number in range(50)]
    injured = np.where(np.arange(50) % 9 == 0, "both", rng.choice(["left", "right"], 50))
    event = np.where(np.arange(50) % 3 == 0, "graft_rupture", "end_of_study")
    days = np.round(100.0 + 7.13 * rng.permutation(50), 2)
    days[:4] = [-3.25, -2.25, 640.5, 641.5]  # two injured again before clearance
    event[:4] = "graft_rupture"
    side = np.where(injured == "both", "left", injured)
    new = {
        "athletes": {
            "site": rng.choice(["bench", "quay", "shed"], 50), "sex": "male",
            "age_at_surgery_years": rng.uniform(16, 30, 50).round(1), "injured_side": injured,
            "dominant_side": "right", "graft": "hamstring", "mass_kg": 70.0, "height_m": 1.8,
            "sport_level": 1, "prior_acl_injury": "no",
        },
        "visits": {"visit": "clearance", "days_since_surgery": 250},
        "outcomes": {
            "followup_days": np.maximum(days, 0.0), "event": event, "event_days": days,
            "side": np.where(event == "graft_rupture", side, ""), "contact": "",
            "confirmed_by": [f"reader {number}" for number in range(50)],
        },
        "exposure": {"month": 1, "athlete_exposures": np.arange(50) + 20.5},
    }  # fmt: skip
    for name, columns in new.items():
        path = folder / f"{name}.csv"
        before = pd.read_csv(path, keep_default_na=False)
        rows = pd.DataFrame({"athlete_id": ids, **columns})
        pd.concat([before, rows])[before.columns].to_csv(path, index=False)


def _blind(root: Path) -> Settings:
    """Give the study more sites and the block of a blinded run, and take its frozen plan away."""
    file = root / "config" / "study.yaml"
    study = yaml.safe_load(file.read_text(encoding="utf-8"))
    for name in ("quay", "shed"):
        study["sites"][name] = {**study["sites"]["bench"], "label": name.title()}
    file.write_text(yaml.safe_dump({**study, "blinded": {"seed": SEED}}), encoding="utf-8")
    (root / "config" / FROZEN).unlink()
    return load_settings(root / "config")


@pytest.fixture(scope="module")
def true(audited, tmp_path_factory) -> Path:
    """Root of the small finished study, with athletes added to its tables."""
    root = shutil.copytree(audited, tmp_path_factory.mktemp("blinded") / "study")
    _add_athletes(load_settings(root / "config").study_folder)
    return root


@pytest.fixture(scope="module")
def blinded(true) -> Path:
    """Results of its blinded run."""
    settings = _blind(true)
    results = settings.results_folder
    for name in MEASURED:
        shutil.copytree(true / "results" / name, results / name)
    for name in MADE_AGAIN:
        (results / "tables" / f"{name}.parquet").unlink()
    (results / "tables" / "datapackage.json").unlink()
    check(settings, results)
    write_models(results, settings)
    write_pages(results, settings)
    _pages_of_the_team(results, plain(settings))
    write_manifest(results, settings)
    return results


def _pages_of_the_team(results: Path, given: dict[str, dict]) -> None:
    tables = results / "tables"
    build_flagged_page(
        waveforms=tables / "flagged_waveforms.parquet",
        landings=tables / "landings.parquet",
        exclusions=tables / "exclusions.parquet",
        page=results / "report" / "flagged.html",
        study=given["study"],
        quality=given["processing"]["quality"],
        waveforms_kept=given["processing"]["waveforms"],
    )
    build_checklist(
        page=results / "report" / "checklist.html",
        guidelines=[ITEMS],
        report="report.html",
        study=given["study"],
    )


def test_all_its_files_say_so_and_a_true_study_has_none_that_does(blinded, audited):
    # The short pages of this study are put together by the fixture, not by the templates.
    short = ["report/quality.html", "report/report.html"]
    assert [name for name in marked.unmarked(blinded) if name not in short] == []
    pages = {f"report/{name}.html" for name in ("audit", "checklist", "flagged")}
    others = {"manifest.json", "intake/problems.txt", "tables/datapackage.json"}
    assert pages | others <= set(marked.marked(blinded))
    assert marked.seeds_named(blinded) == {str(SEED)}
    assert marked.marked(audited / "results") == []


def test_no_table_holds_the_true_record_of_an_athlete(blinded, true):
    """Each record is unique, so that an own one is recognised; those left in place are few.

    A table with a row of an athlete must not show days or exposure of the athlete's true record,
    apart from the athletes whose record the permutation left in place (one or two are expected).
    """
    raw = pd.read_csv(true / "study" / "outcomes.csv").set_index("athlete_id")
    log = pd.read_csv(true / "study" / "exposure.csv").set_index("athlete_id")
    own = {
        person: {float(raw.loc[person, "event_days"]), float(log.loc[person, "athlete_exposures"])}
        for person in raw.index[raw.index.str.startswith("Z")]
    }
    given = read_table(blinded / "intake" / "outcomes.parquet").set_index("athlete_id")
    kept = {p for p in own if given.loc[p, "confirmed_by"] == raw.loc[p, "confirmed_by"]}
    assert len(kept) <= 5
    looked_at = 0
    for path in marked.products(blinded):
        if path.suffix != ".parquet":
            continue
        rows = read_table(path)
        if "athlete_id" not in rows:
            continue
        numbers = rows.select_dtypes("number")
        for person, cells in zip(rows["athlete_id"], numbers.to_numpy(dtype=float), strict=True):
            if person in own and person not in kept:
                looked_at += 1
                assert not own[person] & set(cells.tolist()), (path.name, person)
    assert looked_at > 100


def test_texts_name_no_true_record_either(blinded, true):
    raw = pd.read_csv(true / "study" / "outcomes.csv").set_index("athlete_id")
    given = read_table(blinded / "intake" / "outcomes.parquet").set_index("athlete_id")
    notes = (blinded / "intake" / "problems.txt").read_text(encoding="utf-8")
    for person in raw.index[raw["event_days"] <= 0]:
        assert f"{person}: {given.loc[person, 'event']} before clearance" in notes
    assert "reader " not in notes


def test_what_the_study_counts_is_true(blinded, true):
    """Causes, follow-up and exposure in all, and who is outside the cohort, stay."""
    raw = pd.read_csv(true / "study" / "outcomes.csv", keep_default_na=False)
    cohort = read_table(blinded / "tables" / "cohort.parquet")
    assert len(cohort) == len(raw)
    inside = raw.loc[raw["event_days"] > 0]
    assert int(cohort["included"].sum()) == len(inside)
    assert set(cohort.loc[~cohort["included"], "athlete_id"]) == {"Z000", "Z001"}
    ruptures = cohort.loc[cohort["included"], "event"] == "graft_rupture"
    assert int(ruptures.sum()) == int((inside["event"] == "graft_rupture").sum()) > 10
    followed = cohort.loc[cohort["included"], "followup_days"]
    assert sorted(followed) == sorted(inside["followup_days"].clip(upper=730.0))


def test_it_is_checked_walked_and_traced_like_any_other(blinded, capsys):
    assert check_main(["--results", str(blinded)]) == 0, capsys.readouterr().out
    assert capsys.readouterr().out.startswith(f"{WORDS}\n")
    assert walk_main(["--results", str(blinded)]) == 0
    shown = capsys.readouterr().out
    assert shown.startswith(f"{WORDS}\n")
    assert "flow_diagram: " in shown
    assert "NOT EQUAL" not in shown
    number = read_table(blinded / "tables" / "estimates.parquet")["number_id"].iloc[0]
    assert trace_main([number, "--results", str(blinded), "--recompute"]) == 0
    shown = capsys.readouterr().out
    assert shown.count(WORDS) >= 2
    assert "equal: " in shown


def test_metadata_pass_the_permutation_on(blinded):
    for name in ("cohort", "filled_values", "estimates", "ledger"):
        how = read_metadata(blinded / "tables" / f"{name}.parquet")[KEY]
        assert how == f"permuted, seed {SEED}"
    assert KEY not in read_metadata(blinded / "tables" / "metrics.parquet")


def test_the_seed_of_the_command_is_found_again_in_the_results(blinded, tmp_path):
    """Where study.yaml has no block, the audit takes the seed from the results themselves."""
    root = shutil.copytree(blinded.parent, tmp_path / "moved")
    file = root / "config" / "study.yaml"
    study = yaml.safe_load(file.read_text(encoding="utf-8"))
    del study["blinded"]
    file.write_text(yaml.safe_dump(study), encoding="utf-8")
    folder = open_folder(root / blinded.name, None)
    assert folder.settings.study.blinded.seed == SEED == seed_of_results(folder.results)
    assert folder.settings.results_folder == (root / blinded.name).resolve()
    # The workflow, too, refuses to put the true results there, and the blinded ones elsewhere.
    assert open_study(str(root / "config"), SEED).freeze["blinded"] is True
    study["results_folder"] = f"../{blinded.name}"
    file.write_text(yaml.safe_dump(study), encoding="utf-8")
    with pytest.raises(SystemExit, match="results of a blinded run"):
        open_study(str(root / "config"), None)
