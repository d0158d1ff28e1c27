"""The way back from one number of every analysis of a finished study, against plain queries.

Raw files are opened here by plain pandas and hashlib, tables by pandas.
"""

from __future__ import annotations

import hashlib
import json
import re

import pandas as pd
import pytest

from analysis.audit.address import Target
from analysis.audit.chain import chain_of, metric_rows
from analysis.audit.raw_samples import samples_level
from analysis.audit.study_folder import open_folder
from tests.tiny_study.finished import finished_study
from tests.tiny_study.test_trace import text_of

pytestmark = pytest.mark.slow

ENDS = (
    "Raw samples, as recorded",
    "Study tables that were checked",
    "First recording",
    "Rows of cohort/exclusions",
    "Rows of tables/exclusions",
    "Rows of tables/landings",
    "Rows of tables/residuals",
    "Rows of tables/unit_calibrations",
    "Rows of truth/nuisances",
)
OF_THE_COHORT = ("cox_primary", "cox_diagnostics", "flow", "table_one", "imputation", "native_rate")


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    _, root = finished_study(tmp_path_factory)
    return open_folder(root / "demo" / "results", None)


@pytest.fixture(scope="module")
def chains(study):
    """The way back of the first estimate of each analysis, by its address."""
    first = study.table("estimates").groupby("analysis").head(1)
    return {
        row["number_id"]: chain_of(study, Target(row, pd.DataFrame()))
        for _, row in first.iterrows()
    }


def test_every_kind_of_number_leads_to_raw_samples_or_study_tables(chains):
    assert len(chains) > 50
    for number, chain in chains.items():
        assert chain.levels[-1].title.partition(" (")[0] in ENDS, number
        text = text_of(chain)
        assert "NOT FOUND" not in text, number
        assert "CHANGED" not in text, number


def test_a_count_of_athletes_leads_to_the_study_tables_with_their_hashes(study, chains):
    number = next(name for name in chains if name.startswith("cumulative_incidence."))
    level = chains[number].levels[-1]
    names = [line.split()[:2] for line in level.lines if "." in line.split()[0]]
    files = {name: digest for name, digest in names if name != "study.yaml"}
    assert {"athletes.csv", "outcomes.csv"} <= set(files)
    for name, digest in files.items():
        assert hashlib.sha256((study.raw / name).read_bytes()).hexdigest() == digest


def test_the_rows_behind_a_predictor_give_the_predictor(study):
    """The mean of the valid rows of each athlete is the value that the cohort holds."""
    cohort = study.table("cohort")
    included = cohort.loc[cohort["included"]].set_index("athlete_id")
    estimates = study.table("estimates")
    names = [item.name for item in study.settings.plan.primary]
    least = study.settings.processing.minimum_valid_trials
    seen = set()
    for name in names:
        mine = estimates["number_id"].str.split(".").map(lambda words, name=name: name in words)
        rows = estimates.loc[mine & estimates["analysis"].isin(OF_THE_COHORT)]
        for _, estimate in rows.loc[rows["metric"] != ""].groupby("analysis").head(1).iterrows():
            behind = metric_rows(study, estimate)
            valid = behind.loc[behind["valid"]].groupby("athlete_id")["value"]
            means = valid.mean().where(valid.size() >= least).reindex(included.index)
            held = included[name]
            if estimate["site"]:
                here = included["site"] == estimate["site"]
                means, held = means[here], held[here]
            pd.testing.assert_series_equal(means, held, check_names=False, rtol=1e-12)
            seen.add(estimate["analysis"])
    assert len(seen) >= 4


def test_the_rows_behind_the_force_model_are_the_landings_it_was_held_against(study):
    estimates, held_out = study.table("estimates"), study.table("force_held_out")
    force = estimates.loc[estimates["analysis"] == "force_model"]
    for scope in ("single_leg", "whole_body"):
        row = force.loc[force["subject"] == scope].iloc[0]
        behind = metric_rows(study, row)
        used = set(held_out.loc[held_out["scope"] == scope, "landing_id"])
        assert used
        assert used <= set(behind.loc[behind["valid"], "landing_id"])


def test_the_recording_names_settings_and_code_of_the_step_that_measured(study, chains):
    followed = next(chain for chain in chains.values() if chain.metric_row is not None)
    text = text_of(followed)
    manifest = json.loads((study.results / "manifest.json").read_text(encoding="utf-8"))
    for part in ("processing", "devices"):
        assert f"hash of        {part}: {manifest['settings'][part]}" in text
    assert re.search(r"code version   [0-9a-f]{12}, which measured it in shard-\d{3}", text)


def test_raw_samples_are_those_of_the_file(study):
    rows = study.table("metrics", [("sensor", "==", "plate"), ("metric", "==", "peak_vgrf")])
    recordings = study.table("recordings").set_index("recording_id")
    paths = rows["recording_id"].map(recordings["path"])
    row = rows.loc[rows["valid"] & paths.str.endswith(".csv")].iloc[0]
    level = samples_level(study, row)
    cells = {line[:34].strip(): line[34:].split() for line in level.lines}
    places = [int(place) for place in cells["sample"]]
    assert places[0] == round(row["first_sample"]) <= places[1] <= places[2]
    assert places[2] == round(row["last_sample"])
    recording = recordings.loc[row["recording_id"]]
    profile = study.settings.devices[recording["device"]]
    file = study.raw / recording["path"]
    table = pd.read_csv(file, sep=profile.csv.delimiter, decimal=profile.csv.decimal,
                        skiprows=profile.csv.header_lines)  # fmt: skip
    shown = 0
    for item in profile.channels:
        if (name := f"{item.column}, {item.unit}") in cells:
            raw = table[item.column].iloc[places]
            assert [float(text) for text in cells[name]] == pytest.approx(raw.tolist(), rel=1e-5)
            shown += 1
    assert shown >= 1
