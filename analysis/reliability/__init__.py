"""Reliability of repeated measurements: intraclass correlation, error, trials needed."""

from analysis.reliability.between_groups import BetweenGroups, variance_between_groups
from analysis.reliability.component_bootstrap import ComponentDraws, bootstrap_components
from analysis.reliability.components import (
    ComponentReliability,
    component_reliability,
    reliability_interval,
)
from analysis.reliability.intraclass import (
    IntraclassCorrelation,
    average_agreement_interval,
    intraclass_correlations,
)
from analysis.reliability.mean_squares import MeanSquares, two_way_mean_squares
from analysis.reliability.measurement_error import (
    minimal_detectable_change,
    standard_error_interval,
    standard_error_of_agreement,
    standard_error_of_consistency,
)
from analysis.reliability.trials import reliability_of_mean, trials_needed
from analysis.reliability.visit_means import VisitDesign, visit_design

__all__ = [
    "BetweenGroups",
    "ComponentDraws",
    "ComponentReliability",
    "IntraclassCorrelation",
    "MeanSquares",
    "VisitDesign",
    "average_agreement_interval",
    "bootstrap_components",
    "component_reliability",
    "intraclass_correlations",
    "minimal_detectable_change",
    "reliability_interval",
    "reliability_of_mean",
    "standard_error_interval",
    "standard_error_of_agreement",
    "standard_error_of_consistency",
    "trials_needed",
    "two_way_mean_squares",
    "variance_between_groups",
    "visit_design",
]
