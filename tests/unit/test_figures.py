"""Figures: same content, same bytes; numbers by address; nothing that points at one athlete."""

import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analysis.figures import flow, hazard_ratios, incidence, limb_differences, planted
from analysis.figures.agreement import draw_agreement
from analysis.figures.calibration import draw_calibration
from analysis.figures.contact_lag import draw_contact_lag
from analysis.figures.decision_curve import draw_decision_curve
from analysis.figures.distributions import draw_distributions
from analysis.figures.force_model import draw_force_model
from analysis.figures.reliability import curves, draw_reliability
from analysis.figures.residual_analysis import draw_residual_analysis
from analysis.figures.scales import difference_scale, ratio_scale
from analysis.figures.specifications import draw_specifications
from analysis.figures.style import LIMBS, SERIES
from analysis.figures.waveform_data import PEAK, examples
from analysis.figures.waveforms import draw_waveforms
from analysis.report.check import check_ledger, read_page
from shared.sources import ROOT
from shared.tables import read_table, write_table
from tests.unit import force_study
from tests.unit import report_study as study

CODE = re.compile(r"A\d{4}")


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    place = tmp_path_factory.mktemp("figures")
    people = study.cohort()
    write_table(study.estimates(), place / "estimates.parquet", "estimates")
    write_table(study.summaries(people), place / "summaries.parquet", "summaries")
    for name, table in zip(("waveforms", "landings", "metrics"), study.waveforms(), strict=True):
        table.to_parquet(place / f"{name}.parquet")
    return place


def from_estimates(draw, name, *settings):
    def step(folder: Path, out: Path) -> None:
        draw(
            estimates=folder / "estimates.parquet",
            numbers=out / f"{name}.parquet",
            **files(out, name),
            **{key: {"plan": study.PLAN, "study": study.STUDY}[key] for key in settings},
        )

    return step


def files(out: Path, name: str) -> dict[str, Path]:
    return {
        "svg": out / f"{name}.svg",
        "png": out / f"{name}.png",
        "data": out / f"{name}.csv",
    }


def draw_the_distributions(folder: Path, out: Path) -> None:
    draw_distributions(
        summaries=folder / "summaries.parquet",
        **files(out, "distributions"),
        plan=study.PLAN,
        study=study.STUDY,
        minimum_valid_trials=2,
    )


def draw_the_waveforms(folder: Path, out: Path) -> None:
    draw_waveforms(
        waveforms=folder / "waveforms.parquet",
        landings=folder / "landings.parquet",
        metrics=folder / "metrics.parquet",
        **{kind: [file] for kind, file in files(out, "waveforms_drop_vertical_jump").items()},
        study=study.STUDY,
        windows=study.PROCESSING["windows"],
        tasks=["drop_vertical_jump"],
    )


def from_pairs(draw, name):
    def step(folder: Path, out: Path) -> None:
        values = out / "pairs.parquet"
        study.paired_metrics().to_parquet(values)
        draw(
            metrics=values,
            estimates=folder / "estimates.parquet",
            numbers=out / f"{name}.parquet",
            study=study.STUDY,
            **files(out, name),
        )

    return step


def draw_the_forces(folder: Path, out: Path) -> None:
    values = out / "held_out.parquet"
    force_study.held_out().to_parquet(values)
    draw_force_model(
        held_out=values,
        estimates=folder / "estimates.parquet",
        numbers=out / "force_model.parquet",
        **files(out, "force_model"),
    )


def draw_the_specifications(folder: Path, out: Path) -> None:
    draw_specifications(
        estimates=folder / "estimates.parquet", plan=study.PLAN, **files(out, "specifications")
    )


def draw_the_residuals(folder: Path, out: Path) -> None:
    curves = out / "residuals.parquet"
    study.residuals().to_parquet(curves)
    draw_residual_analysis(residuals=curves, study=study.STUDY, **files(out, "residual_analysis"))


def of_prediction(draw, name):
    def step(folder: Path, out: Path) -> None:
        draw(estimates=folder / "estimates.parquet", plan=study.PLAN, **files(out, name))

    return step


