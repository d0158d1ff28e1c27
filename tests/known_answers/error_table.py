"""How far off every metric is on closed-form trials, through the real readers and the real steps.

    python -m tests.known_answers.error_table        # writes ERRORS.md beside this file, 2 minutes

Each trial is a function of time (`closed_movement`), written as CSV at 100 to 2000 samples per
second, clean and with what instruments add (`closed_study.CONDITIONS`), then read, calibrated and
measured as in any study. The truth comes from the formulas (`closed_truth`). Every
recording is measured at its own rate, so each column is about that rate.
"""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd

from shared.metric_dictionary import metrics
from tests.known_answers.closed_study import TASKS_OF_ALL_METRICS, plan, write_closed_study
from tests.known_answers.closed_truth import Scene, scenes, truth_of
from tests.known_answers.closed_truth_defined import DEFINED_TRUTHS
from tests.known_answers.closed_truth_peaks import PEAK_TRUTHS
from tests.known_answers.closed_truth_plate import PLATE_TRUTHS
from tests.known_answers.error_targets import RATE_HZ, targets_section
from tests.tiny_study.extracted import extract

RATES_HZ = (100, 200, 500, 1000, 2000)
TRIALS = {"clean": 5, "noise": 20, "offset": 3, "tilt": 3, "drift": 3, "clipping": 3}
TARGET = Path(__file__).with_name("ERRORS.md")
NATIVE: dict[str, dict] = {"filtering": {"harmonised_rate_hz": {}}}
"""Changes to processing.yaml so that every recording stays at its own rate."""


def measured(
    rate_hz: float, conditions: dict[str, int], *, tasks: tuple[str, ...] = TASKS_OF_ALL_METRICS
) -> pd.DataFrame:
    """Return every value of the metrics table with its truth and error.

    Columns: those of `metrics`, and condition, truth, error, rate, error_as_defined (against the
    quantity as it is defined, where that is another one than the ideal, at the rate that is judged;
    elsewhere not a number).
    """
    trials = plan(conditions, tasks)
    with tempfile.TemporaryDirectory() as folder:
        settings = write_closed_study(Path(folder), rate_hz, trials, processing=NATIVE)
        table = extract(settings, settings.results_folder)["metrics"]
    found = {
        f"{trial.name}.{side}.{number}": (trial.condition, scene)
        for trial in trials
        for (side, number), scene in scenes(trial.movement).items()
    }
    table["condition"] = [found[name][0] for name in table["landing_id"]]
    table["truth"] = [
        np.nan if np.isnan(row.value) else _truth(row, found[row.landing_id][1])
        for row in table.astype({"value": float}).itertuples()
    ]
    table["error"] = table["value"] - table["truth"]
    defined = DEFINED_TRUTHS if rate_hz == RATE_HZ else {}
    table["error_as_defined"] = [
        row.value - defined[row.metric, row.sensor](found[row.landing_id][1], rate_hz)
        if (row.metric, row.sensor) in defined and not np.isnan(row.value)
        else np.nan
        for row in table.astype({"value": float}).itertuples()
    ]
    return table.assign(rate=rate_hz)


def _truth(row: NamedTuple, scene: Scene) -> float:
    of_plates = (PLATE_TRUTHS | PEAK_TRUTHS).get(row.metric) if row.sensor == "plate" else None
    truth = of_plates or truth_of(row.metric, row.sensor)
    return np.nan if truth is None else truth(scene)


def summary(values: pd.DataFrame) -> pd.DataFrame:
    """Return bias and SD of the error, and the largest relative error, per metric and sensor."""
    groups = values.dropna(subset=["error"]).groupby(
        ["condition", "metric", "sensor", "rate"], observed=True, sort=False
    )
    return groups.apply(
        lambda g: pd.Series(
            {
                "n": len(g),
                "bias": g["error"].mean(),
                "sd": g["error"].std(ddof=0),
                "largest": g["error"].abs().max(),
                "largest_share": (g["error"] / g["truth"]).abs().max(),
            }
        ),
        include_groups=False,
    ).reset_index()


def _number(value: float) -> str:
    return "0" if abs(value) < 5e-7 else f"{value:.2g}"


def _table(rows: pd.DataFrame) -> list[str]:
    """Return one condition as a table: metrics down, rates across, bias ± SD."""
    lines = ["| metric | sensor | unit | " + " | ".join(f"{r} Hz" for r in RATES_HZ) + " |"]
    lines.append("|---|---|---|" + "---|" * len(RATES_HZ))
    order = list(metrics())
    cells = {
        (row.metric, row.sensor, row.rate): f"{_number(row.bias)} ± {_number(row.sd)}"
        for row in rows.itertuples()
    }
    pairs = sorted({(m, s) for m, s, _ in cells}, key=lambda pair: (order.index(pair[0]), pair[1]))
    for metric, sensor in pairs:
        values = [cells.get((metric, sensor, float(rate)), "none") for rate in RATES_HZ]
        lines.append(f"| {metric} | {sensor} | {metrics()[metric].unit} | {' | '.join(values)} |")
    return lines


_TEXT = {
    "clean": "No noise, no error of the instrument: what sampling, filters and rules alone do.",
    "noise": "Plates 1.5 N, waist unit 10 mg, gyroscopes 0.1 deg/s, camera 0.3 deg (SD).",
    "offset": "15 N on each plate; gyroscopes biased by 0.5 deg/s.",
    "tilt": "The waist unit pitched by 10 degrees.",
    "drift": "Gyroscope bias 0.5 deg/s, growing by 0.05 deg/s every second. Plates drift by 0.05 "
    "N/s, which nothing takes out within a recording: the weight is read seconds after the empty "
    "plate.",
    "clipping": "Waist unit of 3 g range: the peak is cut, the value a lower bound and flagged.",
}


_OPENING = """\
# Error of every metric on closed-form trials

Made by `python -m tests.known_answers.error_table`. Cells: mean error ± standard deviation of the
error, extracted minus true, in the unit of the metric; "none": no value (refused at this rate, or
not there). Drop from 0.30 m on a spring of 14 kN/m per 70 kg, the jump after it, the same drop on
toe and heel (peaks of 1.7 and 4.4 BW, 20 and 65 ms after the touch), a countermovement jump; three
to twenty trials each, the contact at another part of a sample in every trial.

Contact and take-off are those of their definition (20 N). With these landings, which begin softly,
the definition sees the contact 0.6 to 1.9 ms after the true touch. Times by the waist unit are held
against the true touch: its rule waits for 1 g, which these landings reach 10 to 30 ms after contact
(against the instants of that rule: under Targets, `as defined`). A real foot strikes harder; the
contact lag in the study report shows by how much."""


def main() -> None:
    """Measure at all rates and write the table."""
    values = pd.concat([measured(float(rate), TRIALS) for rate in RATES_HZ])
    rows = summary(values)
    text = [*_OPENING.splitlines(), "", *targets_section(values), ""]
    for condition, sentence in _TEXT.items():
        text += [f"## {condition.capitalize()}", "", sentence, ""]
        text += [*_table(rows.loc[rows["condition"] == condition]), ""]
    TARGET.write_text("\n".join(text), encoding="utf-8")


if __name__ == "__main__":
    main()
