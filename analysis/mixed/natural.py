"""Variance parameters as they are reported: standard deviations and correlations.

Profiles fix one of them and let the others move. The correlations of a term are built from
canonical partial correlations sin(z) (Lewandowski, Kurowicka & Joe 2009, J Multivar Anal 100:1989),
so that every z gives a valid matrix; the columns are ordered such that the target comes first.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.mixed.design import Array
from analysis.mixed.result import MixedFit


@dataclass(frozen=True)
class Target:
    """The parameter to be profiled: `kind` is "sd", "correlation" or "residual"."""

    kind: str
    term: str
    quantity: str
    index: int
    columns: tuple[int, ...]

    @property
    def lowest(self) -> float:
        """Smallest possible value."""
        return -1.0 if self.kind == "correlation" else 0.0

    @property
    def highest(self) -> float:
        """Largest possible value."""
        return 1.0 if self.kind == "correlation" else float("inf")

    def first_step(self, estimate: float, sigma: float) -> float:
        """Return a distance from the estimate at which to begin the search of a limit."""
        if self.kind == "correlation":
            return 0.3
        if self.kind == "residual":
            return 0.1 * estimate
        return 0.3 * estimate if estimate > 0.01 * sigma else 0.1 * sigma


def targets_of(fit: MixedFit) -> list[Target]:
    """Return every variance parameter of a fit in the order of its terms."""
    out: list[Target] = []
    for index, term in enumerate(fit.problem.design.random):
        names = term.columns
        out += [Target("sd", term.name, f"sd {names[j]}", index, (j,)) for j in range(len(names))]
        if term.structure == "unstructured":
            out += [
                Target("correlation", term.name, f"cor {names[i]} {names[j]}", index, (i, j))
                for i in range(len(names))
                for j in range(i)
            ]
    strata = fit.problem.design.strata_names
    out += [Target("residual", "residual", f"sd {s}", k, (k,)) for k, s in enumerate(strata)]
    return out


@dataclass(frozen=True)
class NaturalLayout:
    """Order of the natural parameters with one of them, the target, held fixed.

    The free vector holds per term the standard deviations (in units of the fitted residual
    standard deviation) and the angles of the partial correlations, then the log residual standard
    deviations relative to the fit, without the target. `fixed_at` is the target's position.
    """

    orders: tuple[Array, ...]
    angles: tuple[int, ...]
    backs: tuple[Array, ...]
    sigma: float
    scale: float
    strata: int
    target: Target
    fixed_at: int

    @classmethod
    def of(cls, fit: MixedFit, target: Target) -> NaturalLayout:
        """Return the layout for a fit and a target."""
        design, scales = fit.problem.design, fit.problem.scales
        orders, angles = [], []
        for index, term in enumerate(design.random):
            width = len(term.columns)
            ahead = target.columns if target.kind != "residual" and index == target.index else ()
            orders.append(np.array([*ahead, *(j for j in range(width) if j not in ahead)]))
            angles.append(width * (width - 1) // 2 if term.structure == "unstructured" else 0)
        sizes = [order.size + angle for order, angle in zip(orders, angles, strict=True)]
        at = sum(sizes) + target.index
        if target.kind != "residual":
            at = sum(sizes[: target.index])
            at += orders[target.index].size if target.kind == "correlation" else 0
        return cls(
            tuple(orders),
            tuple(angles),
            scales.random,
            fit.sigma,
            scales.response,
            len(design.strata_names),
            target,
            at,
        )

    def estimate(self, fit: MixedFit) -> float:
        """Return the fitted value of the target in units of the data."""
        if self.target.kind == "residual":
            return list(fit.residual_deviations.values())[self.target.index]
        component = fit.components[self.target.index]
        if self.target.kind == "sd":
            return float(component.standard_deviations[self.target.columns[0]])
        return float(component.correlation[self.target.columns])

    def start(self, fit: MixedFit) -> Array:
        """Return the free vector at the fit, kept off zero, where the deviance is stationary."""
        parts: list[Array] = []
        for component, order, angles in zip(fit.components, self.orders, self.angles, strict=True):
            parts.append(np.maximum(component.standard_deviations[order] / self.sigma, 0.05))
            if angles:
                parts.append(_angles_of(component.correlation[np.ix_(order, order)]))
        deviations = np.array(list(fit.residual_deviations.values()))
        parts.append(np.log(deviations / self.sigma))
        return np.delete(np.concatenate(parts), self.fixed_at)

    def standardised(self, free: Array, value: float) -> tuple[list[Array], Array, complex]:
        """Return relative factors, residual log ratios and standardised sigma."""
        vector = np.insert(free, self.fixed_at, self._internal(value))
        logs = vector[vector.size - self.strata :]
        factors, at = [], 0
        for order, angles, back in zip(self.orders, self.angles, self.backs, strict=True):
            width = order.size
            deviations = vector[at : at + width]
            turn = vector[at + width : at + width + angles]
            ordered = deviations[:, None] * _correlation_factor(turn, width)
            factor = np.empty_like(ordered)
            factor[order] = ordered
            # In units of the first stratum's residual standard deviation.
            factors.append(np.linalg.solve(back, factor) * np.exp(-logs[0]))
            at += width + angles
        sigma = self.sigma * np.exp(logs[0]) / self.scale
        return factors, logs - logs[0], sigma

    def _internal(self, value: float) -> float:
        if self.target.kind == "correlation":
            return float(np.arcsin(value))
        if self.target.kind == "residual":
            return float(np.log(value / self.sigma)) if value > 0 else -30.0
        return value / self.sigma


def _correlation_factor(angles: Array, width: int) -> Array:
    """Return a lower-triangular factor of a correlation matrix from partial correlations."""
    factor = np.zeros((width, width), dtype=angles.dtype if angles.size else float)
    turn = iter(angles)
    for i in range(width):
        left = 1.0
        for j in range(i if angles.size else 0):
            angle = next(turn)
            factor[i, j] = left * np.sin(angle)
            left = left * np.cos(angle)
        factor[i, i] = left
    return factor


def _angles_of(correlation: Array) -> Array:
    """Return the angles of a correlation matrix; those without meaning (sd zero) are zero."""
    width = correlation.shape[0]
    # A singular matrix has no Cholesky factor; a touch of the identity moves it inside.
    factor = np.linalg.cholesky(0.999999 * correlation + 1e-6 * np.eye(width))
    out = []
    for i in range(width):
        left = 1.0
        for j in range(i):
            angle = np.arcsin(np.clip(factor[i, j] / left, -0.999999, 0.999999))
            out.append(angle)
            left *= np.cos(angle)
    return np.array(out)
