"""The lattices a solid is drawn on: neighbours, lengths, faces, sides, thinning, porosity."""

from __future__ import annotations

import dataclasses
import re
import tracemalloc

import numpy as np
import pytest
from scipy import sparse
from scipy.sparse.linalg import splu

import poresim.solid.build as build_module
from poresim.solid.build import build_solid
from poresim.solid.fitting import MOST_POROSITY, WIDE_SHARE, fit
from poresim.solid.lattices import KINDS, LATTICES
from poresim.solid.sizes import Lognormal, fixed
from poresim.solid.spec import SolidError, SolidSpec

# Coordination numbers: any text on crystal structures.
NEIGHBOURS = {
    "cubic": 6,
    "bcc": 8,
    "fcc": 12,
    "diamond": 4,
    "square": 4,
    "triangular": 6,
    "honeycomb": 3,
}
SIZE = (1.0e-3, 1.1e-3, 1.2e-3)
UM = 1e-6


def spec(lattice: str, **changes) -> SolidSpec:
    given = {"size": SIZE, "lattice": lattice, "radii": Lognormal(8 * UM, 0.4)}
    return SolidSpec(**(given | {"spacing": 100 * UM} | changes))


def is_flat(lattice: str) -> bool:
    return lattice in LATTICES and LATTICES[lattice].flat


def far_from_faces(network, sides="open") -> np.ndarray:
    """Junctions at least 1.1 spacings from every face, found from positions alone."""
    axes = [2] if sides == "periodic" else [0, 1, 2]
    inside = np.ones(network.junctions, dtype=bool)
    for axis in axes:
        along = network.points[:, axis]
        if np.ptp(along) > 0:
            inside &= (along > 110 * UM) & (along < along.max() - 110 * UM)
    return inside


@pytest.mark.parametrize("sides", ["open", "sealed", "periodic"])
@pytest.mark.parametrize("lattice", NEIGHBOURS)
def test_inner_junctions_have_the_neighbours_of_their_lattice(lattice, sides):
    network = build_solid(spec(lattice, sides=sides))
    inside = far_from_faces(network, sides)
    assert inside.sum() >= 10
    assert set(network.neighbours[inside]) == {NEIGHBOURS[lattice]}


@pytest.mark.parametrize("sides", ["open", "periodic"])
@pytest.mark.parametrize("lattice", NEIGHBOURS)
def test_tubes_join_nearest_neighbours_and_no_pair_twice(lattice, sides):
    network = build_solid(spec(lattice, sides=sides))
    np.testing.assert_allclose(network.length, 100 * UM, rtol=1e-12)
    assert len(np.unique(np.sort(network.ends, axis=1), axis=0)) == network.tubes
    # Nobody is nearer than a tube is long: the tubes are the nearest neighbours.
    points = network.points
    apart = np.linalg.norm(points[None] - points[:200, None], axis=2)
    assert np.sort(apart, axis=1)[:, 1].min() > 99.999 * UM


@pytest.mark.parametrize("lattice", KINDS)
def test_every_face_of_an_open_block_holds_junctions(lattice):
    network = build_solid(spec(lattice))
    names = ["left", "right", "bottom", "top"] + ([] if is_flat(lattice) else ["front", "back"])
    assert sorted(network.faces) == sorted(names)
    for name, axis in zip(["left", "front", "bottom"], range(3), strict=True):
        if name in network.faces:
            assert np.any(network.points[network.faces[name], axis] == 0)
    for name, axis in zip(["right", "back", "top"], range(3), strict=True):
        if name in network.faces:
            there = network.points[network.faces[name], axis]
            assert np.any(np.isclose(there, network.size[axis], rtol=1e-12))
    assert network.points.min() >= 0
    assert np.all(network.points <= network.size * (1 + 1e-12))


