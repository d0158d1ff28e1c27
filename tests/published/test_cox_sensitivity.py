"""The step of sensitivity analyses against direct refits by general-purpose libraries.

lifelines fits the Cox models and the Aalen-Johansen curve; patsy (in the environment with
statsmodels) makes the natural cubic spline, in another basis of the same space. E-values:
VanderWeele & Ding 2017, Ann Intern Med 167:268.
"""

from __future__ import annotations

import dataclasses
import warnings

import numpy as np
import pandas as pd
import pytest
from lifelines import AalenJohansenFitter, CoxPHFitter
from patsy import dmatrix
from scipy.stats import chi2

from analysis.cohort.analysis_set import landmark_rows
from analysis.estimates import Estimates, estimates_table
from analysis.models.cox_e_values import add_e_values, incidence_at_end
from analysis.models.cox_fit import fit_outcome
from analysis.models.cox_sensitivity import cox_sensitivity
from analysis.models.cox_simex import extrapolated
from analysis.models.measurement_error import ErrorModel
from analysis.models.outcome_model import OutcomeModel
from analysis.models.term_inference import wald
from analysis.sensitivity.simex import LAMBDAS
from shared.tables import read_table
from tests.unit import cohort_tables as tables

OUTCOME = "graft_rupture"
REFITS = 4
PRECISE = {"precision": 1e-12, "r_precision": 1e-14}


def quick_plan() -> dict:
    plan = tables.plan()
    plan["sensitivity"]["simex"]["refits"] = 20
    return plan


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    folder = tmp_path_factory.mktemp("study")
    return folder, tables.typical_study(folder)


@pytest.fixture(scope="module")
def fitted(study):
    _, paths = study
    plan = quick_plan()
    return fit_outcome(landmark_rows(read_table(paths["cohort"])), plan["primary"], plan, OUTCOME)


def run(paths, folder, freeze=tables.FROZEN, name="sensitivity.parquet") -> pd.DataFrame:
    cox_sensitivity(
        cohort=paths["cohort"],
        metrics=paths["metrics"],
        filled=paths["filled"],
        imputation=paths["imputation"],
        estimates=folder / name,
        plan=quick_plan(),
        study=tables.study(),
        freeze=freeze,
    )
    return read_table(folder / name).set_index("number_id")


@pytest.fixture(scope="module")
def rows(study):
    folder, paths = study
    return run(paths, folder)


def lifelines_fit(design, matrix, kept=None) -> CoxPHFitter:
    table = pd.DataFrame(matrix, columns=[f"x{place}" for place in range(matrix.shape[1])])
    table["time"], table["event"], table["stratum"] = design.time, design.event, design.strata
    if kept is not None:
        table = table.loc[kept]
    fitter = CoxPHFitter()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fitter.fit(table, "time", "event", strata=["stratum"], fit_options=PRECISE)
    return fitter


def test_nonlinearity_against_lifelines_with_another_basis_of_the_spline(rows, fitted):
    design, _ = fitted
    for position, term in enumerate(design.terms[: design.n_predictors]):
        values = design.matrix[:, position]
        # Knots at the 10th, 50th and 90th percentile: Harrell 2015, section 2.4.
        low, middle, high = np.quantile(values, [0.1, 0.5, 0.9])
        basis = np.asarray(
            dmatrix(
                "cr(x, knots=knots, lower_bound=low, upper_bound=high) - 1",
                {"x": values, "knots": [middle], "low": low, "high": high},
            )
        )
        # The columns add to one, which a Cox model cannot tell from its baseline.
        others = np.delete(design.matrix, position, axis=1)
        curved = lifelines_fit(design, np.column_stack([basis[:, 1:], others]))
        straight = lifelines_fit(design, design.matrix)
        statistic = 2 * (curved.log_likelihood_ - straight.log_likelihood_)
        row = rows.loc[f"cox_nonlinearity.{OUTCOME}.{term.name}.nonlinearity_test"]
        assert row["estimate"] == pytest.approx(statistic, abs=1e-6)
        assert row["p"] == pytest.approx(chi2.sf(statistic, 1), rel=1e-5)
        assert (row["df"], row["ties"]) == (1, "efron")


def test_leaving_out_events_against_refits_by_lifelines(rows, fitted):
    design, estimate = fitted
    fits = [
        lifelines_fit(design, design.matrix, np.arange(len(design.event)) != row)
        for row in np.flatnonzero(design.event)
    ]
    for position, term in enumerate(design.terms[: design.n_predictors]):
        coefficients = np.array([fit.params_.iloc[position] for fit in fits])
        p = np.array([fit.summary["p"].iloc[position] for fit in fits])
        turned = np.sign(coefficients) != np.sign(estimate.terms[position].coefficient)
        expected = {
            "smallest_hazard_ratio": np.exp(coefficients.min()),
            "largest_hazard_ratio": np.exp(coefficients.max()),
            "smallest_p": p.min(),
            "largest_p": p.max(),
            "sign_changes": turned.sum(),
            "refits": design.n_events,
        }
        for quantity, value in expected.items():
            found = rows.loc[f"cox_leave_one_event_out.{OUTCOME}.{term.name}.{quantity}"]
            assert found["estimate"] == pytest.approx(value, rel=1e-6)


