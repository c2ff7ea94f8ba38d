"""What suspended grains do: thicken a liquid, pack into beds, settle, and arch across throats.

SI units; arguments broadcast; single numbers give a float.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from poresim.liquid.laws import Newtonian, ViscosityLaw
from poresim.liquid.properties import Floats, as_numbers, between, plain, within

if TYPE_CHECKING:
    from poresim.liquid.liquid import Liquid

GRAVITY = 9.80665  # m/s2, standard gravity
_LARGE = 1e6
HINDRANCE = 4.65  # power of Richardson and Zaki at low Reynolds numbers
_HOLDS = 0.048
_SLOWEST, _FASTEST = -690.0, 690.0  # ln of shear rates, 1/s, that numbers can hold


# ---- thickening ----------------------------------------------------------------------------


def krieger_dougherty(
    fraction: ArrayLike, most: ArrayLike = 0.64, intrinsic: ArrayLike = 2.5
) -> Any:
    """Viscosity over that of the liquid alone: (1 - fraction / most)^(-intrinsic * most).

    fraction : grains' share of the volume, from 0 to below ``most``. most : share at which they
    jam, above 0 up to 1; about 0.64 for spheres of one size, 0.4 to 0.55 for rough grains.
    intrinsic : slope at no grains, 2.5 for spheres (Einstein 1906, 1911), more for flakes and
    fibres; 0: they do not thicken. Krieger & Dougherty 1959, Trans Soc Rheol 3:137.
    """
    share, most = _below(fraction, most)
    slope = within("intrinsic", intrinsic, 0, _LARGE)
    return plain(np.asarray((1 - share / most) ** (-slope * most)))


def maron_pierce(fraction: ArrayLike, most: ArrayLike = 0.64) -> Any:
    """Viscosity over that of the liquid alone: (1 - fraction / most)^-2.

    fraction, most : shares of the volume, as in krieger_dougherty, but the slope at no grains is 2
    / most. Maron & Pierce 1956; ``most`` of smooth spheres is 0.585 in Boyer et al. 2011 (from
    memory).
    """
    share, most = _below(fraction, most)
    return plain(np.asarray((1 - share / most) ** -2.0))


def _below(fraction: ArrayLike, most: ArrayLike) -> tuple[Floats, Floats]:
    """Both, once the fraction is known to lie from 0 to below ``most``."""
    limit = between("most", within("most", most, 0, 1), 0)
    share, limit = np.broadcast_arrays(as_numbers("fraction", fraction), limit)
    wrong = ~((share >= 0) & (share < limit))
    if wrong.any():
        raise ValueError(
            f"fraction must be at least 0 and below {limit[wrong][0]:g}, where grains jam, got "
            f"{share[wrong][0]:g}"
        )
    return share, limit


# ---- beds ----------------------------------------------------------------------------------


def carman_kozeny(diameter: ArrayLike, porosity: ArrayLike) -> Any:
    """Permeability of a bed of grains, m2: d^2 e^3 / (180 (1 - e)^2).

    diameter : m; of a mixture the Sauter diameter. porosity : void share of the bed, above 0 and
    below 1; about 0.4 for grains poured at random. Kozeny 1927; Carman 1937 (from memory).
    """
    d = between("diameter", diameter, 0)
    e = between("porosity", porosity, 0, 1)
    return plain(d**2 * e**3 / (180 * (1 - e) ** 2))


def cake_resistance(diameter: ArrayLike, porosity: ArrayLike, density: ArrayLike) -> Any:
    """Specific resistance of a cake, m/kg: 180 (1 - e) / (density d^2 e^3).

    The pressure across it is this times viscosity, flow an area, and mass of grains an area.
    diameter (m), porosity : as in carman_kozeny. density : of a grain, kg/m3.

    This is 1 / (k (1 - e) density), where k is the permeability by carman_kozeny.
    """
    rho = between("density", density, 0)
    bed = np.asarray(carman_kozeny(diameter, porosity))
    return plain(1 / (bed * (1 - between("porosity", porosity, 0, 1)) * rho))


def sauter_diameter(diameter: ArrayLike, share_by_volume: ArrayLike) -> float:
    """Diameter, m, of grains of one size with as much surface a volume: 1 / sum(share / d).

    diameter : (k,) or scalar, m. share_by_volume : (k,), normalised. Common practice (d32).
    """
    d = np.atleast_1d(between("diameter", diameter, 0))
    share = np.atleast_1d(within("share_by_volume", share_by_volume, 0, np.inf))
    if d.ndim != 1 or d.size == 0:
        raise ValueError(f"diameter must hold one value a class, got shape {d.shape}")
    if share.shape != d.shape:
        raise ValueError(
            f"share_by_volume must have one value a class: {d.shape}, got {share.shape}"
        )
    whole = share.sum()
    if not (np.isfinite(whole) and whole > 0):
        raise ValueError("share_by_volume must be finite, and not all zero")
    return float(whole / np.sum(share / d))


# ---- settling ------------------------------------------------------------------------------


def stokes_velocity(
    diameter: ArrayLike,
    excess_density: ArrayLike,
    viscosity: ArrayLike,
    gravity: ArrayLike = GRAVITY,
) -> Any:
    """Speed at which one grain sinks in a Newtonian liquid, m/s: excess g d^2 / (18 viscosity).

    diameter : m. excess_density : of the grain over the liquid, kg/m3; below 0 it rises, and so is
    the speed. viscosity : Pa s. gravity : m/s2.

    Exact for a sphere at Reynolds numbers v d density / viscosity far below 1. Stokes 1851.
    """
    d = between("diameter", diameter, 0)
    excess = within("excess_density", excess_density, -_LARGE, _LARGE)
    eta = between("viscosity", viscosity, 0)
    return plain(excess * within("gravity", gravity, 0, _LARGE) * d**2 / (18 * eta))


def hindered(fraction: ArrayLike) -> Any:
    """Speed among other grains over that of one alone: (1 - fraction)^4.65.

    fraction : the grains' share of the volume, 0 to 1. Richardson & Zaki 1954 (from memory).
    """
    return plain((1 - within("fraction", fraction, 0, 1)) ** HINDRANCE)


def holding_stress(diameter: ArrayLike, excess_density: ArrayLike) -> Any:
    """Yield stress, Pa, from which on a liquid holds a grain in place: 0.048 excess g d.

    diameter : m. excess_density : of the grain over the liquid, kg/m3, or the other way.

    For a sphere: Beris et al. 1985, J Fluid Mech 158:219 (from memory).
    """
    d = between("diameter", diameter, 0)
    excess = np.abs(within("excess_density", excess_density, -_LARGE, _LARGE))
    return plain(_HOLDS * excess * GRAVITY * d)


def settling_velocity(liquid: Liquid, diameter: ArrayLike | None = None) -> Floats:
    """(k,) m/s: speed of each class of grains alone in the liquid, down; below 0 it rises.

    liquid : its density and flow law are those of the liquid between the grains; the density of a
    grain is that of its particles. diameter : (k,) m; those of its particles when None.

    Where the yield stress is at least holding_stress a grain stays. Elsewhere its characteristic
    shear rate, v / d, is the one at which the liquid carries the stress excess g d / 18: this is
    Stokes's balance with the apparent viscosity at that rate, exact for Newtonian liquids and of
    the right size, no more, for others. As that stress is above 0.048 excess g d, the speed sets in
    with a jump.

    ValueError: the liquid carries no particles.
    """
    if liquid.particles is None:
        raise ValueError("the liquid carries no particles: their density is not known")
    given = liquid.particles.diameter if diameter is None else diameter
    d = np.atleast_1d(between("diameter", given, 0))
    excess = liquid.particles.density - liquid.density
    if isinstance(liquid.viscosity, Newtonian):
        return np.asarray(stokes_velocity(d, excess, liquid.viscosity.viscosity))
    free = getattr(liquid.viscosity, "yield_stress", 0.0) < holding_stress(d, excess)
    stress = abs(excess) * GRAVITY * d / 18
    rate = np.zeros_like(d)
    rate[free] = [_rate_at(liquid.viscosity, float(one)) for one in stress[free]]
    return d * rate * np.sign(excess)


def _rate_at(law: ViscosityLaw, stress: float) -> float:
    """Shear rate, 1/s, at which a law carries a stress (Pa) above its yield stress.

    0 where that is less, and infinite where it is more, than numbers can hold.
    """
    from scipy.optimize import brentq

    def over(log_rate: float) -> float:
        with np.errstate(all="ignore"):
            carried = float(law.shear_stress(math.exp(log_rate)))
        return min(max(math.log(max(carried, 1e-300) / stress), -_LARGE), _LARGE)

    if over(_SLOWEST) >= 0:
        return 0.0
    if over(_FASTEST) <= 0:
        return math.inf
    return math.exp(brentq(over, _SLOWEST, _FASTEST, xtol=1e-13, rtol=1e-14, maxiter=500))


# ---- arches --------------------------------------------------------------------------------


def bridging_chance(ratio: ArrayLike, fraction: ArrayLike, most_ratio: ArrayLike = 3.0) -> Any:
    """Chance that a grain which comes to a throat is caught there in an arch.

    ratio : width of the throat over that of the grain, above 0. fraction : the grains' share of the
    volume, 0 to 1. most_ratio : ratio from which on there are no arches, 1 or above (1:
    sieving alone).

    1 where the grain does not fit through (ratio up to 1), 0 from ``most_ratio`` on. Between them
    it is a rule of this program's own, of the right size and no more: an arch across a round throat
    takes N = ratio^2 grains, and the throat, a cylinder as long as wide, holds 1.5 fraction ratio^3
    of them in the mean. The chance is that at least N - 1 others are there, if their number is a
    Poisson one; N need not be whole (regularized incomplete gamma function).

    It grows with the fraction, and falls with the ratio at fractions up to 0.11; in denser
    suspensions it grows again towards ``most_ratio`` (at 0.2 from a ratio of 2.1 on), and is
    overstated there.

    Arches form at ratios below 3, and a simple count of chances fits a fraction of 20 % (Marin et
    al. 2018, PRE 97:021102); at 3.03 to 5.26 they come and go (Souzy & Marin 2022, J Fluid Mech);
    dilute grains clog tubes of 2.5 to 3.3 (Sharp & Adrian 2005, Microfluid Nanofluid 1:376, from
    memory).
    """
    from scipy.special import gammainc

    wide = between("ratio", ratio, 0)
    share = within("fraction", fraction, 0, 1)
    limit = within("most_ratio", most_ratio, 1, _LARGE)
    wide, share, limit = np.broadcast_arrays(wide, share, limit)
    arches = (wide > 1) & (wide < limit)
    r = np.where(arches, wide, 2.0)
    chance = np.where(arches, gammainc(r**2 - 1, 1.5 * share * r**3), wide <= 1)
    return plain(np.asarray(chance, dtype=np.float64))
