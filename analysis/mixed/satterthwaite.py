"""Satterthwaite degrees of freedom for contrasts of the fixed effects.

Giesbrecht & Burns 1985, Biometrics 41:477; Fai & Cornelius 1996, J Stat Comput Simul 54:363;
in the form of Kuznetsova, Brockhoff & Christensen 2017, J Stat Softw 82(13): the variance of a
contrast is a function of the variance parameters, whose own covariance is twice the inverse
Hessian of the deviance. Directions in which the deviance is flat (a variance of zero) carry no
uncertainty.
"""

from __future__ import annotations

import numpy as np

from analysis.mixed.derivatives import hessian, jacobian
from analysis.mixed.design import Array
from analysis.mixed.deviance import full_deviance, reduced_at
from analysis.mixed.result import MixedFit

FLAT_TOLERANCE = 1e-8


class SatterthwaiteMoments:
    """What the degrees of freedom of every contrast of one fit need, computed once."""

    def __init__(self, fit: MixedFit) -> None:
        problem, scales = fit.problem, fit.problem.scales
        at = np.append(fit.parameters, np.log(fit.standardised_sigma))

        def deviance(point: Array) -> complex:
            return full_deviance(problem, point[:-1], np.exp(point[-1]), fit.method)

        def covariance(point: Array) -> Array:
            inverse = np.linalg.inv(reduced_at(problem, point[:-1]).information)
            unit = np.exp(2.0 * point[-1]) * scales.response**2
            return unit * (scales.fixed @ inverse @ scales.fixed.T)

        values, vectors = np.linalg.eigh(hessian(deviance, at))
        curved = values > FLAT_TOLERANCE * np.max(values)
        self.covariance = fit.covariance
        self.slopes = jacobian(covariance, at)
        self.parameter_covariance = (
            2.0 * (vectors[:, curved] / values[curved]) @ vectors[:, curved].T
        )

    def degrees_of_freedom(self, contrast: Array) -> float:
        """Return the degrees of freedom of one contrast (p,); inf when its variance is certain."""
        variance = float(contrast @ self.covariance @ contrast)
        slope = np.einsum("i,ijk,j->k", contrast, self.slopes, contrast)
        spread = float(slope @ self.parameter_covariance @ slope)
        return 2.0 * variance**2 / spread if spread > 0 else float("inf")


def pooled_denominator(degrees: Array) -> float:
    """Return the denominator degrees of freedom of an F made of squared t's with `degrees`.

    The mean of an F(1, v) is v / (v - 2); matching the mean of the average gives 2 E / (E - q).
    """
    if degrees.size == 1 or np.ptp(degrees) < 1e-8 * np.max(degrees):
        return float(np.mean(degrees))
    if np.any(degrees <= 2.0):
        return 2.0
    expected = float(np.sum(degrees / (degrees - 2.0)))
    return 2.0 * expected / (expected - degrees.size)
