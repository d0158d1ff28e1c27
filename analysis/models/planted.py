"""Step, demo study only: what was planted beside what was found, whatever came out."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from analysis.cohort.analysis_set import reason_not_to_run
from analysis.estimates import Estimates, write_estimates
from analysis.models.filled_cohort import read_filled_cohort
from analysis.models.planted_effects import effect_numbers, predictor_numbers
from analysis.models.planted_signals import (
    found_pairs,
    metric_numbers,
    nuisance_numbers,
    of_athletes,
)
from analysis.survival.errors import SurvivalDataError
from shared.tables import read_table

STEP = "analysis.models.planted:compare_with_truth"
PERMUTED = "the outcomes are permuted, and the effects that were planted are not in them"


def reason_not_to_compare(freeze: Mapping[str, Any]) -> str:
    """Return why planted effects are not held beside those found, '' where they are."""
    return PERMUTED if freeze.get("blinded") else reason_not_to_run(freeze)


def compare_with_truth(
    *,
    effects: Path,
    truth_landings: Path,
    truth_athletes: Path,
    truth_nuisances: Path,
    recordings: Path,
    landings: Path,
    metrics: Path,
    cohort: Path,
    filled: Path,
    imputation: Path,
    found: list[Path],
    estimates: Path,
    plan: dict[str, Any],
    freeze: dict[str, Any],
) -> None:
    """Write planted and found effects, errors of the extracted metrics, and nuisances found.

    Parameters
    ----------
    effects, truth_landings, truth_athletes, truth_nuisances
        Truth of the demo study, which no other step reads.
    found
        Estimates of the Cox models and of their correction.
    """
    people, values, files = read_table(cohort), read_table(metrics), read_table(recordings)
    truth = read_table(truth_athletes)
    effect_rows = Estimates("planted_effects")
    if reason := reason_not_to_compare(freeze):
        effect_rows.not_run("all", reason)
    else:
        known = pd.concat([read_table(path) for path in found], ignore_index=True)
        try:
            whole = read_filled_cohort(cohort, filled, imputation)
            effect_rows = effect_numbers(whole, truth, read_table(effects), known, plan)
        except SurvivalDataError as error:
            effect_rows.not_run("all", str(error))
    nuisances = of_athletes(read_table(truth_nuisances), people["athlete_id"])
    pairs = found_pairs(files, read_table(landings), values, people)
    inputs = {
        "effects": effects,
        "truth_landings": truth_landings,
        "truth_athletes": truth_athletes,
        "truth_nuisances": truth_nuisances,
        "recordings": recordings,
        "landings": landings,
        "metrics": metrics,
        "cohort": cohort,
        "filled": filled,
        "imputation": imputation,
    }
    write_estimates(
        estimates,
        effect_rows,
        predictor_numbers(people, truth, plan),
        metric_numbers(values, read_table(truth_landings)),
        nuisance_numbers(nuisances, pairs, files),
        step=STEP,
        inputs=inputs | {f"found_{number}": path for number, path in enumerate(found)},
    )
