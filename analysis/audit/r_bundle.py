"""Step: a bundle that reproduces the primary models in R; where R is installed, it is run.

The bundle holds the rows of each model without identifiers, the values drawn for their gaps, a
script, what this study found and what its report prints. It is data of participants all the same
and stays with the team.
"""

from __future__ import annotations

import shutil
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from analysis.audit.r_comparison import ANALYSIS, differences_of, not_covered
from analysis.audit.r_cox import FAMILY, cox_analyses, cox_for_r, family_for_r
from analysis.audit.r_cox import KIND as COX
from analysis.audit.r_files import run_r, write_bundle
from analysis.audit.r_mixed import mixed_for_r
from analysis.audit.r_models import FamilyForR, ForR
from analysis.cohort.analysis_set import reason_not_to_run
from analysis.estimates import Estimates, write_estimates
from analysis.models.filled_cohort import read_filled_cohort
from shared.blinding import mark_in
from shared.tables import read_table, write_text

STEP = "analysis.audit.r_bundle:r_bundle"
NO_R = "R is not installed"


def r_numbers(
    models: Sequence[ForR], family: FamilyForR, folder: Path, limits: Mapping[str, float]
) -> Estimates:
    """Return how far R lies from each model of a bundle, or why it was not compared."""
    numbers = Estimates(ANALYSIS)
    for model in models:
        if model.reason:
            numbers.not_run(model.subject, model.reason)
    used = [model for model in models if not model.reason]
    if not used:
        return numbers
    program = shutil.which("Rscript")
    if program is None:
        numbers.not_run("all", NO_R)
        return numbers
    differences_of(used, family, run_r(folder, program), limits, numbers)
    return numbers


def r_bundle(
    *,
    metrics: Path,
    cohort: Path,
    filled: Path,
    imputation: Path,
    hazard_ratios: Path,
    limb_differences: Path,
    bundle: Path,
    estimates: Path,
    plan: dict[str, Any],
    study: dict[str, Any],
    freeze: dict[str, Any],
) -> None:
    """Write the bundle, run it where R is, and write the differences.

    Parameters
    ----------
    hazard_ratios, limb_differences
        Estimates that the report prints.
    bundle
        Folder that is made anew.
    """
    cox_rows = read_table(hazard_ratios)
    if reason := reason_not_to_run(freeze):
        cox = [
            ForR((analysis, outcome), COX, reason=reason)
            for analysis in cox_analyses(plan)
            for outcome in plan["primary_outcomes"]
        ]
        family = FamilyForR(FAMILY, plan["multiplicity"], 0, reason)
    else:
        whole = read_filled_cohort(cohort, filled, imputation)
        cox = list(cox_for_r(whole, cox_rows, plan))
        family = family_for_r(cox, cox_rows, plan)
    mixed = mixed_for_r(
        read_table(metrics),
        read_table(cohort),
        read_table(limb_differences),
        plan,
        study["clearance_visit"],
    )
    models, limits = [*cox, *mixed], plan["audit"]["r_bundle"]
    write_bundle(models, family, limits, bundle)
    if words := mark_in(cohort):
        write_text(f"{words}.\n", bundle / "BLINDED.txt")
    numbers = r_numbers(models, family, bundle, limits)
    if any(row["quantity"] == "passed" for row in numbers.rows()):
        not_covered(numbers, plan)
    inputs = {
        "metrics": metrics,
        "cohort": cohort,
        "filled": filled,
        "imputation": imputation,
        "hazard_ratios": hazard_ratios,
        "limb_differences": limb_differences,
    }
    write_estimates(estimates, numbers, step=STEP, inputs=inputs)
