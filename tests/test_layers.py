"""Layers: which tubes belong to each, their laws, their waists, the porosity of the whole."""

from __future__ import annotations

import dataclasses
import hashlib
import re

import numpy as np
import pytest
from scipy import stats

from poresim.solid.build import build_solid
from poresim.solid.fitting import fit
from poresim.solid.lattices import KINDS, LATTICES, count, tubes_below
from poresim.solid.layers import Layer, middles
from poresim.solid.sizes import (
    Gamma,
    Lognormal,
    Mixture,
    Table,
    Uniform,
    Weibull,
    fixed,
)
from poresim.solid.spec import SolidError, SolidSpec
from poresim.solid.waists import BetaWaist, LognormalWaist, UniformWaist

UM = 1e-6
CRUST, CRUMB = Lognormal(4 * UM, 0.3), Weibull(14 * UM, 2.0)
AXES = {"x": 0, "y": 1, "z": 2}


def spec(layers=None, **changes) -> SolidSpec:
    if layers is None:
        layers = (Layer(CRUMB), Layer(CRUST, 0.5e-3))
    given = {"size": (2e-3, 2e-3, 3e-3), "lattice": "cubic", "spacing": 100 * UM}
    return SolidSpec(**(given | {"layers": tuple(layers)} | changes))


def is_flat(lattice) -> bool:
    return lattice in LATTICES and LATTICES[lattice].flat


def middle_of(network, axis, *, wraps=False) -> np.ndarray:
    """Midpoints along an axis, brute force: one end plus half the span, back into the block."""
    found = network.points[network.ends[:, 0], axis] + 0.5 * network.span[:, axis]
    return np.round(found / network.size[axis], 9) % 1 * network.size[axis] if wraps else found


# ---- which tubes ---------------------------------------------------------------------------


@pytest.mark.parametrize("sides", ["open", "periodic"])
@pytest.mark.parametrize("axis", ["x", "y", "z"])
@pytest.mark.parametrize("lattice", KINDS)
def test_a_tube_belongs_to_the_layer_of_its_midpoint(lattice, axis, sides):
    if axis == "y" and is_flat(lattice):
        return
    sizes = [2 * UM, 5 * UM, 9 * UM]
    shares = [0.237, 0.35, 0.413]
    edge = 1.3e-3
    layers = [Layer(fixed(r), share * edge) for r, share in zip(sizes, shares, strict=True)]
    asked = spec(layers, lattice=lattice, size=(edge,) * 3, layer_axis=axis, sides=sides)
    network = build_solid(asked, 1)
    number = AXES[axis]
    along = middle_of(network, number, wraps=sides == "periodic" and number < 2)
    place = along / network.size[number]
    expected = np.select([place < 0.237, place < 0.587], sizes[:2], sizes[2])
    np.testing.assert_array_equal(network.radius, expected)


def test_a_midpoint_on_a_border_belongs_to_the_layer_further_on():
    """Level tubes at a depth of 0.5 mm, whatever rounding makes of it."""
    layers = [Layer(fixed(2 * UM), 0.5e-3), Layer(fixed(5 * UM), 0.6e-3), Layer(fixed(9 * UM))]
    for size in (3e-3, 2.3e-3, 1.7e-3):
        network = build_solid(spec(layers, size=(1e-3, 1e-3, size)))
        step = np.round(2 * middle_of(network, 2) / (100 * UM)).astype(int)
        expected = np.select([step < 10, step < 22], [2 * UM, 5 * UM], 9 * UM)
        np.testing.assert_array_equal(network.radius, expected)


@pytest.mark.parametrize("wraps", [False, True])
@pytest.mark.parametrize("lattice", [k for k in KINDS if k != "scattered"])
def test_tubes_of_layers_are_counted_without_building_them(lattice, wraps):
    flat = is_flat(lattice)
    sides = "periodic" if wraps else "open"
    asked = spec(None, lattice=lattice, size=(7e-4, 1e-3, 9e-4), sides=sides)
    network, cells = build_solid(asked), fit(asked).cells
    wrapped = (wraps, wraps and not flat, False)
    for axis in (0, 2) if flat else (0, 1, 2):
        along = middle_of(network, axis, wraps=wrapped[axis]) / network.size[axis]
        # also where midpoints lie on the border themselves
        for share in [*np.linspace(0.05, 0.95, 7), 0.5, 1 / 3, 0.25]:
            found = tubes_below(LATTICES[lattice], cells, wrapped, axis, share)
            assert found == np.count_nonzero(along < share - 1e-7)
        assert tubes_below(LATTICES[lattice], cells, wrapped, axis, 2.0) == network.tubes
        assert count(LATTICES[lattice], cells, wrapped).tubes == network.tubes


