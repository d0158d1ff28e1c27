"""Uno's C, time-dependent AUC and Brier score against reference programs and closed forms."""

import numpy as np
import pytest
from scipy import stats

from analysis.competing.cumulative_incidence import cumulative_incidence
from analysis.prediction.brier import brier_score, integrated_brier_score
from analysis.prediction.censoring import censoring_survival, horizon_sample
from analysis.prediction.dynamic_auc import dynamic_auc
from analysis.prediction.uno import uno_concordance
from analysis.survival.concordance import harrell_concordance
from analysis.survival.cox import fit_cox
from analysis.survival.cox_sample import cox_sample
from analysis.survival.kaplan_meier import kaplan_meier
from tests.published import survival_tables as tables


def lung_score():
    table = tables.complete_lung()
    X = table[["age", "sex", "ph.ecog"]].to_numpy()
    fit = fit_cox(cox_sample(X, table["time"], table["event"]))
    return X @ fit.coefficients, table["time"].to_numpy(), table["event"].to_numpy()


def competing_data(n, seed, *, censored=True):
    """Exponential causes 1 (depends on the score) and 2, rounded so that times tie."""
    generator = np.random.default_rng(seed)
    score = generator.normal(size=n)
    first = generator.exponential(1 / (0.5 * np.exp(0.8 * score)))
    second = generator.exponential(1 / 0.3, size=n)
    leave = generator.exponential(2.5, size=n) if censored else np.full(n, np.inf)
    stop = np.ceil(np.minimum.reduce([first, second, leave]) * 20) / 20
    cause = np.where(np.minimum(first, second) > leave, 0, np.where(first <= second, 1, 2))
    return score, stop, cause


def test_uno_concordance_of_lung():
    """R 4.2.2, survival 3.5-3, `concordance(..., timewt = "n/G2")`, with its standard error."""
    expected = tables.reference_values()["01_cox"]["lung_C"]
    score, stop, event = lung_score()
    found = uno_concordance(score, stop, event, truncation=stop.max())
    assert found.estimate == pytest.approx(expected["uno"], rel=1e-12)
    assert found.standard_error == pytest.approx(expected["uno_se"], rel=1e-10)
    at_730 = uno_concordance(score, stop, event, truncation=730)
    assert at_730.estimate == pytest.approx(expected["uno730"], rel=1e-12)


def test_uno_without_censoring_is_harrell_and_brute_force():
    """Closed form: G is 1, every pair counts once (Uno et al. 2011)."""
    score, stop, _ = competing_data(120, 1, censored=False)
    event = np.ones(120)
    found = uno_concordance(score, stop, event, truncation=stop.max())
    harrell = harrell_concordance(score, stop, event)
    pairs = [
        (score[i] > score[j]) + 0.5 * (score[i] == score[j])
        for i in range(120)
        for j in range(120)
        if stop[i] < stop[j]
    ]
    assert found.estimate == pytest.approx(np.mean(pairs), rel=1e-12)
    assert found.estimate == pytest.approx(harrell.estimate, rel=1e-12)
    assert found.standard_error == pytest.approx(harrell.standard_error, rel=1e-12)


def test_uno_does_not_depend_on_the_censoring_but_harrell_does():
    """Uno et al. 2011: the limit is that of the uncensored data, truncated (simulation, seeded).

    A score whose effect fades makes Harrell's C depend on how early rows are censored.
    """
    generator = np.random.default_rng(11)
    n = 6000
    score = generator.normal(size=n)
    # Hazard exp(score) until time 0.5, then 1 for everybody.
    target = generator.exponential(size=n)
    stop = np.where(target < 0.5 * np.exp(score), target / np.exp(score), 0.0)
    stop = np.where(stop > 0, stop, 0.5 + target - 0.5 * np.exp(score))
    leave = generator.exponential(0.7, size=n)
    seen, event = np.minimum(stop, leave), stop <= leave
    truth = uno_concordance(score, stop, np.ones(n), truncation=1.5).estimate
    found = uno_concordance(score, seen, event, truncation=1.5)
    harrell = harrell_concordance(score, seen, event)
    assert abs(found.estimate - truth) < 3 * found.standard_error
    assert abs(harrell.estimate - truth) > 3 * harrell.standard_error


