"""The files of the bundle for R: written for its script, and read after R has run it."""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from analysis.audit.r_models import PRINTED, TESTED, FamilyForR, ForR, column_names
from shared.tables import write_text

KIND_OF_LIMITS = {"survival": "cox", "lme4": "mixed", "nlme": "nlme"}
"""Package of R -> beginning of the names of its limits in the plan."""

_SCRIPTS = Path(__file__).with_name("in_r")
_LONGEST_S = 600.0  # R took 5 s for 20 models; a run that hangs must end
_SETTINGS = ("predictors", "family", "ties", "slope", "visits", "df", "level")


@dataclass(frozen=True)
class RNumbers:
    """What R said: differences, reasons of what it did not fit, and why it ended early or ''."""

    differences: pd.DataFrame
    refused: pd.DataFrame
    failure: str


def _csv(rows: Sequence[Mapping[str, Any]] | pd.DataFrame, columns: Sequence[str], path: Path,
         missing: str = "") -> None:  # fmt: skip
    # Numbers have the fewest digits that lead back to the very same number.
    text = pd.DataFrame(rows, columns=list(columns)).to_csv(
        index=False, lineterminator="\n", na_rep=missing
    )
    write_text(text, path)


def _listed(model: ForR) -> dict[str, Any]:
    words = {
        name: str(value).upper() if isinstance(value, bool) else value
        for name, value in model.settings.items()
    }
    filled = f"{model.name}_filled.csv" if len(model.drawn) else ""
    return {"model": model.name, "kind": model.kind, "file": f"{model.name}.csv",
            "filled": filled, **words}  # fmt: skip


def _expected(model: ForR) -> list[dict[str, Any]]:
    columns = column_names(len(model.names))
    return [
        {
            "model": model.name,
            "data_set": number,
            "column": column,
            "term": term,
            "coefficient": coefficient,
            "standard_error": error,
            "log_likelihood": fit.log_likelihood,
        }
        for number, fit in enumerate(model.fits, start=1)
        for column, term, coefficient, error in zip(
            columns, model.names, fit.coefficients, fit.errors, strict=True
        )
    ]


def write_bundle(
    models: Sequence[ForR], family: FamilyForR, limits: Mapping[str, float], folder: Path
) -> None:
    """Write tables, list of models, expected numbers and scripts to a folder, made anew."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    used = [model for model in models if not model.reason]
    for model in used:
        _csv(model.table, model.table.columns, folder / f"{model.name}.csv", "NA")
        if len(model.drawn):
            _csv(model.drawn, model.drawn.columns, folder / f"{model.name}_filled.csv")
    names = ("model", "kind", "file", "filled", *_SETTINGS)
    _csv([_listed(model) for model in used], names, folder / "models.csv")
    names = ("model", "data_set", "column", "term", "coefficient", "standard_error",
             "log_likelihood")  # fmt: skip
    expected = [row for model in used for row in _expected(model)]
    _csv(expected, names, folder / "expected.csv")
    printed = [
        {"model": model.name, **row}
        for model in used
        for row in model.printed.to_dict(orient="records")
    ]
    _csv(printed, ("model", "column", "term", *PRINTED), folder / "printed.csv", "NA")
    tests = [
        {"model": model.name, **row}
        for model in used
        for row in model.tests.to_dict(orient="records")
    ]
    _csv(tests, ("model", *TESTED), folder / "tests.csv", "NA")
    families = [] if family.reason else [vars(family) | {"family": family.name}]
    _csv(families, ("family", "method", "size"), folder / "family.csv")
    held = [
        {
            "package": package,
            "coefficient": limits[f"{kind}_coefficient"],
            "log_likelihood": limits[f"{kind}_log_likelihood"],
        }
        for package, kind in KIND_OF_LIMITS.items()
    ]
    _csv(held, ("package", "coefficient", "log_likelihood"), folder / "limits.csv")
    for script in sorted(_SCRIPTS.glob("*.R")):
        write_text(script.read_text(encoding="utf-8"), folder / script.name)


def _read(path: Path, columns: Sequence[str]) -> pd.DataFrame:
    if not path.is_file():
        return pd.DataFrame(columns=list(columns))
    return pd.read_csv(path, float_precision="round_trip", keep_default_na=False, na_values=["NA"])


def run_r(folder: Path, program: str, *packages: str) -> RNumbers:
    """Run the script of a bundle in a copy of it, and return what R said before it ended.

    Parameters
    ----------
    packages
        For the mixed models; the first that is installed is taken. None: as the script chooses.
    """
    with tempfile.TemporaryDirectory() as name:
        copy = Path(name) / "bundle"
        shutil.copytree(folder, copy)
        failure = ""
        try:
            done = subprocess.run(
                [program, "--vanilla", "models.R", *packages],
                cwd=copy,
                capture_output=True,
                text=True,
                timeout=_LONGEST_S,
                check=False,
            )
            if done.returncode:
                lines = done.stderr.strip().splitlines() or ["no message"]
                failure = f"R failed: {lines[-1]}"
        except subprocess.TimeoutExpired:
            failure = "R did not end in time"
        return RNumbers(
            _read(
                copy / "r_differences.csv",
                ("model", "package", "version", "quantity", "difference", "at"),
            ),
            _read(copy / "r_refused.csv", ("model", "reason")),
            failure,
        )
