"""Water as a plasticiser: the glass transition of a wet solid, and how it flows above it.

Temperatures in K. Water by two bases: ``water`` is kg a kg of wet solid (wet basis), ``moisture``
kg a kg of dry solid (dry basis). Arguments broadcast; single numbers give a float.

The Fermi midpoint (``strength.fermi``) of a solid that softens where its glass transition comes
down to the temperature T around it is ``dry_basis(water_at(T, dry_K, k))``.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from poresim.liquid.properties import as_numbers, between, plain, within

WATER_K = 138.15  # glass transition of water, -135 C
_LARGE = 1e6
_WLF_C1, _WLF_C2 = 17.44, 51.6  # K


def glass_temperature(water: ArrayLike, dry_K: ArrayLike, k: ArrayLike) -> Any:
    """Glass transition of a wet solid, K: (w1 Tg1 + k w Tgw) / (w1 + k w), with w1 = 1 - w.

    water : w, 0 to 1, wet basis. dry_K : Tg1 of the dry solid, K, above that of water. k : above 0,
    a fit to the solid. Gordon & Taylor 1952, J Appl Chem 2:493; used so with Tgw = 138.15 K by Roos
    & Karel 1991 (sucrose 335.15 K, k 4.7), starch 516.15 K, k 5.2, gluten 435.15 K, k 5.0 (all
    from memory).
    """
    w = within("water", water, 0, 1)
    dry, factor = between("dry_K", dry_K, WATER_K), between("k", k, 0)
    return plain(np.asarray(((1 - w) * dry + factor * w * WATER_K) / (1 - w + factor * w)))


def water_at(temperature_K: ArrayLike, dry_K: ArrayLike, k: ArrayLike) -> Any:
    """Water, wet basis, at which the glass transition is at a temperature.

    temperature_K : above 138.15 K, where it would be all water, and at most ``dry_K``. The rest as
    in glass_temperature, which it inverts: w / (1 - w) = (Tg1 - T) / (k (T - Tgw)).
    """
    dry, factor = between("dry_K", dry_K, WATER_K), between("k", k, 0)
    t, top = np.broadcast_arrays(as_numbers("temperature_K", temperature_K), dry)
    wrong = ~((t > WATER_K) & (t <= top))
    if wrong.any():
        raise ValueError(
            f"temperature_K must be above {WATER_K:g}, of water, and at most {top[wrong][0]:g}, "
            f"of the dry solid, got {t[wrong][0]:g}"
        )
    return wet_basis((top - t) / (factor * (t - WATER_K)))


def dry_basis(water: ArrayLike) -> Any:
    """kg water a kg dry solid, from kg a kg wet solid (0 to below 1): w / (1 - w)."""
    w = as_numbers("water", water)
    wrong = ~((w >= 0) & (w < 1))
    if wrong.any():
        raise ValueError(f"water must be at least 0 and below 1, got {w[wrong][0]:g}")
    return plain(w / (1 - w))


def wet_basis(moisture: ArrayLike) -> Any:
    """kg water a kg wet solid, from kg a kg dry solid (at least 0): x / (1 + x)."""
    x = within("moisture", moisture, 0, np.finfo(np.float64).max)
    return plain(x / (1 + x))


def wlf_log10(above_K: ArrayLike) -> Any:
    """log10 of a viscosity or time over that at the glass transition: -17.44 d / (51.6 + d).

    above_K : d, K above the glass transition, at least 0; below it the law does not hold, and from
    about 100 K on it is an extrapolation. Williams, Landel & Ferry 1955, JACS 77:3701, with their
    universal constants; those of single solids differ (from memory).
    """
    d = within("above_K", above_K, 0, _LARGE)
    return plain(-_WLF_C1 * d / (_WLF_C2 + d))
