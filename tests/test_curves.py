"""Permeability, formation factor, surface and capillary-pressure curves of solids."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.sparse as sp
from scipy.integrate import quad
from scipy.sparse.linalg import spsolve

import poresim as ps
from poresim.curves.entry import entry_pressures, half_openings
from poresim.curves.makeup import wall_area
from poresim.curves.transport import FACES
from poresim.solid.sizes import Lognormal, fixed
from poresim.solid.spec import SolidSpec
from poresim.tube.jit import kernel
from poresim.tube.wetting import WETTING, drives

A, R = 1e-4, 15e-6


def block(
    cells=(6, 6, 6), log_sd=0.0, waist=1.0, sides="periodic", seed=0, lattice="cubic", radius=R,
    neighbours=None,
):  # fmt: skip
    radii = Lognormal(radius, log_sd) if log_sd else fixed(radius)
    size = tuple(c * A for c in cells)
    spec = SolidSpec(size, lattice, radii, A, waist=waist, sides=sides, neighbours=neighbours)
    return ps.build_solid(spec, seed=seed)


def water(angle: float = 60.0) -> ps.Liquid:
    return ps.Liquid(ps.Newtonian(1e-3), 0.072, angle, 1000.0)


# --- what a saturated block lets through ---------------------------------------------------------


def test_uniform_cubic_lattice():
    """pi r^4 / (8 a^2) and a^2 / (pi r^2): one tube of Hagen-Poiseuille, or Ohm, per a^2."""
    solid = block()
    assert ps.permeability(solid, "z") == pytest.approx(math.pi * R**4 / (8 * A**2), rel=1e-10)
    assert ps.formation_factor(solid, "z") == pytest.approx(A**2 / (math.pi * R**2), rel=1e-10)


@pytest.mark.parametrize("axis", ["x", "y", "z"])
def test_open_sides(axis):
    """n + 1 rows of tubes on n cells: the outermost stand on the sides, whole."""
    cells = (3, 4, 5)
    solid = block(cells, sides="open")
    rows = math.prod((c + 1) / c for c, name in zip(cells, "xyz", strict=True) if name != axis)
    expected = rows * math.pi * R**4 / (8 * A**2)
    assert ps.permeability(solid, axis) == pytest.approx(expected, rel=1e-10)
    assert ps.formation_factor(solid, axis) == pytest.approx(
        A**2 / (math.pi * R**2) / rows, rel=1e-10
    )


@pytest.mark.parametrize("waist", [0.7, 0.2])
def test_cones_by_quadrature(waist):
    """8 / (pi r^4) and 1 / (pi r^2), integrated along the tube."""
    solid = block(waist=waist)
    half = A / 2

    def along(power: int) -> float:
        return 2 * quad(lambda x: (R * (1 - (1 - waist) * x / half)) ** -power, 0, half)[0]

    k = math.pi / (8 * along(4)) / A  # one tube per A^2, on a length of A
    assert ps.permeability(solid) == pytest.approx(k, rel=1e-9)
    assert ps.formation_factor(solid) == pytest.approx(along(2) / math.pi * A, rel=1e-9)


def test_bundle():
    """Parallel tubes of many radii: sums of r^4 and of r^2; Kozeny's surface is that of tubes."""
    radius = np.linspace(5e-6, 40e-6, 8)
    edge, length = 1e-3, 2e-3
    points = np.zeros((16, 3))
    points[8:, 2] = length
    points[:, 0] = np.tile(np.arange(8), 2) * 1e-4
    ends = np.stack([np.arange(8), np.arange(8, 16)], axis=1)
    faces = {"bottom": range(8), "top": range(8, 16)}
    solid = ps.Network(points, ends, radius, faces=faces, size=(edge, edge, length))
    k = math.pi * np.sum(radius**4) / (8 * edge**2)
    assert ps.permeability(solid) == pytest.approx(k, rel=1e-12)
    assert ps.formation_factor(solid) == pytest.approx(edge**2 / (math.pi * np.sum(radius**2)))
    made = ps.makeup(solid, dry_density=500.0)
    surface = 2 * math.pi * np.sum(radius) / edge**2
    assert made.surface_per_block_1_m == pytest.approx(surface, rel=1e-12)
    porosity = math.pi * np.sum(radius**2) / edge**2
    assert made.porosity == pytest.approx(porosity, rel=1e-12)
    assert made.surface_per_solid_1_m == pytest.approx(surface / (1 - porosity), rel=1e-12)
    assert made.surface_per_mass_m2_kg == pytest.approx(surface / 500, rel=1e-12)
    assert made.radius_m == pytest.approx((5e-6, 20e-6, 40e-6))