@pytest.mark.parametrize("more", [{}, {"neighbours": 4.5}, {"lattice": "scattered"}])
def test_what_layers_hold_is_foreseen(more):
    """Tubes exactly, or as thinning leaves them; scattered ones, an estimate, within 5 %."""
    layers = [Layer(fixed(4 * UM), 0.3e-3), Layer(fixed(12 * UM), 0.7e-3), Layer(fixed(9 * UM))]
    asked = spec(layers, **more)
    network, foreseen = build_solid(asked, 2), fit(asked).layers
    for layer, contents in zip(layers, foreseen, strict=True):
        mine = network.radius == layer.radii.quantile(0.5)
        within = {"rel": (0.05 if "lattice" in more else 0.02) if more else 1e-12}
        assert np.count_nonzero(mine) == pytest.approx(contents.tubes, **within)
        assert network.tube_volume[mine].sum() == pytest.approx(contents.volume, **within)
        volume = contents.thickness * network.size[0] * network.size[1]
        assert contents.volume / volume == pytest.approx(contents.porosity, rel=1e-9)
    assert sum(one.thickness for one in foreseen) == pytest.approx(network.size[2])


# ---- laws ----------------------------------------------------------------------------------


def test_radii_of_each_layer_follow_its_law():
    asked = spec(size=(3.5e-3, 3.5e-3, 5e-3), layers=(Layer(CRUMB, 2.2e-3), Layer(CRUST)))
    network = build_solid(asked, 3)
    along = middle_of(network, 2)
    crumb = along < 2.2e-3 - 1e-9
    cdfs = stats.weibull_min(2, scale=14 * UM).cdf, stats.lognorm(0.3, scale=4 * UM).cdf
    assert network.tubes > 150_000
    for mine, cdf, other in ((crumb, *cdfs), (~crumb, *cdfs[::-1])):
        assert stats.kstest(network.radius[mine], cdf).pvalue > 0.01
        assert stats.kstest(network.radius[mine], other).pvalue < 1e-9


@pytest.mark.parametrize("lattice", KINDS)
@pytest.mark.parametrize("bodies", [0.0, 1.2])
def test_the_porosity_of_the_whole_comes_out(lattice, bodies):
    layers = [
        Layer(CRUST, 0.3e-3, waist=0.4),
        Layer(CRUMB, waist=UniformWaist(0.2, 0.9)),
        Layer(Gamma(3, 2 * UM), 0.4e-3),
    ]
    thin = is_flat(lattice)
    asked = spec(
        layers,
        lattice=lattice,
        spacing=None,
        size=(1.5e-3, 5e-5 if thin else 1.5e-3, 1.5e-3),
        porosity=0.08,
        body_ratio=bodies,
    )
    network = build_solid(asked, 1)
    assert network.porosity == pytest.approx(0.08, rel=0.01)  # asked for
    assert network.porosity == pytest.approx(0.08, rel=1e-9)  # reached
    # half a cell, and what the drawn tubes differ from those expected
    np.testing.assert_allclose(network.size, asked.size, rtol=0.2 if thin else 0.1)


def test_waists_of_each_layer_are_its_own():
    layers = [
        Layer(CRUMB, 1e-3, waist=UniformWaist(0.3, 0.5)),
        Layer(CRUMB, 1e-3, 0.7),
        Layer(CRUST),
    ]
    network = build_solid(spec(layers, waist=0.9), 1)
    along = middle_of(network, 2)
    low, mid = along < 1e-3 - 1e-9, along >= 2e-3 - 1e-9
    assert 0.3 < network.waist[low].min() < 0.31 and 0.49 < network.waist[low].max() < 0.5
    assert set(network.waist[mid]) == {0.9}, "what a layer does not say is the solid's"
    assert set(network.waist[~low & ~mid]) == {0.7}


