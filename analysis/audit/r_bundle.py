"""Step: a bundle that reproduces the primary models in R; where R is installed, it is run.

The bundle holds the rows of each model without identifiers, a script, and what this study found.
It is data of participants all the same and stays with the team.
"""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from analysis.audit.r_models import ForR, cox_for_r, mixed_for_r, refused
from analysis.cohort.analysis_set import landmark_rows, reason_not_to_run
from analysis.estimates import EstimateFields, Estimates, write_estimates
from shared.blinding import mark_in
from shared.tables import read_table, write_text

STEP = "analysis.audit.r_bundle:r_bundle"
ANALYSIS = "r_second_opinion"
NO_R = "R is not installed"
_SCRIPT = Path(__file__).with_name("models.R")
_LONGEST_S = 600.0  # R took 3 s for 16 models; a run that hangs must end


def _csv(table: pd.DataFrame, path: Path) -> None:
    # 17 digits lead back to the very same number.
    write_text(table.to_csv(index=False, float_format="%.17g", lineterminator="\n"), path)


def write_bundle(models: Sequence[ForR], folder: Path) -> None:
    """Write tables, list of models, expected numbers and script to a folder, made anew."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    listed, expected = [], []
    for model in models:
        if model.reason:
            continue
        file = f"{model.name}.csv"
        _csv(model.table, folder / file)
        known = {"ties": "", "slope": "", "visits": "", **model.settings}
        words = {k: str(v).upper() if isinstance(v, bool) else v for k, v in known.items()}
        listed.append({"model": model.name, "kind": model.kind, "file": file, **words})
        values = zip(model.names, model.coefficients, model.errors, strict=True)
        for place, (term, coefficient, error) in enumerate(values, start=1):
            expected.append(
                {
                    "model": model.name,
                    "column": f"x{place}",
                    "term": term,
                    "coefficient": coefficient,
                    "standard_error": error,
                    "log_likelihood": model.log_likelihood,
                }
            )
    columns = ["model", "kind", "file", "ties", "slope", "visits"]
    _csv(pd.DataFrame(listed, columns=columns), folder / "models.csv")
    names = ["model", "column", "term", "coefficient", "standard_error", "log_likelihood"]
    _csv(pd.DataFrame(expected, columns=names), folder / "expected.csv")
    write_text(_SCRIPT.read_text(encoding="utf-8"), folder / "models.R")


def run_r(folder: Path, program: str) -> pd.DataFrame:
    """Run the script of a bundle in a copy of it, and return R's numbers.

    Raises
    ------
    RuntimeError
        R ends with an error or takes too long; the text is its last line.
    """
    with tempfile.TemporaryDirectory() as name:
        copy = Path(name) / "bundle"
        shutil.copytree(folder, copy)
        try:
            done = subprocess.run(
                [program, "--vanilla", "models.R"],
                cwd=copy,
                capture_output=True,
                text=True,
                timeout=_LONGEST_S,
                check=False,
            )
        except subprocess.TimeoutExpired as error:
            raise RuntimeError("R did not end in time") from error
        file = copy / "r_numbers.csv"
        if done.returncode or not file.is_file():
            raise RuntimeError((done.stderr.strip().splitlines() or ["no message"])[-1])
        return pd.read_csv(file, float_precision="round_trip")


def compare_with_r(
    model: ForR, by_r: pd.DataFrame, limits: Mapping[str, float], numbers: Estimates
) -> None:
    """Add how far R's coefficients, errors and log-likelihood of a model lie from ours."""
    rows = by_r.loc[by_r["model"] == model.name]
    if len(rows) != len(model.names):
        numbers.not_run(model.subject, "R gave no estimates of this model")
        return
    apart = (rows["coefficient"].to_numpy() - model.coefficients) / model.errors
    errors = rows["standard_error"].to_numpy() / model.errors - 1.0
    likelihood = float(rows["log_likelihood"].iloc[0]) - model.log_likelihood
    relative = likelihood / max(abs(model.log_likelihood), 1.0)
    fields: EstimateFields = {"note": str(rows["version"].iloc[0])}
    largest = float(apart[np.argmax(np.abs(apart))])
    largest_error = float(errors[np.argmax(np.abs(errors))])
    kind, subject = model.kind, model.subject
    for quantity, value, unit in (
        ("largest_difference_in_standard_errors", largest, "standard errors"),
        ("largest_relative_difference_of_standard_error", largest_error, "share"),
        ("relative_difference_of_log_likelihood", relative, "share"),
        ("coefficient_limit", limits[f"{kind}_coefficient"], "standard errors"),
        ("log_likelihood_limit", limits[f"{kind}_log_likelihood"], "share"),
    ):
        numbers.add(subject, "all", quantity, value, unit=unit, **fields)
    within = abs(largest) <= limits[f"{kind}_coefficient"]
    within = within and abs(relative) <= limits[f"{kind}_log_likelihood"]
    numbers.add(subject, "all", "passed", float(within), unit="1 = passed, 0 = failed", **fields)


def r_numbers(models: Sequence[ForR], folder: Path, limits: Mapping[str, float]) -> Estimates:
    """Return the comparison with R of all models of a bundle, or why there is none."""
    numbers = Estimates(ANALYSIS)
    for model in models:
        if model.reason:
            numbers.not_run(model.subject, model.reason)
    usable = [model for model in models if not model.reason]
    if not usable:
        return numbers
    program = shutil.which("Rscript")
    if program is None:
        numbers.not_run("all", NO_R)
        return numbers
    try:
        by_r = run_r(folder, program)
    except RuntimeError as error:
        numbers.not_run("all", f"R failed: {error}")
        return numbers
    for model in usable:
        compare_with_r(model, by_r, limits, numbers)
    return numbers


def r_bundle(
    *,
    metrics: Path,
    cohort: Path,
    bundle: Path,
    estimates: Path,
    plan: dict[str, Any],
    study: dict[str, Any],
    freeze: dict[str, Any],
) -> None:
    """Write the bundle, run it where R is, and write the differences.

    Parameters
    ----------
    bundle
        Folder that is made anew.
    """
    people = read_table(cohort)
    reason = reason_not_to_run(freeze)
    cox = (
        [refused(("cox", outcome), "cox", reason) for outcome in plan["primary_outcomes"]]
        if reason
        else list(cox_for_r(landmark_rows(people), plan))
    )
    mixed = mixed_for_r(read_table(metrics), people, plan, study["clearance_visit"])
    models = [*cox, *mixed]
    write_bundle(models, bundle)
    if words := mark_in(cohort):
        write_text(f"{words}.\n", bundle / "BLINDED.txt")
    numbers = r_numbers(models, bundle, plan["audit"]["r_bundle"])
    write_estimates(estimates, numbers, step=STEP, inputs={"metrics": metrics, "cohort": cohort})
