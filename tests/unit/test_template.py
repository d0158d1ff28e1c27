"""The template tables are a sound study, but for the raw files that they name."""

from pipeline.intake.check import examine
from pipeline.intake.study_tables import read_study_tables
from shared.settings.load import load_settings
from shared.sources import ROOT

TEMPLATE = ROOT / "config" / "template"


def test_every_table_of_the_template_reads_without_a_problem():
    study = read_study_tables(TEMPLATE)
    assert study.problems == []
    assert len(study["athletes"]) == 2


def test_only_files_and_calibrations_are_missing():
    settings = load_settings(ROOT / "config")
    found = examine(TEMPLATE, settings.study, settings.devices)
    rules = {problem.rule for problem in found.problems}
    assert rules == {"missing_file"}, sorted(rules)
