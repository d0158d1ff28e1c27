"""From a printed number back to raw samples, on a small study of closed-form trials."""

import csv
import re
import resource
import shutil
import subprocess
import sys
import time

import numpy as np
import pandas as pd
import pytest

from analysis.audit.address import find, find_in_cell, nearest
from analysis.audit.chain import chain_of, metric_rows
from analysis.audit.recompute import step_of, verdict
from analysis.audit.study_folder import TraceError, open_folder
from analysis.audit.trace import main
from analysis.cohort.landmark import build_cohort
from analysis.estimates import collect_estimates
from analysis.models.sensor_quality import sensor_quality
from analysis.report.ledger import Ledger, join
from analysis.tables.journal import JournalTable, Row, as_html
from shared.freeze import status_of
from shared.sources import ROOT
from shared.step import load_step
from shared.tables import read_table, write_table, write_text
from tests.known_answers.closed_study import plan as closed_trials
from tests.known_answers.closed_study import write_closed_study
from tests.tiny_study.extracted import extract

NUMBER = "quality_metrics.peak_vgrf.plate.valid.share"
LANDING = "E01.clearance.countermovement_jump.both.1.both.1"
ROW = f"{LANDING}/peak_vgrf/plate"


def write_report(results, settings):
    """Write cohort, one analysis, and one table with its ledger, by the steps of a study."""
    tables, intake = results / "tables", results / "intake"
    build_cohort(
        **{n: intake / f"{n}.parquet" for n in ("athletes", "visits", "outcomes", "exposure")},
        summaries=tables / "summaries.parquet",
        cohort=tables / "cohort.parquet",
        exclusions=results / "cohort" / "exclusions.parquet",
        plan=settings.plan.model_dump(mode="json"),
        study=settings.study.model_dump(mode="json"),
        freeze=status_of(settings).as_dict(),
        minimum_valid_trials=1,
    )
    part = results / "models" / "sensor_quality.parquet"
    names = ("metrics", "calibrations", "unit_calibrations", "synchronisation", "recordings",
             "summaries")  # fmt: skip
    sensor_quality(
        **{name: tables / f"{name}.parquet" for name in names},
        estimates=part,
        quality=settings.processing.quality.model_dump(mode="json"),
        plan=settings.plan.model_dump(mode="json"),
        study=settings.study.model_dump(mode="json"),
        minimum_valid_trials=settings.processing.minimum_valid_trials,
    )
    collect_estimates(parts=[part], estimates=tables / "estimates.parquet")
    ledger = Ledger(read_table(tables / "estimates.parquet"), "table.quality_metrics")
    count = ledger.number("quality_metrics.peak_vgrf.plate.values.count", "count")
    share = ledger.number(NUMBER, "percent")
    table = JournalTable("quality_metrics", "Values", ("Metric", "Values", "Valid"),
                         (Row(("Peak force", count, share)),))  # fmt: skip
    write_text(as_html(table, 1), results / "report" / "numbers" / "quality_metrics.html")
    write_table(join([ledger.table()]), tables / "ledger.parquet", "ledger")


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    root = tmp_path_factory.mktemp("made")
    settings = write_closed_study(root, 500.0, closed_trials({"noise": 1}))
    extract(settings, settings.results_folder)
    write_report(settings.results_folder, settings)
    return root


@pytest.fixture
def moved(made, tmp_path):
    """The study in another folder than the one it was made in."""
    return shutil.copytree(made, tmp_path / "elsewhere")


@pytest.fixture
def study(moved):
    return open_folder(moved / "results", None)


def text_of(chain):
    return "\n".join("\n".join([level.title, *level.lines]) for level in chain.levels)


