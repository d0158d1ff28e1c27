"""Rows of script 09_misc: adjusted p-values, sample sizes, standardised differences, jackknife.

The project itself reports Holm, false discovery rate, events needed, jackknife and standardised
difference. The other methods of these rows (Hommel, Hodges-Lehmann, Hedges' g, BCa ...) are those
of scipy and statsmodels, or their definition written out: whoever adds one can trust the library.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, special, stats
from statsmodels.stats.multitest import multipletests

from analysis.agreement.jackknife import Moments, jackknife
from analysis.models.multiplicity import benjamini_hochberg, holm
from analysis.models.table_one import standardised_difference
from analysis.survival.sample_size import (
    events_for_covariate,
    events_for_two_groups,
    freedman_events,
)
from tests.published.reference_rows.row import ReferenceRow
from tests.published.survival_tables import reference_table

LIBRARY = {"hochberg": "simes-hochberg", "BY": "fdr_by", "hommel": "hommel"}


def adjusted_fifteen(row: ReferenceRow) -> None:
    """The 15 p-values of Benjamini & Hochberg 1995, adjusted by `p.adjust` of R."""
    p = row.at("p")
    row.same("BH", benjamini_hochberg(p), 1e-12)
    row.same("holm", holm(p), 1e-12)
    row.same("bonf", np.minimum(1, len(p) * np.array(p)), 1e-12)
    row.leave("p", "the values given")
    for name, method in LIBRARY.items():
        row.same(name, multipletests(p, method=method)[1], 1e-12)


def adjusted_four(row: ReferenceRow) -> None:
    """Holm 1979."""
    p = row.at("p")
    row.same("holm", holm(p), 1e-12)
    row.same("BH", benjamini_hochberg(p), 1e-12)
    row.leave("p", "the values given")


def events_between_groups(row: ReferenceRow) -> None:
    """Schoenfeld 1983; Freedman 1982."""
    row.same("hr05_80", events_for_two_groups(0.5), 1e-12)
    row.same("hr05_90", events_for_two_groups(0.5, power=0.9), 1e-12)
    row.same("hr2_80", events_for_two_groups(2.0), 1e-12)
    row.same("hr15_80", events_for_two_groups(1.5), 1e-12)
    row.same("hr067_90", events_for_two_groups(2 / 3, power=0.9), 1e-12)
    row.same("freedman_05_80", freedman_events(0.5), 1e-12)
    row.same("hr2_p25", events_for_two_groups(2.0, share=0.25), 1e-12)


def events_for_a_covariate(row: ReferenceRow) -> None:
    """Hsieh & Lavori 2000: log hazard ratio 1, SD 0.3126, one-sided 0.05."""
    plain = events_for_covariate(np.e, sd=0.3126, alpha=0.1)
    adjusted = events_for_covariate(np.e, sd=0.3126, r_squared=0.1837, alpha=0.1)
    row.same("D", plain, 1e-12)
    row.same("Dadj", adjusted, 1e-12)
    row.same("N", adjusted / 0.738, 1e-12)
    row.same("sd1_hr15_two", events_for_covariate(1.5), 1e-12)


def _correlation(moments: Moments) -> np.ndarray:
    return moments.covariance / np.sqrt(moments.variance_first * moments.variance_second)


def law_schools(row: ReferenceRow) -> None:
    """Efron & Tibshirani 1993: the jackknife of the correlation of 15 law schools."""
    table = reference_table("law15")
    found = jackknife(_correlation, table["LSAT"], table["GPA"], np.arange(15))
    row.same("r", found.value, 1e-10)
    row.same("jack_se", found.standard_error, 1e-10)
    left = [
        np.corrcoef(np.delete(table.to_numpy(dtype=float), k, axis=0).T)[0, 1] for k in range(15)
    ]
    row.same("jack_bias", 14 * (np.mean(left) - found.value), 1e-9)
    bootstrap_of_a_correlation(row, table.to_numpy(dtype=float))
    pseudo = np.mean(left) - np.array(left)
    row.same("accel_jack", np.sum(pseudo**3) / (6 * np.sum(pseudo**2) ** 1.5), 1e-9)
    row.leave("z0", "depends on the draws; within the BCa limits above")
    row.leave("abc", "the analytic approximation of BCa, which no library here offers")


def bootstrap_of_a_correlation(row: ReferenceRow, pairs: np.ndarray) -> None:
    """Compare scipy's bootstrap with the reference's: 20,000 draws each, three standard errors.

    The errors are those of four runs of scipy with other seeds.
    """

    def correlation(x: np.ndarray, y: np.ndarray, axis: int) -> np.ndarray:
        x, y = x - x.mean(axis, keepdims=True), y - y.mean(axis, keepdims=True)
        return (x * y).mean(axis) / np.sqrt((x * x).mean(axis) * (y * y).mean(axis))

    def limits(method: str, level: float, seed: int) -> list[float]:
        found = stats.bootstrap(
            tuple(pairs.T),
            correlation,
            paired=True,
            n_resamples=20_000,
            method=method,
            confidence_level=level,
            rng=np.random.default_rng(seed),
        )
        return [*found.confidence_interval, found.standard_error]

    for name, method, level in [
        ("basic", "basic", 0.95),
        ("perc", "percentile", 0.95),
        ("bca", "BCa", 0.95),
        ("bca90", "BCa", 0.90),
    ]:
        runs = np.array([limits(method, level, seed) for seed in range(4)])
        near = 3 * np.sqrt(1 + 1 / 4) * runs.std(axis=0, ddof=1)
        for place in (0, 1):
            row.same(f"{name}/{place}", runs[:, place].mean(), 0, near[place])
    row.same("boot_se", runs[:, 2].mean(), 0, near[2])
    row.leave("bias", "depends on the draws: a difference of two means of the same size")
    row.leave("norm", "follows from boot_se and bias")


def paired_shift(row: ReferenceRow) -> None:
    """Hollander & Wolfe 1973, depression scores of nine patients; scipy's exact distribution."""
    first = np.array([1.83, 0.50, 1.62, 2.48, 1.68, 1.88, 1.55, 3.06, 1.30])
    second = np.array([0.878, 0.647, 0.598, 2.05, 1.06, 1.29, 1.06, 3.14, 1.29])
    difference = first - second
    place = np.triu_indices(9)
    means = np.sort(((difference[:, None] + difference) / 2)[place])
    row.same("V", np.sum(means > 0), 0)
    row.same("p", stats.wilcoxon(difference, method="exact").pvalue, 1e-12)
    row.same("est", np.median(means), 1e-12)
    # The 6th mean from either end: P(V <= 5) = 10 / 512 < 0.025 <= P(V <= 6).
    row.same("ci", means[[5, -6]], 1e-12)