def test_archie_of_dilute_tubes():
    """Equal straight tubes along one axis of three: formation factor x porosity is 3.

    Tubes across carry nothing; a third of the volume conducts (tortuosity of a cubic lattice).
    """
    solid = block(radius=2e-6, cells=(8, 8, 8))
    # periodic in x and y; in z there are n + 1 layers of tubes across on n cells
    expected = (1 + 2 * 9 / 8) * 1.0
    assert ps.formation_factor(solid) * ps.makeup(solid).porosity == pytest.approx(expected)


@pytest.mark.parametrize("neighbours", [None, 3.0])
def test_against_a_direct_solve(neighbours):
    """Formation factor and permeability of a random solid: scipy's spsolve on the whole matrix.

    At 3 neighbours some clusters touch one face or none: they must not matter.
    """
    solid = block((9, 9, 9), 0.6, 0.5, "open", seed=4, neighbours=neighbours)
    w, r, length = solid.waist, solid.radius, solid.length
    cones = (1 + w + w * w) / (3 * w**3)
    conduct = {
        "k": math.pi * r**4 / (8 * length * cones),
        "f": math.pi * r**2 * w / length,
    }
    for axis, across in (("x", 0), ("z", 2)):
        low, high = (solid.faces[f] for f in FACES[axis])
        scale = solid.size[across] / np.prod(np.delete(solid.size, across))
        got = {name: scale * _rate(solid, g, low, high) for name, g in conduct.items()}
        assert ps.permeability(solid, axis) == pytest.approx(got["k"], rel=1e-8)
        assert 1 / ps.formation_factor(solid, axis) == pytest.approx(got["f"], rel=1e-8)


def _rate(solid, g, low, high) -> float:
    n, (a, b) = solid.junctions, solid.ends.T
    matrix = sp.coo_matrix((np.r_[g, g, -g, -g], (np.r_[a, b, a, b], np.r_[a, b, b, a])), (n, n))
    matrix = matrix.tocsr()
    pressure = np.zeros(n)
    pressure[low] = 1.0
    free = np.ones(n, bool)
    free[low] = free[high] = False
    _, part = sp.csgraph.connected_components(matrix)
    free &= np.isin(part, part[np.r_[low, high]])
    free = np.flatnonzero(free)
    pressure[free] = spsolve(matrix[free][:, free].tocsc(), -(matrix @ pressure)[free])
    return float((matrix @ pressure)[low].sum())


def test_no_way_through():
    solid = block((12, 12, 12), neighbours=0.8, sides="open")
    assert ps.permeability(solid) == 0.0
    assert ps.formation_factor(solid) == math.inf


@pytest.mark.parametrize(
    ("axis", "change", "word"),
    [
        ("w", {}, "axis must be one of x, y, z"),
        ("x", {}, "no junctions on the left face"),
        ("z", {"size": None}, "no size"),
        ("z", {"faces": {"bottom": [0, 1], "top": [1, 2]}}, "share junctions"),
    ],
)
def test_what_cannot_be_computed(axis, change, word):
    given = {"size": (1e-3,) * 3, "faces": {"bottom": [0], "top": [2]}} | change
    solid = ps.Network([[0, 0, 0], [0, 0, 1e-3], [0, 0, 2e-3]], [[0, 1], [1, 2]], R, **given)
    for measure in (ps.permeability, ps.formation_factor):
        with pytest.raises(ValueError, match=word):
            measure(solid, axis)


def test_wall_area_by_quadrature():
    """2 pi r sqrt(1 + (dr/dx)^2), along the tube."""
    solid = ps.Network([[0, 0, 0], [0, 0, A]], [[0, 1]], 30e-6, waist=0.3)
    slope = 30e-6 * 0.7 / (A / 2)
    area = quad(lambda x: 2 * math.pi * (30e-6 - slope * x) * math.hypot(1, slope), 0, A / 2)[0]
    assert wall_area(solid)[0] == pytest.approx(2 * area, rel=1e-12)


# --- capillary-pressure curves -------------------------------------------------------------------


@kernel
def _least_drive(wetting, tube, upto):
    least = np.inf
    for k in range(1, 4001):
        x = upto * k / 4001.0
        least = min(least, drives(wetting[0], tube[0], 0.0, 0.0, x)[0])
    return least


