"""One sample of one raw file is changed: exactly the numbers downstream of it change.

Twelve athletes of closed-form jumps, the sample at the peak of force of one limb in one landing.
What is downstream is known from elsewhere: values whose sources name the file, and estimates of
their metrics; trace then shows why.
"""

from __future__ import annotations

import csv
import dataclasses
from html import escape

import pandas as pd
import pytest

from analysis.audit.address import Target
from analysis.audit.chain import chain_of, metric_rows
from analysis.audit.recompute import step_again
from analysis.audit.study_folder import open_folder
from analysis.tables.write import write_tables
from shared.layout import SHARD_TABLES
from shared.tables import read_table, write_table
from tests.known_answers.closed_study import plan as closed_trials
from tests.known_answers.closed_study import write_closed_study
from tests.tiny_study.audited import plain, write_models
from tests.tiny_study.extracted import extract

PARTS = ("asymmetry_of_limbs", "metric_reliability", "agreement_of_sensors", "contact_lag_of_waist")
PRINTED = ("asymmetry", "asymmetry_indexes", "variation", "reliability", "agreement", "contact_lag")
KEY = ["landing_id", "metric", "sensor"]


def jumps():
    """Two jumps of each of twelve athletes."""
    all_jumps = [
        trial
        for trial in closed_trials({"noise": 24})
        if trial.movement.task == "countermovement_jump"
    ]
    return [
        dataclasses.replace(trial, athlete_id=f"E{order // 2 + 1:02d}")
        for order, trial in enumerate(all_jumps)
    ]


def estimates_of(study) -> pd.DataFrame:
    table = pd.concat([step_again(study, part) for part in PARTS], ignore_index=True)
    return table.set_index("number_id").sort_index()