def test_layers_of_one_correlation_share_a_field_and_others_do_not():
    """Scores of neighbours across the border, where the lengths are equal and where not."""

    def across(first, second) -> float:
        law = Lognormal(8 * UM, 0.3)
        layers = [Layer(law, 0.95e-3, correlation=first), Layer(law, correlation=second)]
        products = []
        for seed in range(4):
            network = build_solid(spec(layers, size=(2e-3, 2e-3, 2e-3)), seed)
            score = np.log(network.radius / (8 * UM)) / 0.3
            level = np.abs(network.span[:, 2]) < UM
            step = np.round(middle_of(network, 2) / (100 * UM)).astype(int)
            products.append(score[level & (step == 9)] * score[level & (step == 10)])
        return float(np.mean(products))

    together = np.exp(-((100 / 300) ** 2))
    assert across(300 * UM, 300 * UM) == pytest.approx(together, abs=0.2)
    assert abs(across(300 * UM, 250 * UM)) < 0.2
    assert abs(across(300 * UM, 0.0)) < 0.1


# ---- laws of the waist ---------------------------------------------------------------------


def cut_lognormal(w) -> np.ndarray:
    law = stats.lognorm(0.6, scale=0.45)
    low, high = law.cdf([0.05, 1.0])
    return np.clip((law.cdf(w) - low) / (high - low), 0, 1)


WAISTS = {
    "uniform": (UniformWaist(0.3, 0.8), stats.uniform(0.3, 0.5).cdf),
    "beta": (BetaWaist(3, 5, 0.1, 0.9), stats.beta(3, 5, 0.1, 0.8).cdf),
    "lognormal": (LognormalWaist(0.45, 0.6, 0.05), cut_lognormal),
}


@pytest.mark.parametrize("name", WAISTS)
def test_waists_follow_their_law_and_do_not_know_the_radii(name):
    law, cdf = WAISTS[name]
    asked = SolidSpec((4e-3,) * 3, "cubic", Lognormal(9 * UM, 0.4), 100 * UM, waist=law)
    network = build_solid(asked, 6)
    assert network.tubes > 100_000
    assert stats.kstest(network.waist, cdf).pvalue > 0.01
    assert stats.kstest(0.97 * network.waist, cdf).pvalue < 1e-6, "the test can fail"
    assert stats.spearmanr(network.waist, network.radius).pvalue > 0.01
    np.testing.assert_array_equal(
        network.radius, build_solid(dataclasses.replace(asked, waist=0.5), 6).radius
    )
    grid = np.linspace(0, 1, 200_001)[1:-1]
    quantiles = law.quantile(grid)
    assert np.all((quantiles > 0) & (quantiles <= 1))
    for power in (1, 2):
        assert law.moment(power) == pytest.approx(np.mean(quantiles**power), rel=1e-4)
    assert fit(asked).porosity == pytest.approx(network.porosity, rel=0.02)


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: UniformWaist(0.8, 0.3), "least and greatest must lie above 0 and up to 1"),
        (lambda: UniformWaist(0.0, 0.3), "got 0 and 0.3"),
        (lambda: UniformWaist(0.5, float("nan")), "got 0.5 and nan"),
        (lambda: BetaWaist(0.0, 1.0), "a must be finite and above 0, got 0"),
        (lambda: BetaWaist(1.0, float("inf")), "b must be finite"),
        (lambda: LognormalWaist(0.0, 1.0), "median must be"),
        (lambda: LognormalWaist(9.0, 0.1), "next to nothing lies between 0.01 and 1"),
    ],
)
def test_a_waist_that_cannot_be_says_why(make, said):
    with pytest.raises(ValueError, match=said):
        make()


# ---- what cannot be ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("layers", "said"),
    [
        (
            [Layer(CRUMB, 1e-3), Layer(CRUST, 1.4e-3)],
            "the layers are 2.4 mm together, but the block is 3 mm along that axis; make the last "
            "one 2 mm, leave out",
        ),
        (
            [Layer(CRUMB, 3.5e-3), Layer(CRUST, 0.4e-3)],
            "the layers are 3.9 mm together, but the block is 3 mm along that axis; make them "
            "thinner, or the block 3.9 mm",
        ),
        ([Layer(CRUMB), Layer(CRUST), Layer(CRUMB, 1e-3)], "2 layers have no thickness; one layer"),
        ([Layer(CRUMB, 3e-3), Layer(CRUST)], "are 3 mm together and leave nothing of 3 mm"),
        ([Layer(CRUMB, -1.0), Layer(CRUST)], "layer 1 is -1 m thick"),
        (
            [Layer(CRUMB, 1.03e-3), Layer(CRUST, 1e-6), Layer(CRUMB)],
            r"layer 2 \(0.001 mm\) would hold no tube at a spacing of 100 um",
        ),
        (
            [Layer(CRUMB), Layer(Lognormal(60 * UM, 0.3), 0.4e-3)],
            "73 % of the tubes in layer 2 would be wider than long",
        ),
    ],
)
def test_layers_that_cannot_be_say_why(layers, said):
    with pytest.raises(SolidError, match=said):
        fit(spec(layers))


