"""The plan is frozen once; a later change needs a reason and is logged."""

import json
import shutil

import pytest

from analysis.freeze import freeze
from pipeline.run_study import main
from shared.freeze import FILE, status_of
from shared.settings.load import load_settings
from shared.sources import ROOT


@pytest.fixture
def folder(tmp_path):
    copy = tmp_path / "config"
    shutil.copytree(ROOT / "config", copy, ignore=shutil.ignore_patterns("environment", FILE))
    return copy


def change(folder, before, after):
    file = folder / "plan.yaml"
    text = file.read_text()
    assert before in text
    file.write_text(text.replace(before, after))


def test_freeze_then_change_then_freeze_with_a_reason(folder):
    assert status_of(load_settings(folder)).status == "not_frozen"
    assert "frozen" in freeze(folder, "2026-03-01", "")
    assert status_of(load_settings(folder)).status == "frozen"

    change(folder, "horizon_days: 730", "horizon_days: 365")
    changed = status_of(load_settings(folder))
    assert changed.status == "changed"
    assert changed.differences == (
        "plan.horizon_days: 730.0 -> 365.0",
        "plan.prediction.horizon_days: 730.0 -> 365.0",
    )
    with pytest.raises(ValueError, match="--reason"):
        freeze(folder, "2026-03-02", "")

    freeze(folder, "2026-03-02", "follow-up ended early")
    again = status_of(load_settings(folder))
    assert again.status == "frozen"
    assert again.deviations[0]["reason"] == "follow-up ended early"
    assert "horizon_days" in again.deviations[0]["changes"]


def test_a_run_under_a_changed_plan_stops_and_names_the_command(folder):
    freeze(folder, "2026-03-01", "")
    change(folder, "horizon_days: 730", "horizon_days: 365")
    with pytest.raises(SystemExit, match="frozen on 2026-03-01") as stopped:
        main(["--settings", str(folder)])
    assert "plan.horizon_days: 730.0 -> 365.0" in str(stopped.value)
    assert f"--settings {folder} --date" in str(stopped.value)  # the study's folder, not the demo's


def test_layout_and_comments_do_not_change_the_hash(folder):
    before = status_of(load_settings(folder)).hash
    file = folder / "plan.yaml"
    file.write_text(
        "# a comment\n" + file.read_text().replace("horizon_days: 730", "horizon_days:   730.0")
    )
    assert status_of(load_settings(folder)).hash == before


def test_processing_settings_are_part_of_the_freeze(folder):
    freeze(folder, "2026-03-01", "")
    file = folder / "processing.yaml"
    file.write_text(file.read_text().replace("force_hz: 100", "force_hz: 50"))
    assert status_of(load_settings(folder)).differences == (
        "processing.filtering.force_hz: 100.0 -> 50.0",
    )


def test_the_demo_ships_frozen():
    frozen = json.loads((ROOT / "config" / FILE).read_text())
    assert frozen["date"]
    assert status_of(load_settings(ROOT / "config")).status == "frozen"
