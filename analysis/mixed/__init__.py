"""Linear mixed models on plain arrays: fit, degrees of freedom, intervals, diagnostics.

Nothing in this package reads files or knows the study: it takes arrays and returns frozen
results, so that every number can be checked against published analyses.
"""

from analysis.mixed.contrasts import (
    ContrastF,
    ContrastT,
    kenward_roger_f,
    kenward_roger_t,
    satterthwaite_f,
    satterthwaite_t,
)
from analysis.mixed.design import (
    ModelRefusedError,
    RandomTerm,
    nested_labels,
    random_intercept,
    random_slopes,
)
from analysis.mixed.fit import fit_mixed, refit
from analysis.mixed.result import MixedFit, VarianceComponent

__all__ = [
    "ContrastF",
    "ContrastT",
    "MixedFit",
    "ModelRefusedError",
    "RandomTerm",
    "VarianceComponent",
    "fit_mixed",
    "kenward_roger_f",
    "kenward_roger_t",
    "nested_labels",
    "random_intercept",
    "random_slopes",
    "refit",
    "satterthwaite_f",
    "satterthwaite_t",
]
