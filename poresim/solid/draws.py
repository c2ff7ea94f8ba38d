"""Radii and waists, drawn for tubes that are there."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from poresim.solid.field import correlated_scores
from poresim.solid.fitting import Fit
from poresim.solid.grid import Block
from poresim.solid.layers import layer_of, middles
from poresim.solid.spec import SolidSpec
from poresim.solid.waists import WaistLaw

Floats = NDArray[np.float64]
Members = NDArray[np.intp] | slice


def layers_of_tubes(spec: SolidSpec, found: Fit, block: Block) -> NDArray[np.intp] | None:
    """(m,) the layer of each tube; None where there is but one."""
    if len(spec.strata) == 1:
        return None
    where = middles(block.points, block.ends, block.span, block.size, found.wrapped)
    return layer_of(where[:, spec.axis], spec.layer_ends, block.size[spec.axis])


def radii(
    spec: SolidSpec,
    found: Fit,
    block: Block,
    layers: NDArray[np.intp] | None,
    rng: np.random.Generator,
    spacing: float,
) -> Floats:
    """(m,) radius of each tube, m, in a block of that spacing (m), which is about the one found.

    Independent radii are drawn layer by layer; then one field of scores for each correlation
    length, over the whole block, so that layers of the same length are correlated across their
    border.
    """
    strata = spec.strata
    members = _members(layers, len(strata), len(block.ends))
    if layers is None and not strata[0].correlation:
        return strata[0].radii.draw(rng, len(block.ends))
    drawn = np.empty(len(block.ends))
    for stratum, mine in zip(strata, members, strict=True):
        if not stratum.correlation:
            drawn[mine] = stratum.radii.draw(rng, len(drawn[mine]))
    for length in dict.fromkeys(stratum.correlation for stratum in strata):
        if length:
            shares = _correlated_shares(length, spacing, block, found, rng)
            for stratum, mine in zip(strata, members, strict=True):
                if stratum.correlation == length:
                    drawn[mine] = stratum.radii.quantile(shares[mine])
    return drawn


def waists(
    spec: SolidSpec, tubes: int, layers: NDArray[np.intp] | None, rng: np.random.Generator
) -> Floats | float:
    """(m,) waist of each tube, or one number that all share."""
    strata = spec.strata
    first = strata[0].waist
    if not isinstance(first, WaistLaw) and all(one.waist == first for one in strata):
        return first
    drawn = np.empty(tubes)
    for stratum, mine in zip(strata, _members(layers, len(strata), tubes), strict=True):
        law = stratum.waist
        drawn[mine] = law.draw(rng, len(drawn[mine])) if isinstance(law, WaistLaw) else law
    return drawn


def _members(layers: NDArray[np.intp] | None, number: int, tubes: int) -> list[Members]:
    """The tubes of each layer."""
    if layers is None:
        return [slice(0, tubes)]
    return [np.flatnonzero(layers == k) for k in range(number)]


def _correlated_shares(
    correlation: float, spacing: float, block: Block, found: Fit, rng: np.random.Generator
) -> Floats:
    """(m,) shares of the law at which radii stand; correlation and spacing in m."""
    from scipy import special

    where = middles(block.points, block.ends, block.span, block.size, found.wrapped)
    about = correlation / found.spacing
    scores = correlated_scores(
        where, correlation / spacing, block.size, found.wrapped, rng, about=about
    )
    special.ndtr(scores, out=scores)
    return np.clip(scores, 2.0**-54, 1.0 - 2.0**-53, out=scores)
