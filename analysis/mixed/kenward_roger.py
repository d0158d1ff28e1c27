"""Kenward-Roger adjusted covariance and degrees of freedom.

Kenward & Roger 1997, Biometrics 53:983; scaled F as in section 3 there, in the notation of
Halekoh & Hojsgaard 2014, J Stat Softw 59(9). The variance is linear in its parameters (each
variance and covariance of a random term, each residual variance), so the second-order term of the
paper vanishes and the expected information of REML is used.
"""

from __future__ import annotations

import numpy as np

from analysis.mixed.blocks import Block, blocks_of
from analysis.mixed.design import Array, ModelRefusedError
from analysis.mixed.result import MixedFit
from analysis.mixed.span import span_of


class KenwardRogerMoments:
    """Adjusted covariance of the fixed effects, and what the degrees of freedom need.

    Attributes
    ----------
    covariance, adjusted
        (p, p) model-based and adjusted covariance of the fixed effects.
    derivatives
        (k, p, p) X' dV^-1 X for each variance parameter.
    parameter_covariance
        (k, k) covariance of the variance parameters from the expected information.
    """

    def __init__(self, fit: MixedFit) -> None:
        if fit.method != "REML":
            raise ModelRefusedError(
                "Kenward-Roger degrees of freedom are defined for REML fits; this fit is by ML: "
                "refit it by REML"
            )
        size = _parameter_count(fit)
        fixed = fit.covariance.shape[0]
        first = np.zeros((size, fixed, fixed))
        second = np.zeros((size, size, fixed, fixed))
        traces = np.zeros((size, size))
        for block in blocks_of(fit.problem.design):
            _add_block(fit, block, first, second, traces)
        phi = fit.covariance
        first = -first
        cross = np.einsum("ab,rsba->rs", phi, second)
        pairs = np.einsum("rab,sba->rs", phi @ first, phi @ first)
        information = 0.5 * (traces - 2.0 * cross + pairs)
        self.covariance = phi
        self.derivatives = first
        self.parameter_covariance = _inverse(information)
        shift = second - np.einsum("rab,bc,scd->rsad", first, phi, first)
        inner = np.einsum("rs,rsab->ab", self.parameter_covariance, shift)
        adjusted = phi + 2.0 * phi @ inner @ phi
        self.adjusted = 0.5 * (adjusted + adjusted.T)

    def scaled_f(self, contrasts: Array) -> tuple[float, float]:
        """Return denominator degrees of freedom and scale of F for contrasts (l, p)."""
        rank = contrasts.shape[0]
        phi = self.covariance
        theta = contrasts.T @ np.linalg.solve(contrasts @ phi @ contrasts.T, contrasts)
        shares = np.einsum("ab,bc,rcd,de->rae", theta, phi, self.derivatives, phi)
        single = np.einsum("raa->r", shares)
        weights = self.parameter_covariance
        a1 = float(single @ weights @ single)
        a2 = float(np.einsum("rs,rab,sba->", weights, shares, shares))
        return _match_moments(rank, a1, a2)


def _match_moments(rank: int, a1: float, a2: float) -> tuple[float, float]:
    """Return (degrees of freedom, scale) that match mean and variance of the F statistic."""
    if a2 <= 0.0:
        return float("inf"), 1.0
    if rank == 1:
        # The general formula reduces to this; it avoids a difference of large numbers.
        return 2.0 / a1, 1.0
    b = (a1 + 6.0 * a2) / (2.0 * rank)
    g = ((rank + 1) * a1 - (rank + 4) * a2) / ((rank + 2) * a2)
    below = 3.0 * rank + 2.0 * (1.0 - g)
    c1, c2, c3 = g / below, (rank - g) / below, (rank + 2 - g) / below
    expectation = 1.0 / (1.0 - a2 / rank)
    variance = (2.0 / rank) * (1.0 + c1 * b) / ((1.0 - c2 * b) ** 2 * (1.0 - c3 * b))
    ratio = variance / (2.0 * expectation**2)
    degrees = 4.0 + (rank + 2) / (rank * ratio - 1.0)
    return degrees, degrees / (expectation * (degrees - 2.0))


def _parameter_count(fit: MixedFit) -> int:
    return fit.problem.layout.size - (fit.problem.layout.strata - 1) + fit.problem.layout.strata


def _inverse(information: Array) -> Array:
    """Return the (pseudo-)inverse after scaling, for parameters of very different size."""
    if not np.all(np.diag(information) > 0.0):
        raise ModelRefusedError(
            "the data hold no information on a variance, so Kenward-Roger is not defined: use "
            "Satterthwaite or fewer random terms"
        )
    scale = 1.0 / np.sqrt(np.diag(information))
    return scale[:, None] * np.linalg.pinv(information * np.outer(scale, scale), 1e-12) * scale


def _add_block(fit: MixedFit, block: Block, first: Array, second: Array, traces: Array) -> None:
    """Add one block's share of X'V^-1 G_r V^-1 X, X'V^-1 G_r V^-1 G_s V^-1 X and the traces."""
    span = span_of(fit, block)
    offset = traces.shape[0] - len(fit.problem.design.strata_names)
    patterns = _patterns(fit, block)
    strata = [(offset + int(stratum), k) for k, stratum in enumerate(span.strata)]

    # G_r V^-1 X as combinations of the basis: Z E_r Z' for random terms, D_k for the residual.
    moved = {r: span.random @ pattern @ span.reach for r, pattern in patterns}
    moved |= {r: span.keep(k, span.left_fixed) for r, k in strata}
    weighted = {r: span.gram @ (span.inverse @ value) for r, value in moved.items()}
    for r, value in moved.items():
        first[r] += span.left_fixed.T @ span.gram @ value
        for s, other in weighted.items():
            second[r, s] += value.T @ other

    inner = span.random.T @ span.gram @ span.left_random
    products = {r: pattern @ inner for r, pattern in patterns}
    for r, left in products.items():
        for s, right in products.items():
            traces[r, s] += np.sum(left * right.T)
    for s, k in strata:
        masked = span.left_random.T @ span.gram @ span.keep(k, span.left_random)
        for r, pattern in patterns:
            share = np.sum(pattern * masked)
            traces[r, s] += share
            traces[s, r] += share
        for r, j in strata:
            traces[r, s] += span.residual_trace(j, k)


def _patterns(fit: MixedFit, block: Block) -> list[tuple[int, Array]]:
    """Return, per variance parameter of the random terms, dG/d(parameter) within the block."""
    out: list[tuple[int, Array]] = []
    layout = fit.problem.layout
    number = 0
    for term in range(len(fit.components)):
        starts = [i for i, (owner, _, k) in enumerate(block.owners) if owner == term and k == 0]
        for a, b in zip(layout.rows[term], layout.columns[term], strict=True):
            pattern = np.zeros((len(block.owners), len(block.owners)))
            for start in starts:
                pattern[start + a, start + b] = pattern[start + b, start + a] = 1.0
            out.append((number, pattern))
            number += 1
    return out