@pytest.mark.parametrize("horizon", [0.5, 1.0, 2.0])
def test_weighted_shares_are_aalen_johansen_and_kaplan_meier(horizon):
    """Closed form with events before censorings at ties: Satten & Datta 2001 (Kaplan-Meier)."""
    _, stop, cause = competing_data(400, 3)
    incidence = cumulative_incidence(stop, cause)
    for of_interest in (1, 2):
        sample = horizon_sample(stop, cause, horizon, of_interest=of_interest)
        assert sample.risk == pytest.approx(incidence.at(of_interest, [horizon])[0][0], rel=1e-12)
        assert sample.weights.sum() == pytest.approx(sample.n, rel=1e-12)
    free = sample.weights[sample.event_free].sum() / sample.n
    assert free == pytest.approx(kaplan_meier(stop, cause > 0).at([horizon])[0][0], rel=1e-12)


def test_censoring_curve_without_ties_is_the_flipped_kaplan_meier_of_lifelines():
    """lifelines' Kaplan-Meier with events and censorings exchanged (no ties between them)."""
    from lifelines import KaplanMeierFitter

    generator = np.random.default_rng(4)
    stop, event = generator.exponential(size=200), generator.random(200) < 0.6
    flipped = KaplanMeierFitter().fit(stop, ~event)
    moments = np.array([0.2, 0.7, 1.4])
    found = censoring_survival(stop, event).at(moments)
    assert found == pytest.approx(flipped.predict(moments).to_numpy(), rel=1e-12)


def test_auc_without_censoring_is_mann_whitney():
    """scipy's Mann-Whitney U over the number of pairs; standard error: DeLong et al. 1988."""
    score, stop, _ = competing_data(300, 5, censored=False)
    found = dynamic_auc(score, stop, np.ones(300), horizon=1.0)
    case = stop <= 1.0
    u = stats.mannwhitneyu(score[case], score[~case]).statistic
    assert found.estimate == pytest.approx(u / case.sum() / (~case).sum(), rel=1e-12)
    above = (score[case][:, None] > score[~case]).astype(float)
    by_case, by_control = above.mean(axis=1), above.mean(axis=0)
    delong = by_case.var() / case.sum() + by_control.var() / (~case).sum()
    assert found.standard_error == pytest.approx(np.sqrt(delong), rel=1e-12)


def test_auc_with_competing_events_takes_both_definitions_of_a_control():
    """Without censoring both are scipy's Mann-Whitney of the groups that they name."""
    score, stop, cause = competing_data(300, 6, censored=False)
    case = (stop <= 1) & (cause == 1)
    groups = {"event_free": stop > 1, "without_the_event": ~case}
    for definition, control in groups.items():
        found = dynamic_auc(score, stop, cause, horizon=1.0, controls=definition)
        u = stats.mannwhitneyu(score[case], score[control]).statistic
        assert found.estimate == pytest.approx(u / case.sum() / control.sum(), rel=1e-12)
        assert (found.n_cases, found.n_controls) == (case.sum(), control.sum())


def weighted_pairs(score, stop, cause, horizon, control_other):
    """Blanche et al. 2013, written out pair by pair with G at each time counted by hand."""

    def uncensored(moment, *, including):
        value = 1.0
        for u in sorted({t for t, c in zip(stop, cause, strict=True) if c == 0}):
            if u < moment or (including and u == moment):
                left = sum((t > u) or (t == u and c == 0) for t, c in zip(stop, cause, strict=True))
                value *= 1 - sum(t == u and c == 0 for t, c in zip(stop, cause, strict=True)) / left
        return value

    weights = [uncensored(min(t, horizon), including=t > horizon) for t in stop]
    top = bottom = 0.0
    for i in range(len(stop)):
        if not (stop[i] <= horizon and cause[i] == 1):
            continue
        for j in range(len(stop)):
            other = stop[j] <= horizon and cause[j] == 2 and control_other
            if stop[j] > horizon or other:
                weight = 1 / weights[i] / weights[j]
                bottom += weight
                top += weight * ((score[i] > score[j]) + 0.5 * (score[i] == score[j]))
    return top / bottom


@pytest.mark.parametrize("definition", ["event_free", "without_the_event"])
def test_censored_auc_equals_the_definition_pair_by_pair(definition):
    """The formula of Blanche, Dartigues & Jacqmin-Gadda 2013 in plain loops, with tied scores."""
    score, stop, cause = competing_data(60, 7)
    score = np.round(score, 1)
    found = dynamic_auc(score, stop, cause, horizon=1.0, controls=definition)
    by_hand = weighted_pairs(score, stop, cause, 1.0, definition == "without_the_event")
    assert found.estimate == pytest.approx(by_hand, rel=1e-12)


