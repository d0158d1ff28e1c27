"""Agreement of two methods of measurement: limits of agreement and concordance."""

from analysis.agreement.concordance import Concordance, concordance_correlation
from analysis.agreement.limits import (
    LimitsOfAgreement,
    limits_of_agreement,
    proportional_bias,
    repeatability,
)
from analysis.agreement.repeated import (
    RepeatedLimits,
    limits_constant_truth,
    limits_varying_truth,
)

__all__ = [
    "Concordance",
    "LimitsOfAgreement",
    "RepeatedLimits",
    "concordance_correlation",
    "limits_constant_truth",
    "limits_of_agreement",
    "limits_varying_truth",
    "proportional_bias",
    "repeatability",
]
