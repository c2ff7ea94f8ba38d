"""A block of solid, drawn."""

from __future__ import annotations

import numpy as np

from poresim.solid.files import load_network
from poresim.solid.fitting import Fit, fit, tube_shape
from poresim.solid.grid import Block, lattice_block
from poresim.solid.lattices import LATTICES
from poresim.solid.memory import available_bytes, in_words, needed_bytes
from poresim.solid.network import Network
from poresim.solid.scattered import scattered_block
from poresim.solid.spec import SolidError, SolidSpec
from poresim.solid.thinning import kept_tubes, mean_neighbours

_POINTS, _THINNING, _RADII = range(3)  # each has its own stream of random numbers


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
    assert spec.radii is not None
    radius = spec.radii.draw(_stream(root, _RADII), len(block.ends))
    return _network(spec, found, block, radius)


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


def _network(spec: SolidSpec, found: Fit, block: Block, radius: np.ndarray) -> Network:
    spacing = found.spacing
    flat = spec.lattice in LATTICES and LATTICES[spec.lattice].flat
    if spec.porosity is not None:
        spacing = _spacing_for(spec, block, radius, flat, spec.porosity)
    size = block.size * spacing
    if flat:
        size[1] = found.size[1]
    points = block.points * spacing
    if flat:
        points[:, 1] = size[1] / 2
    sides_shown = spec.sides == "open"
    return Network(
        points,
        block.ends,
        radius,
        length=block.length * spacing,
        waist=spec.waist,
        span=None if block.span is None else block.span * spacing,
        faces={
            name: np.flatnonzero(on)
            for name, on in block.on_face.items()
            if sides_shown or name in ("bottom", "top")
        },
        size=size,
    )


def _spacing_for(
    spec: SolidSpec, block: Block, radius: np.ndarray, flat: bool, porosity: float
) -> float:
    """The spacing at which these very tubes have the porosity asked for."""
    volume = np.pi * tube_shape(spec.waist) * float(np.sum(radius**2 * block.length))
    if flat:
        assert spec.size is not None
        return volume / (porosity * block.size[0] * block.size[2] * spec.size[1])
    return float(np.sqrt(volume / (porosity * np.prod(block.size))))