def test_brier_without_censoring_is_the_mean_squared_error():
    """scikit-learn's Brier score of the status at the horizon."""
    from sklearn.metrics import brier_score_loss

    score, stop, cause = competing_data(250, 8, censored=False)
    predicted = 1 / (1 + np.exp(-score))
    found = brier_score(predicted, stop, cause, horizon=1.0)
    happened = (stop <= 1) & (cause == 1)
    assert found.estimate == pytest.approx(brier_score_loss(happened, predicted), rel=1e-12)
    spread = np.std((happened - predicted) ** 2) / np.sqrt(250)
    assert found.standard_error == pytest.approx(spread, rel=1e-12)


def test_null_model_has_a_scaled_brier_score_of_zero():
    """Closed form: predicting the Aalen-Johansen (Kaplan-Meier) risk F scores F (1 - F)."""
    _, stop, cause = competing_data(300, 9)
    for causes, risk in (
        (cause, cumulative_incidence(stop, cause).at(1, [1.0])[0][0]),
        (cause > 0, 1 - kaplan_meier(stop, cause > 0).at([1.0])[0][0]),
    ):
        found = brier_score(np.full(300, risk), stop, causes, horizon=1.0)
        assert found.estimate == pytest.approx(risk * (1 - risk), rel=1e-12)
        assert found.scaled == pytest.approx(0, abs=1e-12)


def test_brier_and_auc_reach_their_limits_under_censoring():
    """Exponential hazards known: limits are computed from the uncensored truth (simulation)."""
    n = 20_000
    score, stop, cause = competing_data(n, 10)
    _, all_stop, all_cause = competing_data(n, 10, censored=False)
    hazard = 0.5 * np.exp(0.8 * score)
    predicted = hazard / (hazard + 0.3) * -np.expm1(-(hazard + 0.3))
    for measure in (brier_score, dynamic_auc):
        found = measure(predicted, stop, cause, horizon=1.0)
        limit = measure(predicted, all_stop, all_cause, horizon=1.0)
        assert abs(found.estimate - limit.estimate) < 3 * found.standard_error
    # Expected score of the true risks: mean of p (1 - p).
    expected = np.mean(predicted * (1 - predicted))
    found = brier_score(predicted, stop, cause, horizon=1.0)
    assert abs(found.estimate - expected) < 3 * found.standard_error


@pytest.mark.parametrize("controls", ["event_free", "without_the_event"])
def test_standard_errors_agree_with_leaving_out_one_row_at_a_time(controls):
    """Efron & Tibshirani 1993: the jackknife, everything (also G) estimated anew, n = 150."""
    score, stop, cause = competing_data(150, 12)
    predicted = 1 / (1 + np.exp(-score))
    measures = {
        "brier": lambda rows: brier_score(predicted[rows], stop[rows], cause[rows], horizon=1.0),
        "auc": lambda rows: dynamic_auc(
            predicted[rows], stop[rows], cause[rows], horizon=1.0, controls=controls
        ),
    }
    everyone = np.arange(150)
    for measure in measures.values():
        left_out = [measure(np.delete(everyone, i)).estimate for i in everyone]
        jackknife = np.sqrt(149 / 150 * np.sum((left_out - np.mean(left_out)) ** 2))
        assert measure(everyone).standard_error == pytest.approx(jackknife, rel=0.03)


def test_integrated_brier_score_of_a_constant_risk():
    """Closed form: uniform times without censoring, risk 1/2: the score is 1/4 at any time."""
    stop = np.arange(1, 101) / 100
    moments = np.linspace(0.1, 0.9, 9)
    found = integrated_brier_score(np.full((100, 9), 0.5), stop, np.ones(100), moments=moments)
    assert found.estimate == pytest.approx(0.25, rel=1e-12)
    # Null model: integral of F (1 - F) by the same rule over the grid.
    shares = np.round(moments, 10)
    null = np.trapezoid(shares * (1 - shares), moments) / 0.8
    assert found.null == pytest.approx(null, rel=1e-9)
    assert found.scaled == pytest.approx(1 - 0.25 / null, rel=1e-9)