def draw_the_reliabilities(folder: Path, out: Path) -> None:
    draw_reliability(
        estimates=folder / "estimates.parquet",
        **files(out, "reliability"),
        plan=study.PLAN,
        study=study.STUDY,
    )


FIGURES = {
    "flow": from_estimates(flow.draw_flow, "flow", "plan", "study"),
    "hazard_ratios": from_estimates(hazard_ratios.draw_hazard_ratios, "hazard_ratios", "plan"),
    "specifications": draw_the_specifications,
    "incidence": from_estimates(incidence.draw_incidence, "incidence", "plan"),
    "limb_differences": from_estimates(
        limb_differences.draw_limb_differences, "limb_differences", "plan", "study"
    ),
    "agreement": from_pairs(draw_agreement, "agreement"),
    "contact_lag": from_pairs(draw_contact_lag, "contact_lag"),
    "force_model": draw_the_forces,
    "calibration": of_prediction(draw_calibration, "calibration"),
    "decision_curve": of_prediction(draw_decision_curve, "decision_curve"),
    "planted": from_estimates(planted.draw_planted, "planted", "plan"),
    "distributions": draw_the_distributions,
    "waveforms_drop_vertical_jump": draw_the_waveforms,
    "residual_analysis": draw_the_residuals,
    "reliability": draw_the_reliabilities,
}
PRINTS_NUMBERS = [
    *("flow", "hazard_ratios", "incidence", "limb_differences"),
    *("agreement", "contact_lag", "force_model", "planted"),
]


@pytest.fixture(scope="module")
def drawn(folder) -> Path:
    for step in FIGURES.values():
        step(folder, folder)
    return folder


@pytest.mark.parametrize("name", FIGURES)
def test_drawn_again_a_figure_has_the_same_bytes(drawn, tmp_path, name):
    FIGURES[name](drawn, tmp_path)
    for suffix in ("svg", "png", "csv"):
        first, again = (place / f"{name}.{suffix}" for place in (drawn, tmp_path))
        assert first.read_bytes() == again.read_bytes(), suffix


def test_another_process_draws_the_same_bytes(drawn, tmp_path):
    """The order of sets differs between processes; the bytes must not."""
    script = (
        "import sys; from pathlib import Path; from tests.unit.test_figures import FIGURES\n"
        "FIGURES['hazard_ratios'](Path(sys.argv[1]), Path(sys.argv[2]))"
    )
    command = [sys.executable, "-c", script, str(drawn), str(tmp_path)]
    subprocess.run(command, cwd=ROOT, check=True, env={"PYTHONHASHSEED": "7", "PATH": ""})
    for suffix in ("svg", "png"):
        name = f"hazard_ratios.{suffix}"
        assert (drawn / name).read_bytes() == (tmp_path / name).read_bytes()


@pytest.mark.parametrize("name", PRINTS_NUMBERS)
def test_every_number_of_a_figure_has_an_address(drawn, name):
    ledger = read_table(drawn / f"{name}.parquet")
    assert check_ledger(ledger, study.estimates()) == []
    reader = read_page((drawn / f"{name}.svg").read_text(encoding="utf-8"))
    assert reader.strays == []
    assert len(reader.numbers) >= 5
    held = dict(zip(ledger["ledger_id"], ledger["display"], strict=True))
    assert {address: shown for address, shown in reader.numbers} == held


@pytest.mark.parametrize("name", FIGURES)
def test_no_figure_and_no_data_file_names_an_athlete(drawn, name):
    for suffix in ("svg", "csv"):
        text = (drawn / f"{name}.{suffix}").read_text(encoding="utf-8")
        # A picture in base64 is no text: any letters may stand in a row there.
        text = re.sub(r"data:image/png;base64,[^\"]*", "", text)
        assert CODE.search(text) is None
    assert b"A0001" not in (drawn / f"{name}.png").read_bytes()


@pytest.mark.parametrize("name", FIGURES)
def test_a_figure_asks_the_network_for_nothing_and_tells_no_time(drawn, name):
    svg = (drawn / f"{name}.svg").read_text(encoding="utf-8")
    links = set(re.findall(r"https?://[^\"' )]+", svg))
    assert links <= {"http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"}
    assert "<metadata>" not in svg
    png = (drawn / f"{name}.png").read_bytes()
    assert b"Software" not in png
    assert b"tIME" not in png