def test_simex_against_the_same_noise_refitted_by_lifelines(study):
    _, paths = study
    plan = quick_plan()
    cohort = landmark_rows(read_table(paths["cohort"]))
    design, estimate = fit_outcome(cohort, plan["primary"][:1], plan, OUTCOME)
    error = np.array([[0.3]])
    model = ErrorModel(np.eye(1), error, 100.0, 100.0, np.ones(1))
    found = extrapolated(design, estimate, model, REFITS, np.random.default_rng(3))
    rng = np.random.default_rng(3)
    curve = [lifelines_fit(design, design.matrix).params_.iloc[0]]
    for level in LAMBDAS:
        refits = []
        for _ in range(REFITS):
            moved = design.matrix.copy()
            moved[:, 0] += np.sqrt(level * 0.3) * rng.standard_normal(len(moved))
            refits.append(lifelines_fit(design, moved).params_.iloc[0])
        curve.append(np.mean(refits))
    parabola = np.polynomial.Polynomial.fit([0.0, *LAMBDAS], curve, 2)
    # Of a log hazard ratio per SD that is near zero, hence absolute.
    assert found.coefficients[0] == pytest.approx(parabola(-1.0), abs=1e-6)


def test_incidence_at_the_end_against_lifelines(fitted):
    design, _ = fitted
    cause = np.where(design.event, 1, np.where(design.rows["cause"] != 0, 2, 0))
    fitter = AalenJohansenFitter(calculate_variance=False, jitter_level=1e-9)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # tied times are moved apart by the jitter
        fitter.fit(design.time, cause, event_of_interest=1)
    expected = float(fitter.cumulative_density_.iloc[-1, 0])
    # Which of two tied ends comes first is the library's chance: at most one place in the risk set.
    assert incidence_at_end(design) == pytest.approx(expected, abs=2e-3)


def common(hazard_ratio: float) -> float:
    """Return the E-value by the formulas of the paper for a common outcome."""
    ratio = (1 - 0.5 ** np.sqrt(hazard_ratio)) / (1 - 0.5 ** np.sqrt(1 / hazard_ratio))
    return ratio + np.sqrt(ratio * (ratio - 1))


@pytest.mark.parametrize(
    ("rare_below", "kind", "value", "limit"),
    [
        # VanderWeele & Ding 2017: risk ratio 3.9 (1.8 to 8.7) has the E-values 7.26 and 3.0.
        (1.0, "rare outcome", 7.26, 3.00),
        (0.0, "common outcome", common(3.9), common(1.8)),
    ],
)
def test_e_values_of_a_published_example(fitted, rare_below, kind, value, limit):
    design, estimate = fitted
    published = dataclasses.replace(wald(np.log(3.9), 0.4, 0.95), low=np.log(1.8), high=np.log(8.7))
    terms = (published, *estimate.terms[1:])
    numbers = Estimates("cox_e_value")
    model = OutcomeModel((fitted,), terms, (), {})
    add_e_values(numbers, OUTCOME, model, rare_below)
    found = estimates_table(numbers).set_index("number_id")
    place = f"cox_e_value.{OUTCOME}.{design.terms[0].name}"
    assert found.loc[f"{place}.e_value", "estimate"] == pytest.approx(value, abs=0.005)
    assert found.loc[f"{place}.e_value_of_limit", "estimate"] == pytest.approx(limit, abs=0.005)
    assert (
        found.loc[[f"{place}.e_value", f"{place}.e_value_of_limit"], "note"]
        .str.contains(kind)
        .all()
    )


def test_with_enough_events_no_refit_is_made(study):
    folder, paths = study
    plan = quick_plan()
    plan["sensitivity"]["leave_one_event_out_below"] = 5
    cox_sensitivity(
        cohort=paths["cohort"], metrics=paths["metrics"], filled=paths["filled"],
        imputation=paths["imputation"], estimates=folder / "few.parquet",
        plan=plan, study=tables.study(), freeze=tables.FROZEN,
    )  # fmt: skip
    rows = read_table(folder / "few.parquet")
    single = rows.loc[rows["analysis"] == "cox_leave_one_event_out"]
    assert (single["quantity"] == "not_run").all()
    assert single["note"].str.contains("fewer than 5 events").all()


def test_without_a_frozen_plan_nothing_touches_outcomes(study):
    folder, paths = study
    rows = run(paths, folder, tables.NOT_FROZEN, "refused.parquet")
    assert (rows["quantity"] == "not_run").all()
    assert rows["note"].str.contains("not frozen").all()


def test_the_same_input_gives_the_same_bytes(study, rows):
    folder, paths = study
    assert len(rows)
    run(paths, folder, name="again.parquet")
    first, second = folder / "sensitivity.parquet", folder / "again.parquet"
    assert first.read_bytes() == second.read_bytes()
