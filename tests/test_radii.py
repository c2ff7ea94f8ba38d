"""Drawn sizes follow their law: tube radii by number, grain diameters by volume."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from poresim.liquid.laws import Newtonian
from poresim.scenario.build import Grains, LiquidSpec, build_liquid, size_classes
from poresim.solid.build import build_solid
from poresim.solid.sizes import (
    Gamma,
    Intrusion,
    Lognormal,
    Mixture,
    Table,
    Uniform,
    Weibull,
    fixed,
)
from poresim.solid.spec import SolidSpec
from poresim.tables.sizes import read_radii

UM = 1e-6

# Each law beside scipy's own of the same name.
LAWS = {
    "lognormal": (Lognormal(15 * UM, 0.5), stats.lognorm(0.5, scale=15 * UM)),
    "weibull": (Weibull(18 * UM, 1.8), stats.weibull_min(1.8, scale=18 * UM)),
    "gamma": (Gamma(3.5, 5 * UM), stats.gamma(3.5, scale=5 * UM)),
    "uniform": (Uniform(5 * UM, 25 * UM), stats.uniform(5 * UM, 20 * UM)),
}
MIXED = Mixture((1, 3), (Lognormal(6 * UM, 0.3), Weibull(20 * UM, 3)))


def mixed_cdf(size):
    parts = stats.lognorm(0.3, scale=6 * UM), stats.weibull_min(3, scale=20 * UM)
    return 0.25 * parts[0].cdf(size) + 0.75 * parts[1].cdf(size)


def drawn_radii(law) -> np.ndarray:
    asked = SolidSpec(size=(4e-3, 4e-3, 4e-3), lattice="cubic", spacing=100 * UM, radii=law)
    radius = build_solid(asked, seed=8).radius
    assert len(radius) > 100_000
    return radius


@pytest.mark.parametrize("name", LAWS)
def test_radii_of_a_solid_follow_their_law(name):
    # Kolmogorov-Smirnov at 1 %: fixed seed, so the test is a fixed number, not a lottery.
    law, theirs = LAWS[name]
    assert stats.kstest(drawn_radii(law), theirs.cdf).pvalue > 0.01


def test_radii_of_a_mixture_follow_the_mixture():
    assert stats.kstest(drawn_radii(MIXED), mixed_cdf).pvalue > 0.01


def test_the_test_can_fail():
    """A median that is 2 % off is seen at this number of tubes."""
    radius = drawn_radii(LAWS["lognormal"][0])
    assert stats.kstest(radius, stats.lognorm(0.5, scale=15.3 * UM).cdf).pvalue < 1e-6


def test_radii_of_a_table_come_with_their_weights():
    law = Table(np.array([30.0, 10.0, 20.0]) * UM, np.array([1.0, 6.0, 3.0]))
    radius = drawn_radii(law)
    sizes, numbers = np.unique(radius, return_counts=True)
    np.testing.assert_allclose(sizes, np.array([10, 20, 30]) * UM)
    assert stats.chisquare(numbers, len(radius) * np.array([0.6, 0.3, 0.1])).pvalue > 0.01


def test_fixed_radii_are_all_the_same():
    assert set(drawn_radii(fixed(7 * UM))) == {7 * UM}


def test_the_tests_of_mixtures_and_tables_can_fail():
    """Shares that are 2 % off are seen at this number of tubes."""
    radius = drawn_radii(Mixture((0.27, 0.73), MIXED.laws))
    assert stats.kstest(radius, mixed_cdf).pvalue < 1e-6
    table = drawn_radii(Table(np.array([30.0, 10.0, 20.0]) * UM, np.array([1.0, 6.2, 2.8])))
    _, numbers = np.unique(table, return_counts=True)
    assert stats.chisquare(numbers, len(table) * np.array([0.6, 0.3, 0.1])).pvalue < 1e-6


@pytest.mark.parametrize("law", [MIXED, LAWS["weibull"][0], LAWS["gamma"][0]])
def test_quantiles_of_many_shares_are_those_of_few(law):
    """A long array takes another road to the error function."""
    share = np.linspace(1e-6, 1 - 1e-6, 20_001)
    few = np.concatenate([law.quantile(part) for part in np.array_split(share, 9)])
    np.testing.assert_allclose(law.quantile(share), few, rtol=1e-11)


# ---- radii from porosimetry and tomography ---------------------------------------------------

# Invented: what a porosimeter writes, from wide to narrow. Volume per mass of solid, so far.
DIAMETER_UM = np.array([60.0, 40, 25, 12, 6, 2])
INTRUDED = np.array([0.05, 0.09, 0.35, 0.72, 0.80, 0.80])


def by_number(least, greatest, power=0) -> float:
    """Integral of r^power times the number of tubes between two radii, per length, by quadrature.

    Written from scratch: volume is even in ln(d) within a class, number is volume / (pi r^2).
    """
    total = 0.0
    for wide, narrow, before, after in zip(
        DIAMETER_UM[:-1], DIAMETER_UM[1:], INTRUDED[:-1], INTRUDED[1:], strict=True
    ):
        low, high = max(least, narrow / 2), min(greatest, wide / 2)
        if low < high:
            even = (after - before) / np.log(wide / narrow)
            total += integrate.quad(lambda r: even / r / (np.pi * r**2) * r**power, low, high)[0]  # noqa: B023
    return total


def intruded() -> Intrusion:
    return Intrusion(DIAMETER_UM[::-1] / 2 * UM, INTRUDED[::-1])


def intruded_cdf(radius):
    grid = np.geomspace(1, 30, 400)
    whole = by_number(1, 30)
    upto = np.cumsum([0.0, *(by_number(a, b) for a, b in zip(grid[:-1], grid[1:], strict=True))])
    return np.interp(np.asarray(radius) / UM, grid, upto / whole)


def test_radii_from_porosimetry_are_volumes_turned_into_numbers():
    radius = drawn_radii(intruded())
    assert stats.kstest(radius, intruded_cdf).pvalue > 0.01
    assert stats.kstest(1.01 * radius, intruded_cdf).pvalue < 1e-6, "the test can fail"


def test_tubes_from_porosimetry_hold_the_intruded_volume():
    """Where the curve came from: volume of the drawn tubes, class by class, over all of it."""
    radius = drawn_radii(intruded())
    volume = np.histogram(radius, DIAMETER_UM[::-1] / 2 * UM, weights=radius**2)[0]
    asked = -np.diff(INTRUDED[::-1]) / (INTRUDED[-1] - INTRUDED[0])
    np.testing.assert_allclose(volume / volume.sum(), asked, atol=0.01)
    assert volume[0] == 0, "nothing was intruded between 2 and 6 um"


def test_quantiles_shares_and_mean_square_of_a_curve():
    law = intruded()
    share = np.linspace(0.001, 0.999, 101)
    np.testing.assert_allclose(1 - law.share_above(law.quantile(share)), share, rtol=1e-9)
    np.testing.assert_allclose(law.share_above([0.1 * UM, 31 * UM]), [1, 0])
    mean_square = by_number(1, 30, power=2) / by_number(1, 30) * UM**2
    assert law.mean_square == pytest.approx(mean_square, rel=1e-9)
    assert law.scaled(2).mean_square == pytest.approx(4 * mean_square, rel=1e-9)


def written(folder, text) -> str:
    path = folder / "radii.csv"
    path.write_text(text)
    return path


def test_a_curve_is_read_either_way_round(tmp_path):
    falling = "".join(f"{d},{v}\n" for d, v in zip(DIAMETER_UM, INTRUDED, strict=True))
    head = "diameter_um,intruded_mL_g\n"
    one = read_radii(written(tmp_path, head + falling))
    back = "".join(reversed(falling.splitlines(keepends=True)))
    other = read_radii(written(tmp_path, head + back))
    share = np.linspace(0.01, 0.99, 25)
    np.testing.assert_allclose(one.quantile(share), intruded().quantile(share), rtol=1e-12)
    np.testing.assert_allclose(other.quantile(share), one.quantile(share), rtol=1e-12)


def test_a_list_from_tomography_is_by_number(tmp_path):
    law = read_radii(written(tmp_path, "diameter_um, count\n8,30\n\n20,10\n"))
    np.testing.assert_allclose(law.classes[0], np.array([4, 10]) * UM)
    np.testing.assert_allclose(law.classes[1], [0.75, 0.25])
    law = read_radii(written(tmp_path, "id,radius_um\n1,4\n2,10\n3,4\n"))
    assert law.share_above(5 * UM) == pytest.approx(1 / 3)


@pytest.mark.parametrize(
    ("size", "volume", "said"),
    [
        ([1.0], [0.0], "two sizes or more"),
        ([1.0, 2.0], [1.0], r"got \(2,\) sizes and \(1,\) volumes"),
        ([2.0, 1.0], [1.0, 0.0], "above 0 and rise"),
        ([0.0, 1.0], [1.0, 0.0], "above 0 and rise"),
        ([1.0, 2.0], [0.0, 1.0], "not rise with the size"),
        ([1.0, 2.0], [np.nan, 1.0], "must be finite"),
        ([1.0, 2.0], [1.0, 1.0], "nothing is intruded"),
    ],
)
def test_a_curve_that_cannot_be_says_why(size, volume, said):
    with pytest.raises(ValueError, match=said):
        Intrusion(np.array(size), np.array(volume))


@pytest.mark.parametrize("name", LAWS)
def test_quantiles_shares_and_mean_square_are_scipys(name):
    law, theirs = LAWS[name]
    share = np.array([1e-9, 0.01, 0.5, 0.99, 1 - 1e-9])
    np.testing.assert_allclose(law.quantile(share), theirs.ppf(share), rtol=1e-9)
    size = theirs.ppf(np.linspace(0.001, 0.999, 21))
    np.testing.assert_allclose(law.share_above(size), theirs.sf(size), rtol=1e-9)
    mean, variance = (float(v) for v in theirs.stats("mv"))
    assert law.mean_square == pytest.approx(mean**2 + variance, rel=1e-9)
    assert law.scaled(3).mean_square == pytest.approx(9 * law.mean_square, rel=1e-12)


def test_quantiles_of_a_mixture_undo_its_shares():
    share = np.linspace(0.001, 0.999, 31)
    np.testing.assert_allclose(1 - MIXED.share_above(MIXED.quantile(share)), share, rtol=1e-9)
    assert MIXED.mean_square == pytest.approx(
        0.25 * Lognormal(6 * UM, 0.3).mean_square + 0.75 * Weibull(20 * UM, 3).mean_square
    )


def test_no_draw_is_zero_or_infinite():
    class Extremes:
        """Stands in for a generator that returns the ends of its range."""

        def random(self, number):
            return np.resize([0.0, 1 - 2.0**-53], number)

    for law, _ in [*LAWS.values(), (MIXED, None), (fixed(1 * UM), None)]:
        drawn = law.draw(Extremes(), 4)
        assert np.all(np.isfinite(drawn)) and np.all(drawn > 0)


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: Lognormal(0.0, 0.5), "median must be finite and above 0"),
        (lambda: Lognormal(1.0, float("inf")), "log_sd must be finite"),
        (lambda: Weibull(1.0, -1.0), "shape must be"),
        (lambda: Uniform(2.0, 1.0), "greatest must be at least"),
        (lambda: Table([1.0, -2.0]), "every size of a table"),
        (lambda: Table([1.0], [0.0]), "not all 0"),
        (lambda: Mixture((), ()), "one share a law"),
        (lambda: Mixture((0.0,), (fixed(1.0),)), "above 0"),
    ],
)
def test_a_law_that_cannot_be_says_why(make, said):
    with pytest.raises(ValueError, match=said):
        make()


# ---- grains: laws by volume become classes that keep volume and number -----------------------


@pytest.mark.parametrize("name", LAWS)
def test_grain_classes_keep_volume_and_number(name):
    law, theirs = LAWS[name]
    diameter, share = size_classes(law)
    assert len(diameter) <= 64
    assert share.sum() == pytest.approx(1, rel=1e-12)
    low, high = theirs.ppf([1e-6, 1 - 1e-6])
    for least in np.geomspace(low, high, 65)[[0, 10, 30, 45, 60]]:  # edges of classes
        above = diameter > least
        assert share[above].sum() == pytest.approx(theirs.sf(least), rel=1e-3, abs=3e-6)
        # Grains wider than `least`, per volume: the integral of density / (pi d^3 / 6).
        number = integrate.quad(
            lambda u: theirs.pdf(np.exp(u)) * np.exp(-2 * u),
            np.log(least),
            np.log(high),
            limit=500,
            epsabs=0,
            epsrel=1e-8,
        )[0]
        assert np.sum(share[above] / diameter[above] ** 3) == pytest.approx(number, rel=2e-3)


def test_grain_classes_of_a_table_and_a_mixture():
    few = Table(np.array([12.0, 5.0]) * UM, np.array([1.0, 3.0]))
    diameter, share = size_classes(few)
    np.testing.assert_allclose(diameter, np.array([5, 12]) * UM)
    np.testing.assert_allclose(share, [0.75, 0.25])

    many = Table(np.linspace(1, 50, 400) * UM)
    diameter, share = size_classes(many)
    assert len(diameter) <= 64
    assert np.sum(share / diameter**3) == pytest.approx(np.mean(many.values**-3.0), rel=1e-12)

    diameter, share = size_classes(MIXED)
    assert share[diameter > 40 * UM].sum() < 1e-3
    middle = 0.5 * (diameter[30] + diameter[31])
    assert share[31:].sum() == pytest.approx(MIXED.share_above(middle), abs=0.03)


def test_a_liquid_counts_its_grains():
    """Grains that are lognormal by volume (median m, log-sd s) have a known number.

    Per volume of suspension it is phi / (pi m^3 / 6) * exp(9 s^2 / 2) (a moment of the
    lognormal law; textbook).
    """
    sizes = Lognormal(12 * UM, 0.5)
    spec = LiquidSpec(
        "spiced", Newtonian(1e-3), 0.05, 40.0, 1000.0, grains=Grains(0.015, sizes, 1400.0, 0.02)
    )
    particles = build_liquid(spec).particles
    expected = 0.015 / (np.pi / 6 * (12 * UM) ** 3) * np.exp(9 * 0.5**2 / 2)
    # The tail of 1e-6 by volume that is left out at the small end holds 0.06 % of the grains.
    assert particles.number_density(0.0) == pytest.approx(expected, rel=2e-3)
    assert (particles.volume_fraction, particles.density, particles.leak) == (0.015, 1400, 0.02)
