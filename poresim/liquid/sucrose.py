"""Sucrose in water, from its strength in mass % and its temperature.

It thickens a liquid at almost constant surface tension: one half of a pair of calibration
liquids, whose other half is ethanol.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from poresim.liquid import water
from poresim.liquid.properties import Floats, Properties, plain, within

#: Strengths (mass %; saturated at 20 C: 66.7) and temperatures (C).
LEAST_PERCENT, GREATEST_PERCENT = 0.0, 65.0
LEAST_C, GREATEST_C = 15.0, 60.0

# ICUMSA SPS-4: what the powers of the mass share add to water's density at 20 C, kg/m3.
_ADDED = (385.1761, 135.3705, 40.9299, -3.9643, 13.4853, -17.2890)
# Laliberte 2009, c0 to c4 of sucrose.
_LALIBERTE = (
    532.919899042424,
    13692.5881480438,
    12.6127261369233,
    0.0266415899284128,
    649.049186827162,
)


def sucrose_solution(percent: float, temperature_C: float) -> Properties:
    """Sucrose in water. Raises ValueError outside the ranges.

    percent : mass %, 0 to 65. temperature_C : 15 to 60.

    See :func:`density`, :func:`viscosity` and :func:`surface_tension` for sources and errors.
    """
    return Properties(
        density(percent, temperature_C),
        viscosity(percent, temperature_C),
        surface_tension(percent, temperature_C),
    )


def density(percent: ArrayLike, temperature_C: ArrayLike) -> Any:
    """Density, kg/m3; broadcasts.

    At 20 C the polynomial of ICUMSA SPS-4 (from memory); its ratio to the density at another
    temperature by Laliberte 2009, J Chem Eng Data 54:1725 (formula from memory, coefficients
    seen; fitted to 15 to 55 C and 51 %). Error 0.3 kg/m3 at 20 C, 1 kg/m3 elsewhere, and 2 kg/m3
    beyond the fit.
    """
    share, celsius = _asked(percent, temperature_C)
    at_20 = water.density(20) + sum(b * share ** (n + 1) for n, b in enumerate(_ADDED))
    return plain(at_20 * _laliberte(share, celsius) / _laliberte(share, 20.0))


def viscosity(percent: ArrayLike, temperature_C: ArrayLike) -> Any:
    """Viscosity, Pa s; broadcasts. Newtonian.

    Genotelle 1978, in Mathlouthi & Reiser 1995, Sucrose (from memory):
    log10 eta = 22.46 N - 0.114 + (30 - t) / (91 + t) (1.1 + 43.1 N^1.25), eta in mPa s and
    N = w / (1900 - 18 w). Error 5 % (water itself comes out 4 % too thin at 20 to 30 C), up to
    10 % below 20 C above 50 %.
    """
    share, celsius = _asked(percent, temperature_C)
    moles = 100 * share / (1900 - 1800 * share)
    warmth = (30 - celsius) / (91 + celsius) * (1.1 + 43.1 * moles**1.25)
    return plain(1e-3 * 10 ** (22.46 * moles - 0.114 + warmth))


def surface_tension(percent: ArrayLike, temperature_C: ArrayLike) -> Any:
    """Surface tension, N/m; broadcasts: water's, whatever the strength.

    No source at hand was good enough to rest on. Pure sucrose raises the tension a little: by
    about 2 mN/m at 40 %, 4 mN/m at 55 % (older handbooks, from memory), so that this is up to 3 %
    too low at 40 % and 6 % at 65 %. Traces in household sugar may lower it by more: measure it
    where it matters.
    """
    share, celsius = _asked(percent, temperature_C)
    return plain(np.broadcast_arrays(water.surface_tension(celsius), share)[0] + 0.0)


def _laliberte(share: Floats, celsius: Floats | float) -> Any:
    """Density by ideal mixing of water with what the sugar behaves like, kg/m3."""
    c0, c1, c2, c3, c4 = _LALIBERTE
    sugar = (c0 * share + c1) * np.exp(1e-6 * (celsius + c4) ** 2) / (share + c2 + c3 * celsius)
    return 1 / ((1 - share) / water.density(celsius) + share / sugar)


def _asked(percent: ArrayLike, temperature_C: ArrayLike) -> tuple[Floats, Floats]:
    """Mass share and temperature (C)."""
    strength = within("percent", percent, LEAST_PERCENT, GREATEST_PERCENT, "mass %")
    return strength / 100, within("temperature_C", temperature_C, LEAST_C, GREATEST_C, "C")