@pytest.mark.parametrize("angle", [0.0, 30.0, 60.0, 80.0, 110.0, 140.0])
@pytest.mark.parametrize("waist", [1.0, 0.8, 0.3])
def test_entry_pressure_is_that_of_the_march(angle, waist):
    """The least drive that the soak's own meniscus has anywhere along the tube."""
    solid = ps.Network([[0, 0, 0], [0, 0, A]], [[0, 1]], R, waist=waist)
    entry = entry_pressures(solid, 0.072, angle)
    wetting = np.zeros(1, WETTING)
    wetting["advance_cos"] = 2 * 0.072 * math.cos(math.radians(angle))
    wetting["advance_sin"] = 2 * 0.072 * math.sin(math.radians(angle))
    tube = np.zeros(1, np.dtype([("radius", "f8"), ("length", "f8"), ("waist", "f8")], align=True))
    tube["radius"], tube["length"], tube["waist"] = R, A, waist
    for got, upto in ((entry.through[0], A), (entry.to_waist[0], A / 2)):
        expected = -_least_drive(wetting, tube, upto)
        assert got == pytest.approx(expected, rel=4e-3, abs=1e-6)  # 4000 places on the way


def test_one_tube_is_young_laplace():
    """2 gamma cos(theta) / r; standard tube of r 10 um: 7200 Pa."""
    solid = ps.Network([[0, 0, 0], [0, 0, 0.01]], [[0, 1]], 1e-5)
    curve = ps.invasion_curve(solid, water(), [0])
    assert curve.capillary_pressure_Pa == pytest.approx([7200.0])
    assert curve.saturation.tolist() == [1.0]
    assert curve.saturation_at([-7300.0, -7200.0 + 1e-9, 0.0]).tolist() == [0.0, 1.0, 1.0]


def test_mercury_in_a_cylinder():
    """Washburn 1921: 4 x 0.48 x cos 40 / d = 1.4708 MPa um; 1.47 / d is common practice."""
    solid = ps.Network([[0, 0, 0], [0, 0, 0.01]], [[0, 1]], 0.5e-6)
    curve = ps.intrusion_curve(solid, [0])
    assert curve.pressure_Pa == pytest.approx([1.4708e6], rel=1e-4)
    assert curve.equivalent_diameter_m == pytest.approx([1e-6], rel=1e-12)


def test_wide_tubes_behind_narrow_ones():
    """Shielding: mercury reaches the wide tube with the narrow one, water the narrow with the wide.

    In a chain the least of the pulls, or the highest pressure, on the way counts.
    """
    radius = np.array([10e-6, 2e-6, 20e-6])
    points = np.zeros((4, 3))
    points[:, 2] = np.arange(4) * 1e-3
    chain = ps.Network(points, [[0, 1], [1, 2], [2, 3]], radius)
    wide = ps.intrusion_curve(chain, [0])
    assert wide.equivalent_diameter_m * 1e6 == pytest.approx([20.0, 4.0])
    volume = np.cumsum(radius**2)[[0, 2]] * math.pi * 1e-3
    assert wide.volume_m3 == pytest.approx(volume)
    drawn = ps.invasion_curve(chain, water(0.0), [0])
    assert drawn.capillary_pressure_Pa == pytest.approx([0.144 / 10e-6, 0.144 / 20e-6])
    assert drawn.volume_m3 == pytest.approx(np.cumsum(radius**2)[[1, 2]] * math.pi * 1e-3)


@pytest.mark.parametrize(("angle", "waist"), [(60.0, 0.4), (72.0, 0.4), (79.0, 0.2)])
def test_at_zero_pressure_it_is_where_the_soak_rests(angle, waist):
    """A soak without gravity comes to rest when the same tubes are full."""
    solid = block((4, 4, 5), 0.5, waist, "open", seed=2, radius=22e-6)
    curve = ps.invasion_curve(solid, water(angle), solid.faces["bottom"])
    soak = ps.soak(solid, water(angle), solid.faces["bottom"], accuracy=0.02, until_s=1e6)
    np.testing.assert_array_equal(curve.filled_at_Pa <= 0, np.isfinite(soak.filled_at_s))
    if angle > 70:
        assert 0 < curve.saturation_at(0.0) < 1