def test_the_advice_on_radii_that_are_too_wide_fits_layers():
    layers = [Layer(CRUMB), Layer(Lognormal(60 * UM, 0.3), 0.4e-3)]
    with pytest.raises(SolidError) as caught:
        fit(spec(layers))
    spacing, factor = re.search(
        r"spacing (\S+) um or more, or multiply the radii by (\S+)", caught.value.right
    ).groups()
    fit(spec(layers, spacing=float(spacing) * UM))
    fit(spec(layers).scaled(float(factor)))


def test_layers_and_radii_exclude_each_other():
    with pytest.raises(SolidError, match="layers: radii are given, too"):
        spec(radii=CRUMB)
    with pytest.raises(SolidError, match="layer_axis: got 'w'; one of x, y, z"):
        spec(layer_axis="w")
    with pytest.raises(SolidError, match="layer_axis: got 'y', but a flat lattice lies in x-z"):
        fit(spec(lattice="square", layer_axis="y"))


# ---- nothing else has changed --------------------------------------------------------------

#: (spec, sha256 of the radii and of the rest), as built before there were layers.
BEFORE = {
    "cubic": (
        {"lattice": "cubic", "spacing": 100 * UM, "radii": Lognormal(15 * UM, 0.5), "waist": 0.5}
        | {"neighbours": 5.2},
        "a47cdf48c7042a87 543c7f4856fd2bd9",
    ),
    "cubic, porosity": (
        {"lattice": "cubic", "porosity": 0.3, "radii": Weibull(18 * UM, 1.8)},
        "69472802d70c6143 7bce9ecd2101c737",
    ),
    "bcc": (
        {"lattice": "bcc", "porosity": 0.2, "radii": Gamma(3.5, 5 * UM), "neighbours": 6.0}
        | {"waist": 0.3},
        "41a62ab8897040a8 22c053cad20f9393",
    ),
    "scattered": (
        {"lattice": "scattered", "porosity": 0.25, "radii": Uniform(5 * UM, 20 * UM)}
        | {"neighbours": 9.0},
        "e6b467fca2e702e7 08327085bd88b92f",
    ),
    "square": (
        {"lattice": "square", "porosity": 0.03, "waist": 0.6}
        | {"radii": Mixture((1, 3), (Lognormal(6 * UM, 0.3), Weibull(20 * UM, 3)))},
        "3607ab2a8a20d274 a28756768cf5b93f",
    ),
    "diamond": (
        {"lattice": "diamond", "spacing": 70 * UM, "sides": "periodic"}
        | {"radii": Table(np.array([30.0, 10, 20]) * UM, np.array([1.0, 6, 3]))},
        "b26bc112c27d324f ecdf7e15ff25dc93",
    ),
}


def _digest(*arrays) -> str:
    """In single precision: another machine's exp may differ in the last bit."""
    single = [a.astype(np.float32 if a.dtype.kind == "f" else a.dtype) for a in arrays]
    return hashlib.sha256(b"".join(a.tobytes() for a in single)).hexdigest()[:16]


@pytest.mark.parametrize("name", BEFORE)
def test_solids_without_layers_are_what_they_were(name):
    asked, digests = BEFORE[name]
    network = build_solid(SolidSpec(size=(8e-4, 7e-4, 9e-4), **asked), 3)
    rest = (network.points, network.ends, network.length, network.waist)
    assert f"{_digest(network.radius)} {_digest(*rest)}" == digests


def test_one_layer_is_a_block_without_layers():
    plain = SolidSpec((1e-3,) * 3, "cubic", CRUMB, 100 * UM, waist=UniformWaist(0.3, 0.6))
    one = dataclasses.replace(plain, radii=None, layers=(Layer(CRUMB),))
    here, there = build_solid(plain, 2), build_solid(one, 2)
    np.testing.assert_array_equal(here.radius, there.radius)
    np.testing.assert_array_equal(here.waist, there.waist)
    assert fit(plain) == fit(one)


def test_midpoints_of_tubes_that_wrap_lie_in_the_block():
    asked = spec(lattice="fcc", sides="periodic", size=(6e-4,) * 3)
    network = build_solid(asked)
    where = middles(network.points, network.ends, network.span, network.size, (True, True, False))
    assert np.all(where >= -1e-12) and np.all(where < network.size * (1 + 1e-12))
    assert where[:, 0].max() < network.size[0] - 1e-6, "on the side itself means at 0"
