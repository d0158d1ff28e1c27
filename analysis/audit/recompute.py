"""Do a number again with the project's own code: a landing from raw, an estimate from its tables.

A landing is measured by the pipeline's step, which the analysis may not import: it runs by its name
in a process of its own, on the raw files of that athlete alone.
"""

from __future__ import annotations

import inspect
import json
import math
import re
import subprocess
import sys
import tempfile
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pandas as pd

from analysis.audit.step_inputs import input_of_step
from analysis.audit.study_folder import StudyFolder, TraceError
from shared.layout import SHARD_TABLES
from shared.sources import ROOT
from shared.tables import read_table

_EXTRACT = "pipeline.extraction.shard:extract_shard"
_RUN = """\
import json, sys
from pathlib import Path
from shared.step import load_step
call = json.load(sys.stdin)
files = {name: Path(path) for name, path in call["files"].items()}
load_step(call["step"])(**files, **call["parameters"])
"""


def _run_step(step: str, files: dict[str, Path], parameters: dict[str, Any]) -> None:
    call = {
        "step": step,
        "files": {name: str(path) for name, path in files.items()},
        "parameters": parameters,
    }
    done = subprocess.run(
        [sys.executable, "-c", _RUN],
        input=json.dumps(call),
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        last = done.stderr.strip().splitlines()[-1:] or ["no message"]
        raise TraceError(f"the step {step} could not run again: {last[0]}")


def verdict(before: float, after: float) -> str:
    """Return a sentence that says equal, or by how much not."""
    if before == after or (math.isnan(before) and math.isnan(after)):
        return f"equal: {after:.10g}"
    if math.isnan(before) or math.isnan(after):
        return f"NOT EQUAL: {before:.10g} before, {after:.10g} now"
    relative = f" ({(after - before) / before:+.2e} of it)" if before else ""
    return f"NOT EQUAL: {before:.10g} before, {after:.10g} now, {after - before:+.3e}{relative}"


def landing_again(study: StudyFolder, row: pd.Series) -> str:
    """Measure the landing of a metric row again from the raw files, and compare the value.

    Raises
    ------
    TraceError
        The step cannot run, or finds no such value.
    """
    settings, athlete = study.settings, row["athlete_id"]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        files = {"unit_calibrations": study.path("unit_calibrations")}
        for table in ("recordings_index", "calibration_index", "athletes"):
            files[table] = folder / f"{table}.parquet"
            rows = study.table(table, [("athlete_id", "==", athlete)])
            rows.to_parquet(files[table], index=False)
        files |= {table: folder / "new" / f"{table}.parquet" for table in SHARD_TABLES}
        _run_step(
            _EXTRACT,
            files,
            {
                "shard": 0,
                "shards": 1,
                "study": settings.study.model_dump(mode="json"),
                "processing": settings.processing.model_dump(mode="json"),
                "devices": {n: d.model_dump(mode="json") for n, d in settings.devices.items()},
                "study_folder": str(study.raw.resolve()),
            },
        )
        again = read_table(files["metrics"])
    keys = ("landing_id", "metric", "sensor")
    same = again.loc[(again[list(keys)] == row[list(keys)].to_numpy()).all(axis=1)]
    if same.empty:
        raise TraceError("NOT EQUAL: measured again, the raw files give no such value")
    return verdict(_float(row["value"]), _float(same["value"].iloc[0]))


def _float(value: Any) -> float:
    return math.nan if pd.isna(value) else float(value)


def step_of(part: str) -> str:
    """Return the address of the step whose rule writes the estimates `part`.

    Raises
    ------
    TraceError
        No rule writes them.
    """
    for file in sorted((ROOT / "analysis" / "rules").glob("*.smk")):
        for rule in re.split(r"^ *(?:use )?rule ", file.read_text(encoding="utf-8"), flags=re.M)[
            1:
        ]:
            found = re.search(r'step="([^"]+)"', rule)
            if found and f"/models/{part}.parquet" in rule:
                return found[1]
    raise TraceError(f"no rule of this version of the project writes {part}")


_OUTPUTS = {
    "force_from_waist": ("force_estimates", "force_held_out"),
    "impute_cohort": ("filled",),
    "r_second_opinion": ("bundle",),
}
"""Part of the estimates -> what else its step writes."""


def _parameters(study: StudyFolder) -> dict[str, Any]:
    from shared.freeze import status_of

    settings = study.settings
    processing = settings.processing.model_dump(mode="json")
    return {
        "plan": settings.plan.model_dump(mode="json"),
        "study": settings.study.model_dump(mode="json"),
        "processing": processing,
        "quality": processing["quality"],
        "minimum_valid_trials": processing["minimum_valid_trials"],
        "freeze": status_of(settings).as_dict(),
        "devices": {n: d.model_dump(mode="json") for n, d in settings.devices.items()},
        "study_folder": str(study.raw),
    }


def _all_there(part: str, arguments: Iterable[Any], folder: Path) -> None:
    for argument in arguments:
        for path in argument if isinstance(argument, list) else [argument]:
            if isinstance(path, Path) and path.parent != folder and not path.is_file():
                raise TraceError(
                    f"the step {part} needs the file {path.name}, which is not there: run the study"
                )


def step_again(study: StudyFolder, part: str) -> pd.DataFrame:
    """Run the step that gave a part of the estimates again on its tables; return its estimates.

    Raises
    ------
    TraceError
        The step is not known, the plan was changed after the freeze, or an input is missing.
    """
    from shared.freeze import status_of
    from shared.step import load_step

    if (frozen := status_of(study.settings)).stops_a_run:
        raise TraceError(
            "the settings were changed after the plan was frozen, so the number cannot come out "
            "again:\n    " + "\n    ".join(frozen.differences[:5])
        )
    step, known = load_step(step_of(part)), _parameters(study)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        written = ("estimates", *_OUTPUTS.get(part, ()))
        arguments: dict[str, Any] = {output: folder / output for output in written}
        for parameter in inspect.signature(step).parameters:
            if parameter not in arguments:
                found = known.get(parameter)
                arguments[parameter] = input_of_step(study, parameter) if found is None else found
        _all_there(part, arguments.values(), folder)
        step(**arguments)
        return read_table(folder / "estimates")


def estimate_again(study: StudyFolder, estimate: pd.Series, part: Path) -> str:
    """Run the step that gave an estimate again on its tables, and compare the number.

    Raises
    ------
    TraceError
        The step cannot run (see `step_again`), or gives no such number.
    """
    again = step_again(study, part.stem)
    row = again.loc[again["number_id"] == estimate["number_id"]]
    if row.empty:
        raise TraceError("NOT EQUAL: run again, the step gives no such number")
    return verdict(_float(estimate["estimate"]), _float(row["estimate"].iloc[0]))