def test_trapping_in_a_loop():
    """A ring, liquid from one junction, outlet opposite: one way fills, the other is cut off."""
    points = [[0, 0, 0], [1e-3, 0, 0], [-1e-3, 0, 0], [0, 0, 1e-3]]
    ends = [[0, 1], [1, 3], [0, 2], [2, 3]]
    solid = ps.Network(points, ends, [5e-6, 6e-6, 9e-6, 10e-6], length=1e-3)
    never = math.inf
    p5, p6, p9, p10 = (-0.144 * 0.5 / r for r in (5e-6, 6e-6, 9e-6, 10e-6))
    filled = {
        kind: ps.invasion_curve(solid, water(), [0], trapping=kind, outlet=[3]).filled_at_Pa
        for kind in ("none", "pockets", "tubes")
    }
    assert filled["none"] == pytest.approx([p5, p6, p9, p10])
    # junction 2 is cut off once 3 is wet: a pocket of one junction and two tubes
    assert filled["pockets"].tolist() == pytest.approx([p5, p6, never, never])
    assert filled["tubes"].tolist() == pytest.approx([p5, p6, never, never])
    # liquid at 0 and 2: now the last tube is alone between two wet ends
    both = {
        kind: ps.invasion_curve(solid, water(), [0, 2], trapping=kind, outlet=[3])
        for kind in ("none", "pockets", "tubes")
    }
    assert both["pockets"].filled_at_Pa == pytest.approx([p5, p6, p9, p10])
    assert both["tubes"].filled_at_Pa.tolist() == pytest.approx([p5, p6, never, never])
    assert both["tubes"].saturation[-1] == pytest.approx(61 / 242)


def test_trapping_never_helps():
    solid = block((7, 7, 7), 0.5, 0.6, "open", seed=1)
    bottom = solid.faces["bottom"]
    free, pockets, tubes = (
        ps.invasion_curve(solid, water(), bottom, trapping=kind)
        for kind in ("none", "pockets", "tubes")
    )
    assert free.saturation[-1] == pytest.approx(1.0)
    assert np.all(pockets.filled_at_Pa >= free.filled_at_Pa)
    assert np.all(tubes.filled_at_Pa >= pockets.filled_at_Pa)
    assert tubes.saturation[-1] < pockets.saturation[-1] < 1.0
    # every tube that "tubes" lets fill brings liquid to one junction more: they make a forest
    wet = np.isfinite(tubes.reached_at_Pa) & (tubes.reached_at_Pa > -math.inf)
    assert np.isfinite(tubes.filled_at_Pa).sum() == wet.sum()


def test_bodies_are_counted_when_their_junction_is_reached():
    """A network that has body volumes (here: put beside one that has none yet)."""
    solid = ps.Network([[0, 0, 0], [0, 0, 1e-3], [0, 0, 2e-3]], [[0, 1], [1, 2]], [1e-5, 5e-6])
    tube = math.pi * np.array([1e-10, 0.25e-10]) * 1e-3

    class WithBodies:
        body_volume = np.array([1e-13, 2e-13, 4e-13])

        def __getattr__(self, name):
            return getattr(solid, name)

    curve = ps.intrusion_curve(WithBodies(), [0])
    assert curve.pore_volume_m3 == pytest.approx(tube.sum() + 7e-13)
    assert curve.volume_m3 == pytest.approx([tube[0] + 3e-13, tube.sum() + 7e-13])
    assert ps.makeup(WithBodies()).wall_area_m2 == pytest.approx(ps.makeup(solid).wall_area_m2)


@pytest.mark.parametrize(
    ("call", "word"),
    [
        (lambda s: ps.invasion_curve(s, water(), []), "names no junction"),
        (lambda s: ps.invasion_curve(s, water(), [9]), "inlet names junction 9"),
        (lambda s: ps.invasion_curve(s, water(), [0.5]), "whole numbers"),
        (lambda s: ps.invasion_curve(s, water(), [0], trapping="some"), "trapping must be one of"),
        (
            lambda s: ps.invasion_curve(s, water(), [0], trapping="tubes", outlet=[-1]),
            "outlet names junction -1",
        ),
        (lambda s: ps.intrusion_curve(s), "no faces"),
        (lambda s: ps.intrusion_curve(s, [0], contact_angle_deg=60), "above 90"),
        (lambda s: ps.intrusion_curve(s, [0], surface_tension=0.0), "above 0"),
    ],
)
def test_bad_requests_are_refused(call, word):
    with pytest.raises(ValueError, match=word):
        call(ps.Network([[0, 0, 0], [0, 0, 1e-3]], [[0, 1]], 1e-5))


def test_half_opening():
    """tan b = 2 r (1 - waist) / length."""
    solid = ps.Network([[0, 0, 0], [0, 0, A]], [[0, 1]], R, waist=0.25)
    assert math.tan(half_openings(solid)[0]) == pytest.approx(2 * R * 0.75 / A)