def changed_rows(before: pd.DataFrame, after: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of `before` of which anything differs; both have the same keys."""
    assert (before.index == after.index).all()
    same = (before == after).fillna(False) | (before.isna() & after.isna())
    return before.loc[~same.all(axis=1)]


@pytest.fixture(scope="module")
def mutated(tmp_path_factory):
    """The study after the change, its landing, and tables and estimates before and after."""
    root = tmp_path_factory.mktemp("one_sample")
    settings = write_closed_study(root, 500.0, jumps())
    before = extract(settings, settings.results_folder)
    write_models(settings.results_folder, settings)
    study = open_folder(settings.results_folder, None)
    numbers = estimates_of(study)
    metrics = before["metrics"]
    chosen = (metrics["metric"] == "peak_vgrf") & (metrics["limb"] == "involved")
    row = metrics.loc[chosen & metrics["valid"]].iloc[7]
    recording = before["recordings"].set_index("recording_id").loc[row["recording_id"]]
    file = settings.study_folder / recording["path"]
    table = pd.read_csv(file, dtype=str)
    column = "force_left_N" if row["side"] == "left" else "force_right_N"
    window = table[column].astype(float).loc[int(row["first_sample"]) : int(row["last_sample"])]
    sample = window.idxmax()
    table.loc[sample, column] = repr(float(table.loc[sample, column]) * 1.3)
    table.to_csv(file, index=False, quoting=csv.QUOTE_NONE)
    # The study keeps its first results, as after a change that nobody told of.
    other = dataclasses.replace(
        settings,
        study=settings.study.model_copy(update={"results_folder": "../again"}),
    )
    after = extract(other, other.results_folder)
    write_models(other.results_folder, other)
    again = estimates_of(dataclasses.replace(study, results=other.results_folder))
    return study, row, before, after, numbers, again


def test_only_values_whose_sources_name_the_file_change(mutated):
    _, row, before, after, _, _ = mutated
    one, other = (t["metrics"].set_index(KEY).sort_index() for t in (before, after))
    changed = changed_rows(one, other)
    assert tuple(row[KEY]) in set(changed.index)
    sources = before["metric_sources"]
    named = sources.loc[sources["recording_id"] == row["recording_id"]]
    assert set(changed.index) <= set(named[KEY].itertuples(index=False, name=None))
    # Nothing moved of the other sensors and trials; the other limb's values may use both plates.
    assert {key[2] for key in changed.index} == {"plate"}
    trial = row["landing_id"].rsplit(".", 2)[0]
    assert all(key[0].startswith(f"{trial}.") for key in changed.index)


def test_a_value_whose_window_holds_the_sample_changes_as_it_must(mutated):
    """The peak grows with its sample, and by less than 30 %, because the force is filtered."""
    _, row, before, after, _, _ = mutated
    one, other = (t["metrics"].set_index(KEY)["value"] for t in (before, after))
    ratio = other[tuple(row[KEY])] / one[tuple(row[KEY])]
    assert 1.0 < ratio <= 1.3


def test_of_the_recordings_only_that_one_has_another_hash(mutated):
    _, row, before, after, _, _ = mutated
    one, other = (t["recordings"].set_index("recording_id").sort_index() for t in (before, after))
    assert list(changed_rows(one, other).index) == [row["recording_id"]]
    for name in set(SHARD_TABLES) & {"calibrations", "synchronisation"}:
        pd.testing.assert_frame_equal(before[name], after[name], check_exact=True)


def test_exactly_the_estimates_of_the_changed_metrics_change(mutated):
    _, _, before, after, numbers, again = mutated
    one, other = (t["metrics"].set_index(KEY).sort_index() for t in (before, after))
    valid = changed_rows(one, other).query("valid").reset_index()
    moved = {(metric, limb) for metric, limb in zip(valid["metric"], valid["limb"], strict=True)}
    metrics = {metric for metric, _ in moved}
    changed = changed_rows(numbers, again)
    estimated = numbers.loc[numbers["estimate"].notna()]
    assert set(changed["metric"]) == metrics & set(estimated["metric"])
    assert "peak_vgrf" in set(changed["metric"])
    unchanged = numbers.loc[~numbers.index.isin(changed.index)]
    for analysis in ("agreement", "contact_lag"):
        assert unchanged["analysis"].str.startswith(analysis).any()
    assert not changed["analysis"].str.startswith("contact_lag").any()
    limbs = changed.loc[changed["analysis"].str.startswith("metric_reliability"), "limb"]
    assert set(limbs) <= {limb for _, limb in moved}


COUNTS = "|".join(("count", "athletes", "trials"))


def behind(study, numbers: pd.DataFrame, metrics: pd.DataFrame) -> set[str]:
    """Return the addresses of estimates with a given row of `metrics` behind them."""
    keys = set(metrics[KEY].itertuples(index=False, name=None))
    found = set()
    for _, estimate in numbers.reset_index().iterrows():
        rows = metric_rows(study, estimate)
        if keys & set(rows[KEY].itertuples(index=False, name=None)):
            found.add(estimate["number_id"])
    return found


def test_no_estimate_changes_without_a_changed_row_behind_it(mutated):
    """By address, not by metric: rows of the other limb, task or sensor move nothing."""
    study, _, before, after, numbers, again = mutated
    one, other = (t["metrics"].set_index(KEY).sort_index() for t in (before, after))
    downstream = behind(study, numbers, changed_rows(one, other).reset_index())
    changed = set(changed_rows(numbers, again).index)
    assert changed
    assert changed <= downstream
    # What lies downstream and stays is a count, or has no value.
    stayed = numbers.loc[sorted(downstream - changed)]
    stayed = stayed.loc[stayed["estimate"].notna() & ~stayed["quantity"].str.contains(COUNTS)]
    assert stayed.empty


def test_exactly_the_printed_texts_of_changed_estimates_change(mutated, tmp_path):
    """Tables and ledger made again: all else on them stays, letter by letter."""
    study, _, _, _, numbers, again = mutated
    given = plain(study.settings)
    shown = {}
    for name, table in (("before", numbers), ("after", again)):
        folder = tmp_path / name
        write_table(table.reset_index()[numbers.reset_index().columns],
                    folder / "estimates.parquet", "estimates")  # fmt: skip
        write_tables(
            estimates=folder / "estimates.parquet",
            tables=[folder / f"{table}.csv" for table in PRINTED],
            fragments=[folder / f"{table}.html" for table in PRINTED],
            numbers=folder / "ledger.parquet",
            **given,
        )
        pages = "".join((folder / f"{table}.html").read_text("utf-8") for table in PRINTED)
        shown[name] = read_table(folder / "ledger.parquet").set_index("ledger_id"), pages
    (one, page), (other, page_after) = shown["before"], shown["after"]
    assert list(one.index) == list(other.index)
    texts = one.loc[one["display"] != other["display"]]
    assert len(texts) > 5
    assert set(texts["number_id"]) <= set(changed_rows(numbers, again).index)
    assert len(texts) < len(one)
    for address in texts.index:
        for ledger in (one, other):
            text = f'data-number="{escape(address)}">{escape(ledger.loc[address, "display"])}<'
            page, page_after = (p.replace(text, "><") for p in (page, page_after))
    assert page == page_after


def test_trace_shows_why(mutated):
    study, row, _, _, numbers, again = mutated
    changed = changed_rows(numbers, again).reset_index()
    mine = changed.loc[(changed["metric"] == row["metric"]) & changed["estimate"].notna()]
    trial = row["landing_id"].rsplit(".", 2)[0]
    for _, estimate in mine.iloc[::10].iterrows():
        behind = metric_rows(study, estimate)["landing_id"]
        landing = behind[behind.str.startswith(f"{trial}.")].iloc[0]
        chain = chain_of(study, Target(estimate, None), landing)
        text = "\n".join(line for level in chain.levels for line in level.lines)
        assert "THE RAW FILE HAS CHANGED since" in text
        assert chain.metric_row["recording_id"] == row["recording_id"]
    chain = chain_of(study, Target(metric_row=tuple(row[KEY])))
    assert chain.metric_row["value"] == row["value"]
