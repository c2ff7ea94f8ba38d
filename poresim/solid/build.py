"""A block of solid, drawn."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from poresim.solid.bodies import body_volumes
from poresim.solid.draws import layers_of_tubes, radii, waists
from poresim.solid.files import load_network
from poresim.solid.fitting import Fit, fit
from poresim.solid.grid import Block, lattice_block
from poresim.solid.lattices import LATTICES
from poresim.solid.memory import available_bytes, in_words, needed_bytes
from poresim.solid.network import Network
from poresim.solid.scattered import scattered_block
from poresim.solid.spec import SolidError, SolidSpec
from poresim.solid.thinning import kept_tubes, mean_neighbours
from poresim.solid.waists import mean_tube_shape

_POINTS, _THINNING, _RADII, _WAISTS = range(4)  # each has its own stream of random numbers
_BYTES_PER_TUBE = 100  # while a block is built
_ROUNDS = 6


def geometry_seed(seed: int, repeat: int = 0) -> np.random.SeedSequence:
    """The seed of the solid of a repeat: the same for every liquid that soaks it."""
    return np.random.SeedSequence(seed, spawn_key=(0, repeat))


def build_solid(spec: SolidSpec, seed: int | np.random.SeedSequence = 0) -> Network:
    """Draw a block of tubes, or read the network that the spec names.

    seed : a whole number stands for ``geometry_seed(seed)``. The same seed and spec give the
        same network, bit for bit.

    Returns a Network that fills its block: junctions are numbered by z, then y, then x;
    ``size`` is the size reached (a whole number of cells near the size asked for), and
    ``faces`` holds bottom and top and, when the sides are open, left, right, front and back
    (flat lattices have no front and back).

    Raises
    ------
    SolidError
        A block that cannot be: tubes too wide, too small for one cell, larger than memory.
    ValueError
        A network file that is not one.
    """
    if spec.network is not None:
        return load_network(spec.network)
    found = fit(spec)
    refuse_too_large(found)
    root = seed if isinstance(seed, np.random.SeedSequence) else geometry_seed(seed)
    block = _block(spec, found, _stream(root, _POINTS))
    share = _kept_share(spec, found, block)
    if share < 1:
        kept = kept_tubes(block.ends, block.inner, share, _stream(root, _THINNING))
        block = block.thinned(kept)
        del kept
    if len(block.ends) == 0:
        raise SolidError("neighbours", "no tube is left after thinning", "ask for more neighbours")
    return _network(spec, found, block, _drawn(spec, found, block, root))


def refuse_too_large(found: Fit) -> None:
    """SolidError when the block needs more memory than there is, before any is taken."""
    needed, free = needed_bytes(found.junctions, found.tubes), available_bytes()
    if needed > free:
        raise SolidError(
            "size",
            f"{_many(found.junctions)} junctions and {_many(found.tubes)} tubes need about "
            f"{in_words(needed)} of memory, and {in_words(free)} is free",
            "make the block smaller or the spacing wider",
        )
    drawing = found.field_bytes + _BYTES_PER_TUBE * found.tubes
    if drawing > free:
        raise SolidError(
            "correlation",
            f"to draw radii that are correlated over so little takes about {in_words(drawing)} of "
            f"memory, and {in_words(free)} is free",
            "make it longer, or the block smaller",
        )


def _many(number: int) -> str:
    return f"{number:,}" if number < 10**12 else f"{number:.3g}"


def _stream(root: np.random.SeedSequence, purpose: int) -> np.random.Generator:
    return np.random.default_rng(
        np.random.SeedSequence(root.entropy, spawn_key=(*root.spawn_key, purpose))
    )


def _block(spec: SolidSpec, found: Fit, rng: np.random.Generator) -> Block:
    lattice = LATTICES.get(spec.lattice)
    if lattice is None:
        return scattered_block(np.array(found.size) / found.spacing, found.wrapped, rng)
    return lattice_block(lattice, found.cells, found.wrapped, found.size[1] / found.spacing)


def _kept_share(spec: SolidSpec, found: Fit, block: Block) -> float:
    """Scattered junctions start from the number of neighbours that they happen to have."""
    if spec.neighbours is None or spec.lattice in LATTICES:
        return found.kept_share
    now = mean_neighbours(block.ends, block.inner)
    if now < spec.neighbours:
        raise SolidError(
            "neighbours",
            f"got {spec.neighbours:g}, but the points drawn have {now:.3g} and thinning only "
            "takes tubes out",
            f"give {now:.3g} or less, or a larger block",
        )
    return spec.neighbours / now


class _Drawn(NamedTuple):
    radius: np.ndarray
    waist: np.ndarray | float
    bodies: np.ndarray | float
    spacing: float


def _drawn(spec: SolidSpec, found: Fit, block: Block, root: np.random.SeedSequence) -> _Drawn:
    """Radii, waists and bodies, and the spacing that gives them the porosity asked for.

    Correlated radii depend on the spacing, a little: they are drawn again, from the same random
    numbers, until both agree to 0.1 %.
    """
    layers = layers_of_tubes(spec, found, block)
    waist = waists(spec, len(block.ends), layers, _stream(root, _WAISTS))
    correlated = any(stratum.correlation for stratum in spec.strata)
    spacing = found.spacing
    for _ in range(_ROUNDS):
        radius = radii(spec, found, block, layers, _stream(root, _RADII), spacing)
        bodies = 0.0 if not spec.body_ratio else _bodies(spec, block, radius)
        before = spacing
        if spec.porosity is not None:
            spacing = _spacing_for(spec, block, radius, waist, bodies)
        if not correlated or abs(spacing / before - 1) < 1e-3:
            break
    return _Drawn(radius, waist, bodies, spacing)


def _network(spec: SolidSpec, found: Fit, block: Block, drawn: _Drawn) -> Network:
    spacing = drawn.spacing
    size = block.size * spacing
    points = block.points * spacing
    if _is_flat(spec):
        size[1] = found.size[1]
        points[:, 1] = size[1] / 2
    sides_shown = spec.sides == "open"
    return Network(
        points,
        block.ends,
        drawn.radius,
        length=block.length * spacing,
        waist=drawn.waist,
        body_volume=drawn.bodies,
        span=None if block.span is None else block.span * spacing,
        faces={
            name: np.flatnonzero(on)
            for name, on in block.on_face.items()
            if sides_shown or name in ("bottom", "top")
        },
        size=size,
    )


def _is_flat(spec: SolidSpec) -> bool:
    return spec.lattice in LATTICES and LATTICES[spec.lattice].flat


def _bodies(spec: SolidSpec, block: Block, radius: np.ndarray) -> np.ndarray:
    return body_volumes(spec.body_ratio, radius, block.ends, len(block.points))


def _volume_over_spacing(
    waist: np.ndarray | float, radius: np.ndarray, length: np.ndarray | float
) -> float:
    """Volume of all tubes over the spacing, m2; length over the spacing."""
    if isinstance(waist, np.ndarray):
        shape = (1 + waist + waist * waist) / 3
        return float(np.pi * np.sum(shape * radius**2 * length))
    return float(np.pi * mean_tube_shape(waist) * float(np.sum(radius**2 * length)))


def _spacing_for(
    spec: SolidSpec,
    block: Block,
    radius: np.ndarray,
    waist: np.ndarray | float,
    bodies: np.ndarray | float,
) -> float:
    """The spacing at which these very tubes and bodies have the porosity asked for."""
    assert spec.porosity is not None and spec.size is not None
    pipes = _volume_over_spacing(waist, radius, block.length)
    hollow = float(np.sum(bodies))
    if not _is_flat(spec):
        return _cubic_root(spec.porosity * float(np.prod(block.size)), pipes, hollow)
    area = spec.porosity * block.size[0] * block.size[2] * spec.size[1]
    if not hollow:
        return float(pipes / area)
    return float((pipes + np.sqrt(pipes**2 + 4 * area * hollow)) / (2 * area))


def _cubic_root(pores: float, pipes: float, hollow: float) -> float:
    """The root s of pores * s^3 = pipes * s + hollow, none of them below 0."""
    root = float(np.sqrt(pipes / pores))
    if not hollow:
        return root
    root += float(np.cbrt(hollow / pores))  # above the root, where the cubic is convex
    for _ in range(100):
        step = ((pores * root**2 - pipes) * root - hollow) / (3 * pores * root**2 - pipes)
        root -= step
        if abs(step) <= 1e-14 * root:
            break
    return root