def test_the_way_back_has_every_level(study):
    chain = chain_of(study, find(study, NUMBER))
    titles = [level.title.partition(" (")[0] for level in chain.levels]
    assert titles == [
        "Printed", "Estimate and its conventions", "Model and its rows",
        "Left out, with reasons", "Summaries of athletes", "Landings", "Recording",
        "Raw samples, as recorded",
    ]  # fmt: skip
    text = text_of(chain)
    recordings = study.table("recordings").set_index("recording_id")
    recording = recordings.loc[chain.metric_row["recording_id"]]
    for known in (
        "in table.quality_metrics (estimate)",
        "the step sensor_quality, code version",
        "read metrics: unchanged",
        recording["sha256"],
        recording["path"],
        f"{chain.metric_row['first_sample']:g} to {chain.metric_row['last_sample']:g}",
        "the raw file still has this hash",
    ):
        assert known in text
    # Relative paths only: the folder that holds the study is named nowhere.
    assert str(study.results.parent) not in text


def test_the_rows_are_those_of_the_estimate(study):
    """Against pandas: as many rows as the estimate counted, and its share of valid ones."""
    found = metric_rows(study, find(study, NUMBER).estimate)
    table = study.table("metrics")
    mine = table.loc[(table["metric"] == "peak_vgrf") & (table["sensor"] == "plate")]
    assert sorted(found["landing_id"]) == sorted(mine["landing_id"])
    estimate = find(study, NUMBER).estimate["estimate"]
    assert estimate == pytest.approx(found["valid"].mean())


@pytest.mark.parametrize(
    "name", [NUMBER, f"table.quality_metrics/{NUMBER}/estimate", ROW]
)  # fmt: skip
def test_every_kind_of_address_is_found(study, name):
    chain = chain_of(study, find(study, name))
    assert chain.metric_row is not None
    assert chain.metric_row["metric"] == "peak_vgrf"


def test_every_printed_number_and_every_estimate_resolves(study):
    ledger = study.table("ledger")
    numbers = study.table("estimates", columns=["number_id"])["number_id"]
    for name in [*ledger["ledger_id"], *numbers.sample(15, random_state=1)]:
        assert len(chain_of(study, find(study, name)).levels) >= 5


def test_a_cell_of_a_table(study):
    for file in ("quality_metrics", "report/tables/quality_metrics.csv"):
        target = find_in_cell(study, file, "1,3")
        assert target.estimate["number_id"] == NUMBER
    shown = study.table("ledger").set_index("number_id").loc[NUMBER, "display"]
    assert find_in_cell(study, "quality_metrics", shown).estimate["number_id"] == NUMBER
    with pytest.raises(TraceError, match="shows no number"):
        find_in_cell(study, "quality_metrics", "1,1")
    with pytest.raises(TraceError, match="none of its cells"):
        find_in_cell(study, "quality_metrics", "9,1")
    with pytest.raises(TraceError, match="quality_metrics"):
        find_in_cell(study, "qualty_metrics", "1,3")


@pytest.mark.parametrize(
    ("wrong", "right"),
    [
        (NUMBER.replace("quality", "qualty"), NUMBER),
        (NUMBER.replace("vgrf", "vgfr"), NUMBER),
        (ROW.replace("peak_vgrf", "peak_force"), ROW),
    ],
)
def test_a_wrong_name_gets_the_nearest_right_ones(study, wrong, right):
    with pytest.raises(TraceError) as caught:
        find(study, wrong)
    assert right in str(caught.value)


def test_nearest_of_thousands_is_quick():
    names = [f"model.outcome_{i}.term_{j}.hazard_ratio" for i in range(80) for j in range(80)]
    begin = time.perf_counter()
    found = nearest("model.outcome_17.term_42.hazard_ration", names)
    assert "model.outcome_17.term_42.hazard_ratio" in found
    assert time.perf_counter() - begin < 5.0  # 0.2 s on a quiet machine