@pytest.mark.parametrize("lattice", KINDS)
def test_reached_size_is_about_the_size_asked_for(lattice):
    network = build_solid(spec(lattice))
    cell = LATTICES[lattice].edges if lattice in LATTICES else (0, 0, 0)
    for axis in range(3):
        slack = 0 if is_flat(lattice) and axis == 1 else 0.5 * cell[axis] * 100 * UM
        assert abs(network.size[axis] - SIZE[axis]) <= slack + 1e-12


@pytest.mark.parametrize("lattice", KINDS)
def test_only_open_sides_are_faces(lattice):
    for sides in ("sealed", "periodic"):
        assert sorted(build_solid(spec(lattice, sides=sides)).faces) == ["bottom", "top"]


@pytest.mark.parametrize("lattice", KINDS)
def test_periodic_sides_wrap_in_x_and_y_and_never_in_z(lattice):
    network = build_solid(spec(lattice, sides="periodic"))
    straight = network.points[network.ends[:, 1]] - network.points[network.ends[:, 0]]
    turns = (straight - network.span) / network.size
    np.testing.assert_allclose(turns, np.round(turns), atol=1e-9)
    turns = np.abs(np.round(turns))
    assert set(turns[:, 0]) == {0, 1}
    assert set(turns[:, 1]) == ({0} if is_flat(lattice) else {0, 1})
    assert set(turns[:, 2]) == {0}
    np.testing.assert_allclose(np.linalg.norm(network.span, axis=1), network.length, rtol=1e-12)


@pytest.mark.parametrize("neighbours", [None, 2.7])
@pytest.mark.parametrize("sides", ["open", "periodic"])
@pytest.mark.parametrize("lattice", KINDS)
def test_counts_by_formula_are_those_of_the_block(lattice, sides, neighbours):
    asked = spec(lattice, sides=sides, neighbours=neighbours)
    found, network = fit(asked), build_solid(asked)
    assert found.junctions == network.junctions
    if lattice == "scattered":
        assert found.tubes == pytest.approx(network.tubes, rel=0.03)
    else:
        assert found.tubes == network.tubes
    np.testing.assert_allclose(found.size, network.size, rtol=1e-12)


@pytest.mark.parametrize("lattice", KINDS)
def test_thinning_reaches_the_mean_number_of_neighbours(lattice):
    # Mean over junctions on no face, as the scenario's key says; within 1 %.
    size = (3e-3, 2e-3, 3e-3) if lattice in NEIGHBOURS else SIZE
    network = build_solid(spec(lattice, size=size, neighbours=2.6), seed=4)
    inner = np.ones(network.junctions, dtype=bool)
    for face in network.faces.values():
        inner[face] = False
    assert network.neighbours[inner].mean() == pytest.approx(2.6, rel=0.01)
    if lattice in NEIGHBOURS:
        # Taken out at random: what is left is binomial. 20 % is three standard deviations here.
        kept = 2.6 / NEIGHBOURS[lattice]
        assert network.neighbours[inner].var() == pytest.approx(2.6 * (1 - kept), rel=0.2)


def test_thinning_is_random_and_repeatable():
    asked = spec("cubic", neighbours=3.0)
    same, again, other = (build_solid(asked, seed=s) for s in (0, 0, 1))
    np.testing.assert_array_equal(same.ends, again.ends)
    np.testing.assert_array_equal(same.radius, again.radius)
    assert not np.array_equal(same.ends, other.ends)
    # Tubes kept along x, y and z: a third each, within four standard deviations.
    shares = (np.abs(same.span) > 1e-9).mean(axis=0)
    deviation = np.sqrt(1 / 3 * 2 / 3 * 0.5 / same.tubes)
    np.testing.assert_allclose(shares, 1 / 3, atol=4 * deviation + 0.02)


def test_seeds_follow_the_repeat_and_not_the_order():
    asked = spec("scattered", neighbours=5.0)
    first = build_solid(asked, build_module.geometry_seed(7))
    np.testing.assert_array_equal(first.points, build_solid(asked, 7).points)
    second = build_solid(asked, build_module.geometry_seed(7, repeat=1))
    assert not np.array_equal(first.points, second.points)


