"""A block of solid, drawn."""

from __future__ import annotations

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
    layers = layers_of_tubes(spec, found, block)
    radius = radii(spec, found, block, layers, _stream(root, _RADII))
    waist = waists(spec, len(block.ends), layers, _stream(root, _WAISTS))
    return _network(spec, found, block, radius, waist)


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


def _network(
    spec: SolidSpec, found: Fit, block: Block, radius: np.ndarray, waist: np.ndarray | float
) -> Network:
    spacing = found.spacing
    flat = spec.lattice in LATTICES and LATTICES[spec.lattice].flat
    bodies = 0.0 if not spec.body_ratio else _bodies(spec, block, radius)
    if spec.porosity is not None:
        pipes = _volume_over_spacing(waist, radius, block.length)
        hollow = float(np.sum(bodies))
        assert spec.size is not None
        thickness = spec.size[1] if flat else None
        spacing = _spacing_for(spec.porosity, pipes, hollow, block.size, thickness)
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
        waist=waist,
        body_volume=bodies,
        span=None if block.span is None else block.span * spacing,
        faces={
            name: np.flatnonzero(on)
            for name, on in block.on_face.items()
            if sides_shown or name in ("bottom", "top")
        },
        size=size,
    )


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
    porosity: float, pipes: float, bodies: float, size: np.ndarray, thickness: float | None
) -> float:
    """The spacing at which these very tubes and bodies have the porosity asked for.

    pipes : volume of the tubes over the spacing, m2. bodies : their volume, m3. size : (3,) of the
    block over the spacing. thickness : of a flat block, m.

    The root s of porosity * block * s^3 = pipes * s + bodies; flat, of its like with s^2.
    """
    if thickness is not None:
        area = porosity * size[0] * size[2] * thickness
        if not bodies:
            return pipes / area
        return float((pipes + np.sqrt(pipes**2 + 4 * area * bodies)) / (2 * area))
    block = porosity * np.prod(size)
    spacing = float(np.sqrt(pipes / block))
    if not bodies:
        return spacing
    spacing += float(np.cbrt(bodies / block))  # above the root, where the cubic is convex
    for _ in range(100):
        excess = (block * spacing**2 - pipes) * spacing - bodies
        step = excess / (3 * block * spacing**2 - pipes)
        spacing -= step
        if abs(step) <= 1e-14 * spacing:
            break
    return spacing
