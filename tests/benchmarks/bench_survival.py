"""Time the survival estimators against lifelines in one run; prints times and ratios.

Run it by itself: ``OPENBLAS_NUM_THREADS=1 python tests/benchmarks/bench_survival.py``. One thread
makes the numbers repeatable: small matrix products gain nothing from more.
"""

from __future__ import annotations

import time
import warnings
from collections.abc import Callable

import numpy as np
import pandas as pd

from analysis.competing.fine_gray import fit_fine_gray
from analysis.survival.cox import fit_cox
from analysis.survival.cox_sample import cox_sample
from analysis.survival.kaplan_meier import kaplan_meier


def best_time(run: Callable[[], object], repeats: int) -> float:
    """Return the shortest of several runs in milliseconds of processor time."""
    run()
    times = []
    for _ in range(repeats):
        begin = time.process_time()
        run()
        times.append(time.process_time() - begin)
    return 1000 * min(times)


def cohort(n: int, p: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Simulate covariates, whole days of follow-up and events."""
    generator = np.random.default_rng(n)
    X = generator.normal(size=(n, p))
    event_time = generator.exponential(700.0, size=n) * np.exp(-X @ np.full(p, 0.2))
    end = generator.uniform(100, 1500, size=n)
    return X, np.ceil(np.minimum(event_time, end)), (event_time <= end).astype(int)


def report(
    name: str, ours: float, goal: float, theirs: float | None = None, least: float | None = None
) -> None:
    """Print one line: our time, the goal, lifelines' time with the ratio and the least demanded."""
    line = f"{name:42s} {ours:9.2f} ms   goal {goal:7.1f} ms"
    if theirs is not None:
        line += f"   lifelines {theirs:9.1f} ms   ratio {theirs / ours:7.1f}"
    if least is not None:
        line += f"   goal {least:.0f}"
    print(line)


def time_cox(n: int, p: int, goal: float, repeats: int, least: float | None = None) -> None:
    """Compare one Cox fit, model and robust covariance."""
    from lifelines import CoxPHFitter

    X, stop, event = cohort(n, p)
    table = pd.DataFrame(X).assign(stop=stop, event=event)
    theirs = best_time(lambda: CoxPHFitter().fit(table, "stop", "event"), max(2, repeats // 10))
    ours = best_time(lambda: fit_cox(cox_sample(X, stop, event)), repeats)
    report(f"Cox, Efron, n={n}, p={p}", ours, goal, theirs, least)
    robust = best_time(lambda: fit_cox(cox_sample(X, stop, event), robust=True), repeats)
    report(f"Cox, Efron, robust, n={n}, p={p}", robust, goal)


def time_bootstrap() -> None:
    """Fit 1,000 resamples of 150 rows and five covariates."""
    X, stop, event = cohort(150, 5)
    generator = np.random.default_rng(1)
    draws = generator.integers(0, 150, size=(1000, 150))

    def run() -> None:
        for rows in draws:
            fit_cox(cox_sample(X[rows], stop[rows], event[rows]))

    report("1,000 Cox bootstraps, n=150, p=5", best_time(run, 3), 1000.0)


def time_others() -> None:
    """Time Fine-Gray and Kaplan-Meier."""
    from lifelines import KaplanMeierFitter

    X, stop, event = cohort(1300, 3)
    cause = event * (1 + np.arange(1300) % 3 // 2)
    report("Fine-Gray, n=1300, p=3", best_time(lambda: fit_fine_gray(X, stop, cause), 10), 50.0)
    report(
        "Kaplan-Meier, n=1300",
        best_time(lambda: kaplan_meier(stop, event), 20),
        5.0,
        best_time(lambda: KaplanMeierFitter().fit(stop, event), 5),
    )


if __name__ == "__main__":
    warnings.simplefilter("ignore")
    time_cox(500, 8, 3.3, 50, least=10)
    time_cox(50_000, 8, 300.0, 3)
    time_bootstrap()
    time_others()
