"""Ethanol in water, from its strength in mass % and its temperature.

A little of it lowers the surface tension much and thickens the liquid little: one half of a pair
of calibration liquids, whose other half is sucrose.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.polynomial.polynomial import polyval
from numpy.typing import ArrayLike

from poresim.liquid import water
from poresim.liquid.properties import KELVIN, Floats, Properties, plain, within

#: Strengths (mass %) and temperatures (C).
LEAST_PERCENT, GREATEST_PERCENT = 0.0, 100.0
LEAST_C, GREATEST_C = 20.0, 40.0

# OIML R22: density in powers of the mass share (from 0) and of t - 20 C (from 1), and
# coefficients of both: row i for (t - 20)^i, column k for share^k, each from 1.
_SHARE = (
    9.982012300e2,
    -1.929769495e2,
    3.891238958e2,
    -1.668103923e3,
    1.352215441e4,
    -8.829278388e4,
    3.062874042e5,
    -6.138381234e5,
    7.470172998e5,
    -5.478461354e5,
    2.234460334e5,
    -3.903285426e4,
)
_WARMTH = (
    -2.0618513e-1,
    -5.2682542e-3,
    3.6130013e-5,
    -3.8957702e-7,
    7.169354e-9,
    -9.9739231e-11,
)
_BOTH = (
    (
        1.693443461530087e-1,
        -1.046914743455169e1,
        7.196353469546523e1,
        -7.047478054272792e2,
        3.924090430035045e3,
        -1.210164659068747e4,
        2.248646550400788e4,
        -2.605562982188164e4,
        1.852373922069467e4,
        -7.420201433430137e3,
        1.285617841998974e3,
    ),
    (
        -1.193013005057010e-2,
        2.517399633803461e-1,
        -2.170575700536993,
        1.353034988843029e1,
        -5.029988758547014e1,
        1.096355666577570e2,
        -1.422753946421155e2,
        1.080435942856230e2,
        -4.414153236817392e1,
        7.442971530188783,
    ),
    (
        -6.802995733503803e-4,
        1.876837790289664e-2,
        -2.002561813734156e-1,
        1.022992966719220,
        -2.895696483903638,
        4.810060584300675,
        -4.672147440794683,
        2.458043105903461,
        -5.411227621436812e-1,
    ),
    (
        4.075376675622027e-6,
        -8.763058573471110e-6,
        6.515031360099368e-6,
        -1.515784836987210e-6,
    ),
    (
        -2.788074354782409e-8,
        1.345612883493354e-8,
    ),
)

# Vazquez et al. 1995: surface tension at 25 C, mass % and mN/m.
_TENSION = (
    (0, 72.01),
    (5, 55.73),
    (10, 47.53),
    (20, 37.97),
    (30, 32.98),
    (40, 30.16),
    (50, 27.96),
    (60, 26.23),
    (80, 23.82),
    (100, 21.82),
)
_SZYSZKOWSKI = 3.1  # mass %: against ln(1 + strength / this) the first half is nearly straight
_ETHANOL_SLOPE = -0.0832e-3  # of the pure liquid's tension, N/m/K (Jasper 1972)

# International Critical Tables: viscosity of 10, 20, ... 100 mass %, mPa s.
_VISCOSITY = {
    20: (1.538, 2.183, 2.71, 2.91, 2.87, 2.67, 2.370, 2.008, 1.610, 1.200),
    30: (1.160, 1.553, 1.87, 2.02, 2.02, 1.93, 1.767, 1.531, 1.279, 1.003),
    40: (0.907, 1.160, 1.368, 1.482, 1.499, 1.447, 1.344, 1.203, 1.035, 0.834),
}


def ethanol_solution(percent: float, temperature_C: float) -> Properties:
    """Ethanol in water. Raises ValueError outside the ranges.

    percent : mass %, 0 to 100, not the volume % of a label. temperature_C : 20 to 40.

    See :func:`density`, :func:`viscosity` and
    :func:`surface_tension` for sources and errors.
    """
    return Properties(
        density(percent, temperature_C),
        viscosity(percent, temperature_C),
        surface_tension(percent, temperature_C),
    )


def density(percent: ArrayLike, temperature_C: ArrayLike) -> Any:
    """Density, kg/m3; broadcasts.

    International Alcoholometric Tables, OIML R22 (1975; from memory), which hold from -20 to
    40 C. Error 0.3 kg/m3.
    """
    share, celsius = _asked(percent, temperature_C)
    warmer = celsius - 20
    found = polyval(share, _SHARE) + polyval(warmer, (0.0, *_WARMTH))
    for power, row in enumerate(_BOTH, start=1):
        found = found + warmer**power * polyval(share, (0.0, *row))
    return plain(found)


def viscosity(percent: ArrayLike, temperature_C: ArrayLike) -> Any:
    """Viscosity, Pa s; broadcasts. Newtonian.

    Table of the International Critical Tables (from memory) at 20, 30 and 40 C, with water's by
    IAPWS; its logarithm by a cubic spline in strength, then by a parabola in 1 / T. Error 3 %,
    and 5 % around 60 %, where handbooks differ that much.
    """
    from scipy.interpolate import CubicSpline

    share, celsius = _asked(percent, temperature_C)
    places = np.arange(0, 101, 10) / 100
    logs = [
        CubicSpline(places, np.log([water.viscosity(t) * 1e3, *row]))(share)
        for t, row in _VISCOSITY.items()
    ]
    x = 1 / (celsius + KELVIN)
    x1, x2, x3 = (1 / (t + KELVIN) for t in _VISCOSITY)
    log = (
        logs[0] * (x - x2) * (x - x3) / ((x1 - x2) * (x1 - x3))
        + logs[1] * (x - x1) * (x - x3) / ((x2 - x1) * (x2 - x3))
        + logs[2] * (x - x1) * (x - x2) / ((x3 - x1) * (x3 - x2))
    )
    return plain(1e-3 * np.exp(log))


def surface_tension(percent: ArrayLike, temperature_C: ArrayLike) -> Any:
    """Surface tension against air, N/m; broadcasts.

    At 25 C the table of Vazquez et al. 1995, J Chem Eng Data 40:611 (from memory), by a monotone
    cubic in ln(1 + strength / 3.1 %), against which Szyszkowski's law is straight. From there its
    change with temperature is between water's (IAPWS R1-76) and ethanol's (Jasper 1972), in
    proportion to the tension. Error 0.3 mN/m at the table's strengths and 25 C, 0.5 elsewhere,
    and 1 below 5 %.
    """
    from scipy.interpolate import PchipInterpolator

    share, celsius = _asked(percent, temperature_C)
    strength, tension = np.array(_TENSION).T
    curve = PchipInterpolator(np.log1p(strength / _SZYSZKOWSKI), 1e-3 * tension)
    at_25 = curve(np.log1p(100 * share / _SZYSZKOWSKI))
    like_water = (at_25 - 1e-3 * tension[-1]) / (1e-3 * (tension[0] - tension[-1]))
    of_water = water.surface_tension(celsius) - water.surface_tension(25)
    change = like_water * of_water + (1 - like_water) * _ETHANOL_SLOPE * (celsius - 25)
    return plain(at_25 + change)


def _asked(percent: ArrayLike, temperature_C: ArrayLike) -> tuple[Floats, Floats]:
    """Mass share and temperature (C)."""
    strength = within("percent", percent, LEAST_PERCENT, GREATEST_PERCENT, "mass %")
    return strength / 100, within("temperature_C", temperature_C, LEAST_C, GREATEST_C, "C")
