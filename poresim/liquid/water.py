"""Water from its temperature.

The International Association for the Properties of Water and Steam (IAPWS) publishes the forms;
coefficients from memory, checked against the releases' tables and a reference library (tests).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from poresim.liquid.properties import KELVIN, Properties, plain, within

#: Liquid at 0.1 MPa (it boils at 99.6 C), C.
LEAST_C, GREATEST_C = 0.0, 100.0

_CRITICAL_K = 647.096
_CRITICAL_DENSITY = 322.0  # kg/m3

# R12-08, Table 1 and Table 2: (power of 1/T - 1, power of density - 1, coefficient).
_DILUTE = (1.67752, 2.20462, 0.6366564, -0.241605)
_DENSE = (
    (0, 0, 0.520094),
    (1, 0, 0.0850895),
    (2, 0, -1.08374),
    (3, 0, -0.289555),
    (0, 1, 0.222531),
    (1, 1, 0.999115),
    (2, 1, 1.88797),
    (3, 1, 1.26613),
    (5, 1, 0.120573),
    (0, 2, -0.281378),
    (1, 2, -0.906851),
    (2, 2, -0.772479),
    (3, 2, -0.489837),
    (4, 2, -0.257040),
    (0, 3, 0.161913),
    (1, 3, 0.257399),
    (0, 4, -0.0325372),
    (3, 4, 0.0698452),
    (4, 5, 0.00872102),
    (3, 6, -0.00435673),
    (5, 6, -0.000593264),
)

# SR6-08: specific volume (power of 10 K / (593 K - T), of 10 K / (T - 232 K)), and viscosity.
_GAS_CONSTANT = 461.51805  # J/(kg K)
_VOLUME_0 = 1.93763157e-2
_VOLUME_HOT = (
    (4, 6.74458446e3),
    (5, -2.22521604e5),
    (7, 1.00231247e8),
    (8, -1.63552118e9),
    (9, 8.32299658e9),
)
_VOLUME_COLD = (
    (1, 5.78545292e-3),
    (2, -1.53195665e-2),
    (3, 3.11337859e-2),
    (4, -4.23546241e-2),
    (5, 3.38713507e-2),
    (6, -1.19946761e-2),
)
_LIQUID_VISCOSITY = ((-1.9, 280.68), (-7.7, 511.45), (-19.6, 61.131), (-40.0, 0.45903))


def water(temperature_C: float) -> Properties:
    """Pure liquid water at 0.1 MPa, 0 to 100 C, as :func:`density`, :func:`viscosity` and
    :func:`surface_tension` give it. Raises ValueError outside."""
    return Properties(
        density(temperature_C), viscosity(temperature_C), surface_tension(temperature_C)
    )


def density(temperature_C: ArrayLike) -> Any:
    """Density of the liquid at 0.1 MPa, kg/m3; any shape.

    IAPWS SR6-08(2011), which holds from -20 to 110 C; asked here from 0 to 100 C. Error below
    0.01 kg/m3.
    """
    kelvin = _kelvin(temperature_C)
    hot, cold = 10 / (593 - kelvin), 10 / (kelvin - 232)
    volume = _VOLUME_0 + sum(a * hot**n for n, a in _VOLUME_HOT)
    volume += sum(b * cold**n for n, b in _VOLUME_COLD)
    return plain(1e5 / (_GAS_CONSTANT * 10 * volume))


def viscosity(temperature_C: ArrayLike) -> Any:
    """Viscosity of the liquid at 0.1 MPa, Pa s; any shape.

    IAPWS SR6-08(2011), which holds from -20 to 110 C; asked here from 0 to 100 C. Error 1 %.
    """
    reduced = _kelvin(temperature_C) / 300
    return plain(1e-6 * sum(a * reduced**b for b, a in _LIQUID_VISCOSITY))


def surface_tension(temperature_C: ArrayLike) -> Any:
    """Surface tension of water against its vapour or air, N/m; any shape.

    IAPWS R1-76(2014), which holds from 0.01 C to the critical point; asked here from 0 to 100 C.
    Error 0.4 mN/m.
    """
    t = 1 - _kelvin(temperature_C) / _CRITICAL_K
    return plain(0.2358 * t**1.256 * (1 - 0.625 * t))


def viscosity_at(temperature_K: ArrayLike, density: ArrayLike) -> Any:
    """Viscosity of water or steam at a temperature (K) and a density (kg/m3), Pa s; broadcasts.

    IAPWS R12-08 without the critical enhancement, which matters from 646 to 651 K and 245 to
    405 kg/m3 only. 273.15 to 1173.15 K, up to 1300 kg/m3. Error 1 to 3 %.
    """
    kelvin = within("temperature_K", temperature_K, 273.15, 1173.15, "K")
    dense = within("density", density, 0, 1300, "kg/m3") / _CRITICAL_DENSITY
    t = kelvin / _CRITICAL_K
    dilute = 100 * np.sqrt(t) / sum(h / t**n for n, h in enumerate(_DILUTE))
    power = sum(h * (1 / t - 1) ** i * (dense - 1) ** j for i, j, h in _DENSE)
    return plain(1e-6 * dilute * np.exp(dense * power))


def _kelvin(temperature_C: ArrayLike) -> Any:
    return within("temperature_C", temperature_C, LEAST_C, GREATEST_C, "C") + KELVIN