@pytest.mark.parametrize("name", FIGURES)
def test_ids_of_a_figure_are_its_own(drawn, name):
    svg = (drawn / f"{name}.svg").read_text(encoding="utf-8")
    ids = re.findall(r'\bid="([^"]+)"', svg)
    assert ids
    assert all(found.startswith(f"{name}-") for found in ids)
    assert len(ids) == len(set(ids))
    used = re.findall(r'(?:url\(|href=")#([^)"]+)', svg)
    assert set(used) <= set(ids)


def test_groups_differ_without_colour():
    for looks in (LIMBS.values(), SERIES):
        marks = [(look.marker, look.line, look.hatch) for look in looks]
        assert len({marker for marker, _, _ in marks}) == len(marks)
        assert len({str(line) for _, line, _ in marks}) == len(marks)
        assert len({hatch for _, _, hatch in marks}) == len(marks)


def test_distribution_data_keep_no_order_of_athletes(drawn):
    data = pd.read_csv(drawn / "distributions.csv")
    assert "athlete_id" not in data.columns
    keys = ["metric", "sensor", "task", "landing", "unit", "site", "limb"]
    assert data.groupby(keys)["value"].apply(lambda values: values.is_monotonic_increasing).all()
    assert len(data) == len(study.summaries(study.cohort()))


def test_example_landings_carry_their_events_and_measured_peaks():
    waves, events, metrics = study.waveforms()
    table = examples(waves, events, metrics, "drop_vertical_jump", study.PROCESSING["windows"])
    force = table.loc[table["signal"] == "vertical_force"]
    assert set(table["example"]) == {1, 2, 3}
    assert set(force["channel"]) == {"vertical_force"}  # the limbs' parts are not drawn
    assert np.allclose(table["takeoff_s"], 0.3)
    assert np.allclose(table["initial_contact_s"], 0.0)
    peaks = force.dropna(subset=[PEAK])
    assert len(peaks) == 6
    assert np.allclose(peaks["time_s"], 0.05)  # the top of a half sine of 100 ms
    assert sorted(peaks[PEAK]) == [5.0, 5.0, 6.0, 6.0, 7.0, 7.0]


def test_a_figure_without_estimates_says_so(tmp_path):
    empty = study.estimates(with_outcomes=False)
    write_table(empty, tmp_path / "estimates.parquet", "estimates")
    for name in ("hazard_ratios", "incidence", "planted"):
        FIGURES[name](tmp_path, tmp_path)
        assert "estimated" in (tmp_path / f"{name}.svg").read_text() or name == "planted"
        assert len(read_table(tmp_path / f"{name}.parquet")) == 0


def test_a_ratio_axis_is_symmetric_and_bounded():
    scale = ratio_scale("ratio", [0.5, 1.2, 40.0, float("nan")])
    assert scale.limits == (1 / 5, 5.0)
    assert 1.0 in scale.ticks
    assert set(ratio_scale("ratio", []).ticks) >= {1.0}
    narrow = ratio_scale("ratio", [0.9, 1.1])
    assert narrow.limits[0] < 0.9
    assert narrow.limits[1] > 1.1


def test_a_difference_axis_holds_zero():
    scale = difference_scale("difference", [-8.0, -3.0])
    assert scale.limits[0] < -8.0
    assert scale.limits[1] > 0.0
    assert 0.0 in scale.ticks


def test_reliability_is_drawn_as_spearman_and_brown_have_it_below_a_ceiling():
    rows = curves(study.estimates(), 10)
    assert set(rows["limb"]) <= {"involved", "both"}
    first = rows.loc[rows["metric"] == study.PLAN["primary"][0]["metric"]].set_index("trials")
    # Planted in report_study: deviations 1.0, 0.4 and 0.6 of athlete, visit and trial.
    for trials in (1, 3, 10):
        expected = 1.0 / (1.0 + 0.16 + 0.36 / trials)
        assert first.loc[trials, "reliability"] == pytest.approx(expected)
    assert (first["ci_low"] < first["ci_high"]).all()
    assert (first["protocol"] == 3).all()
