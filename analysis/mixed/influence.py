"""Influence of whole groups on the fixed effects, by deleting them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.mixed.blocks import blocks_of, posterior_covariance, residual_variances
from analysis.mixed.design import Array, ModelRefusedError, RandomTerm
from analysis.mixed.fit import fit_mixed
from analysis.mixed.result import MixedFit


@dataclass(frozen=True)
class GroupInfluence:
    """What leaving out each group of a term does.

    Attributes
    ----------
    levels
        (g,) labels of the groups left out.
    coefficients
        (g, p) fixed effects without the group.
    changes
        (g, p) change of each fixed effect, full fit minus fit without, in its standard errors
        without the group (DFBETAS).
    distances
        (g,) Cook's distance, (b - b_i)' Phi^-1 (b - b_i) / p.
    covariance_ratios
        (g,) determinant of the covariance without the group over that with it.
    """

    term: str
    levels: Array
    coefficients: Array
    changes: Array
    distances: Array
    covariance_ratios: Array


def influence_at_fixed_variances(fit: MixedFit, term: str) -> GroupInfluence:
    """Return the influence of the outermost groups with the variance parameters held.

    Exact for the generalised least-squares estimate, and fast. The groups of `term` must be
    independent of each other (no other factor crosses them).
    """
    design = fit.problem.design
    index = _term_index(fit, term)
    precision = np.linalg.inv(fit.covariance)
    score = precision @ fit.coefficients
    coefficients, covariances, levels = [], [], []
    for block in blocks_of(design):
        groups = np.unique(design.codes[index][block.rows])
        if groups.size != 1:
            raise ModelRefusedError(
                f"groups of '{term}' share random effects with each other; use "
                "influence_by_refitting"
            )
        weighted = block.random / residual_variances(fit, block.rows)[:, None]
        posterior = posterior_covariance(fit, block)
        fixed = design.fixed[block.rows]
        left = fixed / residual_variances(fit, block.rows)[:, None] - weighted @ (
            posterior @ (weighted.T @ fixed)
        )
        covariance = _inverse_without(precision - left.T @ fixed, design.levels[index][groups[0]])
        coefficients.append(covariance @ (score - left.T @ design.response[block.rows]))
        covariances.append(covariance)
        levels.append(groups[0])
    order = np.argsort(levels)
    return _influence(
        fit,
        term,
        design.levels[index][np.array(levels)[order]],
        np.array(coefficients)[order],
        np.array(covariances)[order],
    )


def influence_by_refitting(fit: MixedFit, term: str) -> GroupInfluence:
    """Return the influence of each group of a term, every model refitted without it."""
    design = fit.problem.design
    index = _term_index(fit, term)
    names = np.array(design.strata_names)
    coefficients, covariances = [], []
    for group in range(design.levels[index].size):
        kept = design.codes[index] != group
        random = [
            RandomTerm(t.name, t.labels[kept], t.design[kept], t.columns, t.structure)
            for t in design.random
        ]
        again = fit_mixed(
            design.response[kept],
            design.fixed[kept],
            random,
            fixed_names=design.fixed_names,
            method=fit.method,
            residual_strata=names[design.strata[kept]] if names.size > 1 else None,
        )
        coefficients.append(again.coefficients)
        covariances.append(again.covariance)
    return _influence(
        fit, term, design.levels[index], np.array(coefficients), np.array(covariances)
    )


def _influence(
    fit: MixedFit, term: str, levels: Array, coefficients: Array, covariances: Array
) -> GroupInfluence:
    moved = fit.coefficients - coefficients
    errors = np.sqrt(np.einsum("gii->gi", covariances))
    distances = np.einsum("gi,ij,gj->g", moved, np.linalg.inv(fit.covariance), moved)
    ratios = np.linalg.det(covariances @ np.linalg.inv(fit.covariance))
    return GroupInfluence(
        term, levels, coefficients, moved / errors, distances / moved.shape[1], ratios
    )


def _inverse_without(precision: Array, level: object) -> Array:
    scale = np.sqrt(np.clip(np.diag(precision), 0.0, None))
    if np.any(scale == 0.0) or np.linalg.cond(precision / np.outer(scale, scale)) > 1e12:
        raise ModelRefusedError(
            f"without group '{level}' the fixed effects cannot be estimated: it alone carries one "
            "of them"
        )
    return np.linalg.inv(precision)


def _term_index(fit: MixedFit, term: str) -> int:
    names = [t.name for t in fit.problem.design.random]
    if term not in names:
        raise ModelRefusedError(f"no random term '{term}'; there are {names}")
    return names.index(term)
