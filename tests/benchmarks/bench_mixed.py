"""Time of the nested REML fit against statsmodels, as a ratio in one run.

Run with `python -m tests.benchmarks.bench_mixed`. 20,000 rows: 500 athletes x 4 visits x 10
landings, random intercepts of athlete and of visit in athlete, three covariates.
"""

import time
import warnings
from collections.abc import Callable

import numpy as np
import pandas as pd

from analysis.mixed import fit_mixed, kenward_roger_t, random_intercept, satterthwaite_t
from analysis.mixed.bootstrap import parametric_bootstrap

ATHLETES, VISITS, LANDINGS = 500, 4, 10
BOOTSTRAPS = 20


def nested_data(seed: int = 1) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return outcome, fixed columns, athlete and visit codes."""
    generator = np.random.default_rng(seed)
    visits = ATHLETES * VISITS
    visit = np.repeat(np.arange(visits), LANDINGS)
    athlete = visit // VISITS
    fixed = np.column_stack(
        [
            np.ones(visit.size),
            generator.integers(0, 2, visit.size),
            generator.normal(size=visits)[visit],
            generator.normal(size=ATHLETES)[athlete],
        ]
    )
    outcome = fixed @ [3.0, 0.2, 0.1, 0.3] + 0.5 * generator.normal(size=ATHLETES)[athlete]
    outcome = outcome + 0.3 * generator.normal(size=visits)[visit]
    return outcome + 0.4 * generator.normal(size=visit.size), fixed, athlete, visit


def fastest(run: Callable[[], object], repeats: int) -> float:
    """Return the shortest of several timings in seconds."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        run()
        times.append(time.perf_counter() - start)
    return min(times)


def statsmodels_fit(
    outcome: np.ndarray, fixed: np.ndarray, athlete: np.ndarray, visit: np.ndarray
) -> float:
    """Fit the same model with statsmodels and return its log-likelihood."""
    import statsmodels.formula.api as formulas

    table = pd.DataFrame(fixed[:, 1:], columns=["limb", "visit_level", "athlete_level"])
    table["outcome"], table["athlete"], table["visit"] = outcome, athlete, visit % VISITS
    model = formulas.mixedlm(
        "outcome ~ limb + visit_level + athlete_level",
        table,
        groups="athlete",
        re_formula="1",
        vc_formula={"visit": "0 + C(visit)"},
    )
    return float(model.fit(reml=True).llf)


def main() -> None:
    """Print the timings and their ratio."""
    outcome, fixed, athlete, visit = nested_data()
    terms = [random_intercept("athlete", athlete), random_intercept("visit in athlete", visit)]
    fit = fit_mixed(outcome, fixed, terms)
    ours = fastest(lambda: fit_mixed(outcome, fixed, terms), 7)
    print(f"nested REML, {outcome.size} rows: {1e3 * ours:.1f} ms, {fit.log_likelihood:.9f}")
    print(f"Satterthwaite: {1e3 * fastest(lambda: satterthwaite_t(fit), 3):.1f} ms")
    print(f"Kenward-Roger: {1e3 * fastest(lambda: kenward_roger_t(fit), 3):.1f} ms")
    each = fastest(lambda: parametric_bootstrap(fit, BOOTSTRAPS, seed=1), 1) / BOOTSTRAPS
    print(f"bootstrap: {1e3 * each:.1f} ms per refit, {1e3 * each:.1f} s per 1000")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        start = time.perf_counter()
        theirs_likelihood = statsmodels_fit(outcome, fixed, athlete, visit)
        theirs = time.perf_counter() - start
    print(f"statsmodels: {theirs:.2f} s, {theirs_likelihood:.9f}")
    print(f"ratio: {theirs / ours:.0f}")
    print(f"log-likelihood above statsmodels: {fit.log_likelihood - theirs_likelihood:.2e}")


if __name__ == "__main__":
    main()
