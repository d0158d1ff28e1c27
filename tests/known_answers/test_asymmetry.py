"""Indexes of asymmetry: known answers, limbs exchanged, and the statistics of ratios."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.asymmetry import RATIO_INDEXES, difference, limb_symmetry_index, log_ratio

# Closed forms of I = 80, U = 100 and of the limbs exchanged; formulas as collected by Bishop et al.
# 2016 (Strength Cond J 38:1), symmetry angle by Zifchock et al. 2008 (Gait Posture 27:622).
KNOWN = {
    "limb_symmetry_index": (80.0, 125.0),
    "deficit": (20.0, -25.0),
    "bilateral_asymmetry_index": (-100 / 9, 100 / 9),
    "symmetry_index": (-200 / 9, 200 / 9),
    "symmetry_angle": (-7.0447, 7.0447),
    "log_ratio": (-0.223144, 0.223144),
}
ANTISYMMETRIC = ("bilateral_asymmetry_index", "symmetry_index", "symmetry_angle", "log_ratio")
POSITIVE = st.floats(0.01, 1000.0)


@pytest.mark.parametrize("name", sorted(KNOWN))
def test_known_answers(name: str) -> None:
    index, _ = RATIO_INDEXES[name]
    assert set(RATIO_INDEXES) == set(KNOWN)
    assert list(index([80.0, 100.0], [100.0, 80.0])) == pytest.approx(KNOWN[name], rel=1e-5)
    assert index([70.0], [70.0]) == pytest.approx(100.0 if name == "limb_symmetry_index" else 0.0)


@given(POSITIVE, POSITIVE)
def test_limbs_change_places(involved: float, uninvolved: float) -> None:
    for name in ANTISYMMETRIC:
        index, _ = RATIO_INDEXES[name]
        there, back = index([involved], [uninvolved])[0], index([uninvolved], [involved])[0]
        assert there == pytest.approx(-back, rel=1e-9, abs=1e-9)
    assert difference([involved], [uninvolved]) == -difference([uninvolved], [involved])
    product = limb_symmetry_index([involved], [uninvolved]) * limb_symmetry_index(
        [uninvolved], [involved]
    )
    assert product[0] == pytest.approx(1e4)


@given(POSITIVE, POSITIVE, st.floats(0.1, 10.0))
def test_units_do_not_matter_to_ratios(involved: float, uninvolved: float, scale: float) -> None:
    for index, _ in RATIO_INDEXES.values():
        in_units = index([involved * scale], [uninvolved * scale])[0]
        assert in_units == pytest.approx(index([involved], [uninvolved])[0], rel=1e-9, abs=1e-9)


@given(POSITIVE, POSITIVE, POSITIVE)
def test_log_ratios_add(first: float, second: float, third: float) -> None:
    whole = log_ratio([first], [third])[0]
    parts = log_ratio([first], [second])[0] + log_ratio([second], [third])[0]
    assert parts == pytest.approx(whole, abs=1e-9)


def test_symmetry_angle_is_bounded() -> None:
    index, _ = RATIO_INDEXES["symmetry_angle"]
    assert np.all(np.abs(index([1e-9, 1e9], [1e9, 1e-9])) <= 50.0)


def test_mean_of_ratios_exceeds_the_ratio_of_means() -> None:
    # Closed form, both limbs lognormal with coefficient of variation 0.15 and no true asymmetry:
    # E[I / U] = 1 + 0.15^2 = 1.0225 and its SD 0.218, while E[ln I/U] = 0.
    spread = math.sqrt(math.log(1 + 0.15**2))
    generator = np.random.default_rng(4)
    limbs = np.exp(generator.normal(0.0, spread, (2, 400_000)))
    ratios = limb_symmetry_index(*limbs) / 100
    assert ratios.mean() == pytest.approx(1.0225, abs=4 * 0.218 / math.sqrt(400_000))
    assert ratios.std() == pytest.approx(0.218, abs=0.002)
    assert log_ratio(*limbs).mean() == pytest.approx(0.0, abs=0.0015)


def test_ratios_are_undefined_at_and_below_zero() -> None:
    for index, _ in RATIO_INDEXES.values():
        for involved, uninvolved in (([0.0], [1.0]), ([1.0], [-2.0])):
            with pytest.raises(ValueError, match="use the difference"):
                index(involved, uninvolved)
    assert difference([-3.0], [2.0]) == -5.0
    with pytest.raises(ValueError, match="missing or infinite"):
        difference([np.nan], [2.0])
    with pytest.raises(ValueError, match="give pairs"):
        log_ratio([1.0, 2.0], [2.0])
