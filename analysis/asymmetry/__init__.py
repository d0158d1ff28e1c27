"""Asymmetry of the limbs: the indexes in use, as pure functions of both limbs' values."""

from analysis.asymmetry.indexes import (
    RATIO_INDEXES,
    bilateral_asymmetry_index,
    deficit,
    difference,
    limb_symmetry_index,
    log_ratio,
    symmetry_angle,
    symmetry_index,
)

__all__ = [
    "RATIO_INDEXES",
    "bilateral_asymmetry_index",
    "deficit",
    "difference",
    "limb_symmetry_index",
    "log_ratio",
    "symmetry_angle",
    "symmetry_index",
]
