"""Intraclass correlations and measurement error against Shrout & Fleiss 1979."""

import numpy as np
import pytest

from analysis.mixed import fit_mixed, random_intercept
from analysis.reliability import (
    average_agreement_interval,
    component_reliability,
    intraclass_correlations,
    minimal_detectable_change,
    reliability_interval,
    reliability_of_mean,
    standard_error_of_agreement,
    standard_error_of_consistency,
    trials_needed,
    two_way_mean_squares,
)

# Shrout & Fleiss 1979, Psychol Bull 86:420, table 2: six subjects rated by four judges.
SHROUT_FLEISS = [
    [9, 2, 5, 8],
    [6, 1, 3, 2],
    [8, 4, 6, 8],
    [7, 1, 2, 6],
    [10, 5, 6, 9],
    [6, 2, 4, 7],
]


# Two digits: Shrout & Fleiss 1979, table 4. More digits and limits: R 4.2.2 with psych 2.2.9 and
# irr 0.84.1 (statistics file row A-ICC).
@pytest.mark.parametrize(
    ("form", "printed", "value", "low", "high"),
    [
        ("ICC(1,1)", 0.17, 0.165741768405476, -0.132932324874751, 0.722560062328121),
        ("ICC(2,1)", 0.29, 0.289763779527559, 0.018786513374712, 0.761084369648953),
        ("ICC(3,1)", 0.71, 0.714840714840715, 0.342464765033925, 0.94585825995536),
        ("ICC(1,k)", 0.44, 0.442797133679269, -0.884442155238119, 0.912415420340776),
        ("ICC(2,k)", 0.62, 0.620050547598989, 0.0711368153025035, 0.927232040167722),
        ("ICC(3,k)", 0.91, 0.909315542377069, 0.675674713816305, 0.985891678169062),
    ],
)
def test_six_coefficients(form: str, printed: float, value: float, low: float, high: float) -> None:
    found = intraclass_correlations(SHROUT_FLEISS)[form]
    assert round(found.value, 2) == printed
    assert [found.value, found.low, found.high] == pytest.approx([value, low, high], rel=1e-8)


def test_mean_squares_and_f_tests() -> None:
    # Shrout & Fleiss 1979, table 3 (11.24, 6.26, 32.49, 1.02); F from the statistics file.
    squares = two_way_mean_squares(SHROUT_FLEISS)
    found = [squares.between, squares.within, squares.raters, squares.error]
    assert [round(x, 2) for x in found] == [11.24, 6.26, 32.49, 1.02]
    table = intraclass_correlations(SHROUT_FLEISS)
    assert table["ICC(1,1)"].statistic == pytest.approx(1.79467849223947, rel=1e-10)
    assert table["ICC(1,1)"].df == (5, 18)
    assert table["ICC(3,1)"].p_value == pytest.approx(0.000134566516484337, rel=1e-8)


def test_average_agreement_interval_of_mcgraw_and_wong() -> None:
    # irr 0.84.1 (statistics file row A-ICC).
    assert average_agreement_interval(SHROUT_FLEISS) == pytest.approx(
        (0.0394401799213911, 0.928573183377168), rel=1e-8
    )


def test_measurement_error_and_detectable_change() -> None:
    # Statistics file row A-SEM (R): formulas of de Vet 2006 and Weir 2005.
    squares = two_way_mean_squares(SHROUT_FLEISS)
    consistency = standard_error_of_consistency(squares)
    agreement = standard_error_of_agreement(squares)
    assert consistency == pytest.approx(1.00967541539073, rel=1e-10)
    assert agreement == pytest.approx(2.5027762362802, rel=1e-10)
    assert minimal_detectable_change(consistency) == pytest.approx(2.798677, rel=1e-6)
    assert minimal_detectable_change(agreement) == pytest.approx(6.937342, rel=1e-6)


def test_mixed_model_gives_the_same_coefficient_when_balanced() -> None:
    # Statistics file row A-ICC: subject 2.555556, judge 5.244444, residual 1.019444 by REML, and
    # the six coefficients follow from them.
    scores = np.array(SHROUT_FLEISS, dtype=float)
    subject, judge = np.indices(scores.shape)
    fit = fit_mixed(
        scores.ravel(),
        np.ones(scores.size),
        [random_intercept("subject", subject.ravel()), random_intercept("judge", judge.ravel())],
    )
    s = fit.component("subject").covariance[0, 0]
    j = fit.component("judge").covariance[0, 0]
    assert [s, j, fit.sigma**2] == pytest.approx([2.555556, 5.244444, 1.019444], rel=1e-6)
    expected = intraclass_correlations(SHROUT_FLEISS)["ICC(2,1)"].value
    assert s / (s + j + fit.sigma**2) == pytest.approx(expected, rel=1e-8)


# Domain reference section 8: Spearman-Brown steps of single-trial reliabilities.
@pytest.mark.parametrize(
    ("single", "three", "five"),
    [(0.5, 0.75, 0.83), (0.6, 0.82, 0.88), (0.7, 0.875, 0.921), (0.8, 0.923, 0.952)],
)
def test_spearman_brown(single: float, three: float, five: float) -> None:
    assert reliability_of_mean(single, 3) == pytest.approx(three, abs=0.0051)
    assert reliability_of_mean(single, 5) == pytest.approx(five, abs=0.0051)
    assert trials_needed(single, reliability_of_mean(single, 5)) == 5
    assert trials_needed(single, reliability_of_mean(single, 5) + 0.001) == 6


def test_component_reliability_follows_its_definition() -> None:
    # Athlete 4, visit 1, trial 6, mean of 3: 4 / (4 + 1 + 2); error sqrt(3).
    found = component_reliability(4.0, 1.0, 6.0, 3)
    assert found.between_visits == pytest.approx(4 / 7)
    assert found.within_visit == pytest.approx(5 / 7)
    assert found.standard_error == pytest.approx(np.sqrt(3.0))
    assert found.detectable_change == pytest.approx(1.96 * np.sqrt(6.0))
    draws = component_reliability(np.linspace(0.0, 4.0, 101), 1.0, 6.0, 3).between_visits
    assert reliability_interval(draws)[0] < 4 / 7
    assert draws[0] == 0.0


@pytest.mark.parametrize(
    ("scores", "message"),
    [
        ([[1.0, np.nan], [2.0, 3.0]], "subject 0, column 1"),
        ([[1.0, 2.0]], "at least 2 subjects"),
        ([[2.0, 2.0], [2.0, 2.0]], "no subject differs"),
    ],
)
def test_unusable_scores_are_refused(scores: list[list[float]], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        intraclass_correlations(scores)


def test_unusable_variances_are_refused() -> None:
    with pytest.raises(ValueError, match="negative or missing"):
        component_reliability(-1.0, 0.0, 1.0, 3)
    with pytest.raises(ValueError, match="not defined"):
        component_reliability(0.0, 0.0, 0.0, 3)
    with pytest.raises(ValueError, match="between 0 and 1"):
        trials_needed(0.0, 0.9)
