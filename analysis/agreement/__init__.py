"""Agreement of two methods: limits, proportional bias, concordance, Deming, percent error."""

from analysis.agreement.concordance import Concordance, concordance_correlation
from analysis.agreement.deming import DemingLine, deming_regression, error_variance_ratio
from analysis.agreement.jackknife import Jackknife
from analysis.agreement.limits import (
    LimitsOfAgreement,
    limits_of_agreement,
    proportional_bias,
    repeatability,
)
from analysis.agreement.nested import (
    NestedLimits,
    NestedSlope,
    nested_limits,
    nested_proportional_bias,
    nested_spread_slope,
    nesting,
)
from analysis.agreement.observed import Observed, observed_percentile, observed_share
from analysis.agreement.percent_error import PercentError, percent_error
from analysis.agreement.repeated import (
    RepeatedLimits,
    limits_constant_truth,
    limits_varying_truth,
)
from analysis.agreement.repeated_concordance import repeated_concordance

__all__ = [
    "Concordance",
    "DemingLine",
    "Jackknife",
    "LimitsOfAgreement",
    "NestedLimits",
    "NestedSlope",
    "Observed",
    "PercentError",
    "RepeatedLimits",
    "concordance_correlation",
    "deming_regression",
    "error_variance_ratio",
    "limits_constant_truth",
    "limits_of_agreement",
    "limits_varying_truth",
    "nested_limits",
    "nested_proportional_bias",
    "nested_spread_slope",
    "nesting",
    "observed_percentile",
    "observed_share",
    "percent_error",
    "proportional_bias",
    "repeatability",
    "repeated_concordance",
]