def test_junctions_are_numbered_by_depth():
    for lattice in KINDS:
        assert np.all(np.diff(build_solid(spec(lattice)).points[:, 2]) >= 0)


def test_scattered_junctions_keep_their_distance_and_are_well_joined():
    network = build_solid(spec("scattered", sides="periodic"))
    assert network.length.min() >= 50 * UM * (1 - 1e-9)
    assert network.length.max() < 400 * UM
    # Delaunay edges of a random point set in space: 15.54 neighbours on average when the points
    # are independent (Meijering 1953; value from memory); points that keep a distance have
    # slightly fewer.
    inside = far_from_faces(network, "periodic")
    assert 14.5 < network.neighbours[inside].mean() < 15.54


@pytest.mark.parametrize("waist", [1.0, 0.4])
@pytest.mark.parametrize("lattice", KINDS)
def test_porosity_is_reached_and_the_spacing_follows(lattice, waist):
    asked = spec(lattice, spacing=None, porosity=0.12, waist=waist, size=(1e-3, 30 * UM, 1e-3))
    if not is_flat(lattice):
        asked = dataclasses.replace(asked, size=SIZE)
    network = build_solid(asked, seed=5)
    volume = np.pi * network.radius**2 * network.length * (1 + waist + waist**2) / 3
    assert volume.sum() / np.prod(network.size) == pytest.approx(0.12, abs=1e-3)
    assert network.porosity == pytest.approx(0.12, rel=1e-9)
    found = fit(asked)
    assert found.porosity == pytest.approx(0.12, rel=1e-9 if lattice in LATTICES else 2e-3)
    assert found.spacing == pytest.approx(network.length.mean(), rel=0.3)
    for axis in (0, 2):
        assert network.size[axis] == pytest.approx(asked.size[axis], rel=0.2)


@pytest.mark.parametrize("lattice", KINDS)
@pytest.mark.parametrize("radius", [33.0, 60.0, 4000.0])
def test_tubes_too_wide_are_refused_and_the_advice_fits(lattice, radius):
    asked = spec(lattice, radii=Lognormal(radius * UM, 0.5), size=(4e-3, 4e-3, 4e-3))
    found = fit(dataclasses.replace(asked, radii=Lognormal(0.1 * UM, 0.5)))
    assert found.wide_share < WIDE_SHARE
    try:
        fit(asked)
    except SolidError as fault:
        said = re.search(
            r"(?:spacing (\S+) um or more, or )?multiply the radii by (\S+)", fault.right
        )
        spacing, factor = said.group(1), float(said.group(2))
    else:
        built = fit(asked)
        assert built.porosity <= MOST_POROSITY and built.wide_share <= WIDE_SHARE
        return
    fit(dataclasses.replace(asked, radii=asked.radii.scaled(factor)))
    with pytest.raises(SolidError):
        fit(dataclasses.replace(asked, radii=asked.radii.scaled(1.1 * factor)))
    assert (spacing is None) == (radius == 4000.0), "only then no spacing fits into the block"
    if spacing:
        fit(dataclasses.replace(asked, spacing=float(spacing) * UM))
        with pytest.raises(SolidError):
            fit(dataclasses.replace(asked, spacing=0.9 * float(spacing) * UM))


def test_porosity_too_high_for_the_radii_is_refused_and_the_advice_fits():
    asked = spec("diamond", radii=Lognormal(15 * UM, 0.5), spacing=None, porosity=0.9)
    with pytest.raises(SolidError, match=r"porosity of ([0-9.]+) or less") as caught:
        fit(asked)
    advice = float(caught.value.right.split("porosity of ")[1].split()[0])
    fit(dataclasses.replace(asked, porosity=advice))
    with pytest.raises(SolidError):
        fit(dataclasses.replace(asked, porosity=advice * 1.02))