def shift_of_two_samples(row: ReferenceRow) -> None:
    """Hollander & Wolfe 1973, permeability of amnion at term and at 12 to 26 weeks; scipy."""
    term = np.array([0.80, 0.83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, 0.73, 1.46])
    early = np.array([1.15, 0.88, 0.90, 0.74, 1.21])
    row.same("W", stats.mannwhitneyu(term, early).statistic, 0)
    row.same("p", stats.mannwhitneyu(term, early, method="exact").pvalue, 1e-12)
    greater = stats.mannwhitneyu(term, early, alternative="greater", method="exact")
    row.same("p_greater", greater.pvalue, 1e-12)
    shifts = np.sort((term[:, None] - early).ravel())
    row.same("est", np.median(shifts), 1e-12)
    row.same("ci", shifts[[8, -9]], 1e-12)


def _limits(t: float, df: float) -> np.ndarray:
    """Limits of the noncentrality of an observed t: Steiger & Fouladi 1997."""
    return np.array(
        [
            optimize.brentq(lambda c, q=q: stats.nct.cdf(t, df, c) - q, t - 6, t + 6, xtol=1e-12)
            for q in (0.975, 0.025)
        ]
    )


def _compare(row: ReferenceRow, part: str, value: float, limits: ArrayLike, rel: float) -> None:
    name = next(iter(row.at(part)))
    row.same(f"{part}/{name}", value, 1e-10)
    row.same(f"{part}/CI_low", np.asarray(limits)[0], rel)
    row.same(f"{part}/CI_high", np.asarray(limits)[1], rel)
    row.leave(f"{part}/CI", "the level asked for")


NONCENTRAL = 1e-4
"""The reference searches its noncentral limits with a relative tolerance of some 1e-5."""


def _compare_cohen(row: ReferenceRow, first: np.ndarray, second: np.ndarray) -> None:
    """Cohen's d with the pooled variance, Hedges' g with the exact factor (Hedges 1981)."""
    n, m = len(first), len(second)
    df, factor = n + m - 2, np.sqrt(1 / n + 1 / m)
    test = stats.ttest_ind(first, second)
    d = test.statistic * factor
    limits = _limits(test.statistic, df) * factor
    exact = np.exp(
        special.gammaln(df / 2) - special.gammaln((df - 1) / 2) - np.log(np.sqrt(df / 2))
    )
    _compare(row, "d", d, limits, NONCENTRAL)
    _compare(row, "g", exact * d, exact * limits, NONCENTRAL)
    above = np.sign(np.subtract.outer(first, second)).mean()
    # Its error after Cliff 1993 in the reference; limits by Fisher's z.
    row.same("cliff/r_rank_biserial", above, 1e-12)
    spread = np.sqrt((n + m + 1) / (3 * n * m))
    limits = np.tanh(np.arctanh(above) + np.array([-1, 1]) * stats.norm.ppf(0.975) * spread)
    row.same("cliff/CI_low", limits[0], 1e-8)
    row.same("cliff/CI_high", limits[1], 1e-8)
    row.leave("cliff/CI", "the level asked for")


def sleep(row: ReferenceRow) -> None:
    """Student 1908, ten patients, two drugs: with equal numbers both forms of d are one."""
    table = reference_table("sleep_student")
    groups = [table["extra"][table["group"] == k] for k in (1, 2)]
    first, second = (group.to_numpy() for group in groups)
    np.testing.assert_allclose(standardised_difference(*groups), row.at("d/Cohens_d"), rtol=1e-10)
    _compare_cohen(row, first, second)
    row.same("glass/Glass_delta", (first.mean() - second.mean()) / second.std(ddof=1), 1e-10)
    row.leave("glass", "limits of a form of the reference's own")
    paired = stats.ttest_rel(first, second).statistic
    _compare(row, "dz", paired / np.sqrt(10), _limits(paired, 9) / np.sqrt(10), NONCENTRAL)


def cars(row: ReferenceRow) -> None:
    """Motor Trend 1974: miles per gallon of automatic and manual cars."""
    table = reference_table("mtcars")
    first, second = (table["mpg"][table["am"] == k].to_numpy() for k in (0, 1))
    _compare_cohen(row, first, second)


ROWS: dict[str, Callable[[ReferenceRow], None]] = {
    "09_misc/bh1995": adjusted_fifteen,
    "09_misc/holm4": adjusted_four,
    "09_misc/schoenfeld": events_between_groups,
    "09_misc/hsieh_lavori": events_for_a_covariate,
    "09_misc/law": law_schools,
    "09_misc/hl_depression": paired_shift,
    "09_misc/hl_permeability": shift_of_two_samples,
    "09_misc/es_sleep": sleep,
    "09_misc/es_mtcars": cars,
}