def test_one_changed_sample_is_seen_and_shown_why(study, moved, capsys):
    """A force 10 % higher at one sample of the window: the file's hash and the value differ."""
    row = chain_of(study, find(study, ROW)).metric_row
    recording = study.table("recordings", [("recording_id", "==", row["recording_id"])]).iloc[0]
    file = moved / "study" / recording["path"]
    table = pd.read_csv(file, float_precision="round_trip")
    middle = int(row["first_sample"] + 20)
    for column in ("force_left_N", "force_right_N"):
        table.loc[middle - 3 : middle + 3, column] *= 1.3
    table.to_csv(file, index=False, quoting=csv.QUOTE_NONE)
    assert main([ROW, "--results", str(moved / "results"), "--recompute"]) == 1
    shown = capsys.readouterr().out
    assert "THE RAW FILE HAS CHANGED" in shown
    assert "NOT EQUAL" in shown


def test_a_table_changed_after_the_step_is_told(study, moved):
    path = moved / "results" / "tables" / "synchronisation.parquet"
    path.write_bytes(path.read_bytes() + b" ")
    lines = text_of(chain_of(study, find(study, NUMBER)))
    assert "read synchronisation: CHANGED since the step ran" in lines
    assert "read metrics: unchanged" in lines


def test_the_estimate_again_from_its_tables(moved, capsys):
    assert main([NUMBER, "--results", str(moved / "results"), "--recompute"]) == 0
    shown = capsys.readouterr().out
    assert "estimate, from its tables: equal" in shown
    assert "from the raw file: equal" in shown


def test_the_signal_is_drawn(moved, tmp_path):
    from matplotlib.image import imread

    for name in (ROW, ROW.replace("peak_vgrf/plate", "peak_waist_acceleration/waist")):
        file = tmp_path / "drawn.png"
        assert main([name, "--results", str(moved / "results"), "--open", str(file)]) == 0
        picture = imread(file)
        assert picture.shape[1] > 1000
        assert len(np.unique(picture[..., 0])) > 10


def test_wrong_questions_are_answered_with_a_sentence(moved, tmp_path, capsys):
    results = str(moved / "results")
    assert main(["--results", results]) == 2
    assert "name a number" in capsys.readouterr().err
    assert main([NUMBER, "--results", str(tmp_path / "nothing")]) == 2
    assert "run to its end" in capsys.readouterr().err
    assert main([NUMBER, "--results", results, "--landing", "E01.clearance.x"]) == 2
    assert "the nearest are" in capsys.readouterr().err
    (moved / "config" / "study.yaml").unlink()
    assert main([ROW, "--results", results, "--recompute"]) == 2
    assert "name their folder with --settings" in capsys.readouterr().err


def test_trace_imports_nothing_of_the_pipeline_and_starts_light():
    script = (
        "import sys, analysis.audit.trace\n"
        "heavy = ('pipeline', 'matplotlib', 'scipy', 'statsmodels', 'pydantic')\n"
        "print([name for name in heavy if name in sys.modules])"
    )
    shown = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert shown.stdout.strip() == "[]"


def test_trace_answers_within_two_seconds_of_processor_time(moved):
    """Processor time, because the clock depends on what else runs; quiet, the two are the same."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    command = [sys.executable, "-m", "analysis.audit.trace", NUMBER]
    subprocess.run([*command, "--results", str(moved / "results")], cwd=ROOT, check=True,
                   capture_output=True)  # fmt: skip
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    used = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    assert used < 2.0


def test_the_step_of_every_part_is_known():
    rules = "\n".join(path.read_text() for path in (ROOT / "analysis" / "rules").glob("*.smk"))
    parts = sorted(set(re.findall(r"/models/(\w+)\.parquet", rules)))
    assert len(parts) >= 20
    for part in parts:
        assert callable(load_step(step_of(part)))


def test_verdicts():
    assert verdict(1.0, 1.0) == "equal: 1"
    assert verdict(float("nan"), float("nan")).startswith("equal")
    assert verdict(1.0, float(np.nextafter(1.0, 2.0))).startswith("NOT EQUAL")
    assert verdict(2.0, 2.2) == "NOT EQUAL: 2 before, 2.2 now, +2.000e-01 (+1.00e-01 of it)"