def test_a_block_larger_than_memory_is_refused_before_anything_is_taken():
    asked = spec("cubic", size=(1.0, 1.0, 1.0), spacing=20 * UM, radii=fixed(2 * UM))
    with pytest.raises(SolidError, match=r"need about 325 PB of memory, and .* is free"):
        build_solid(asked)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"size": (1e-3, 1e-3, 1e-5)}, "z edge of 0.01 mm is too short"),
        ({"neighbours": 6.5}, "can have up to 6"),
        ({"porosity": 0.3}, "both given"),
        ({"spacing": None}, "neither spacing nor porosity"),
        ({"waist": 0.0}, "above 0 and up to 1"),
        ({"sides": "ajar"}, "one of open, sealed, periodic"),
        ({"lattice": "cubical"}, "one of cubic, bcc"),
        ({"spacing": float("nan")}, "give a length above 0"),
    ],
)
def test_a_solid_that_cannot_be_says_why(change, said):
    with pytest.raises(SolidError, match=said):
        build_solid(spec(**({"lattice": "cubic"} | change)))


def _laplacian(network) -> sparse.csc_matrix:
    i, j = network.ends.T
    n = network.junctions
    g = np.ones(len(i))
    joined = sparse.coo_matrix((g, (i, j)), shape=(n, n))
    joined = joined + joined.T
    return (sparse.diags(np.asarray(joined.sum(axis=1)).ravel()) - joined).tocsc()


@pytest.mark.parametrize("lattice", NEIGHBOURS)
def test_resistance_between_neighbours_of_a_large_patch(lattice):
    """2/z between neighbours of any edge-transitive infinite lattice (Foster 1949; from memory).

    A finite patch disturbs it as (1/height)^2 in two dimensions and (1/height)^3 in three:
    below 1e-3 here.
    """
    size = (6.2e-3, 1e-4, 6.2e-3) if is_flat(lattice) else (1.9e-3, 1.9e-3, 1.9e-3)
    network = build_solid(spec(lattice, size=size, sides="periodic", radii=fixed(8 * UM)))
    grounded = _laplacian(network)[1:, 1:]
    solve = splu(grounded, permc_spec="MMD_AT_PLUS_A", options={"SymmetricMode": True}).solve
    centre = np.argmin(np.linalg.norm(network.points - network.size / 2, axis=1))
    for i, j in network.ends[(network.ends == centre).any(axis=1)]:
        current = np.zeros(network.junctions)
        current[i], current[j] = 1, -1
        pressure = np.concatenate([[0.0], solve(current[1:])])
        resistance = pressure[i] - pressure[j]
        assert resistance == pytest.approx(2 / NEIGHBOURS[lattice], rel=1e-3)


@pytest.mark.parametrize("lattice", KINDS)
def test_foster_sum_over_all_tubes(lattice):
    """The sum of g_e R_e over all tubes is junctions - 1 in any connected network (Foster 1949)."""
    network = build_solid(spec(lattice, size=(4e-4, 4e-4, 5e-4)))
    inverse = np.linalg.pinv(_laplacian(network).toarray())
    i, j = network.ends.T
    resistance = inverse[i, i] + inverse[j, j] - 2 * inverse[i, j]
    clusters = sparse.csgraph.connected_components(_laplacian(network))[0]
    assert resistance.sum() == pytest.approx(network.junctions - clusters, rel=1e-9)
    assert clusters == 1 or lattice == "diamond"  # whose corners may hang free


@pytest.mark.parametrize("more", [{}, {"neighbours": 5.2}, {"porosity": 0.1, "spacing": None}])
def test_a_block_is_built_in_little_memory(more):
    """Bytes a tube: what a network keeps, and the most that building it takes meanwhile."""
    asked = {"size": (39e-4,) * 3, "spacing": 1e-4, "radii": Lognormal(1e-5, 0.4), "waist": 0.5}
    spec = SolidSpec(**(asked | more))
    build_solid(SolidSpec(**(asked | {"size": (5e-4,) * 3})), 1)  # imports
    tracemalloc.start()
    try:
        solid = build_solid(spec, 1)
        held, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert solid.tubes > 100_000
    assert most < 100 * solid.tubes
    assert held < 30 * solid.tubes
