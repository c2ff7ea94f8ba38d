"""What a throat does to the grains that come to it; rules in :mod:`poresim.uptake.cargo`."""

from __future__ import annotations

import math

from poresim.tube.jit import inner

_LEAST_OPEN = 1e-3  # of a tube's section: walls never close it for good


@inner
def chance(rule, chances, ratio, log_fraction):
    """Chance that a grain is caught in an arch by an open throat ``ratio`` times as wide."""
    if ratio >= rule.bridging_ratio or len(chances) == 0 or log_fraction == -math.inf:
        return 0.0
    p = (ratio - 1.0) * rule.per_ratio
    q = (log_fraction - rule.least_log) * rule.per_log
    i = min(int(p), chances.shape[0] - 2)
    j = max(min(int(q), chances.shape[1] - 2), 0)
    p -= i
    q -= j  # below the table it goes on as a power of the fraction
    low = chances[i, j] + q * (chances[i, j + 1] - chances[i, j])
    high = chances[i + 1, j] + q * (chances[i + 1, j + 1] - chances[i + 1, j])
    return min(math.exp(low + p * (high - low)), 1.0)


@inner
def hazard(rule, chances, diameter, grain, at, throat, log_fraction):
    """How many closings a m3 that comes to an open throat of that width, m, is to be expected.

    at : (k,) concentrations in it; ln of what they add up to.
    """
    total = 0.0
    for c in range(len(at)):
        if at[c] <= 0.0:
            continue
        ratio = throat / diameter[c]
        if ratio <= 1.0:
            total += at[c] / grain[c]
        elif ratio < rule.bridging_ratio:
            total += chance(rule, chances, ratio, log_fraction) * at[c] / (grain[c] * ratio * ratio)
    return total


@inner
def relative_viscosity(rule, fraction):
    """Over that of the suspension as offered at first."""
    if rule.power == 0.0:
        return 1.0
    crowded = min(fraction / rule.most, 0.999)
    return (1.0 - crowded) ** rule.power / rule.thickened


@inner
def lined(rule, lining, room):
    """Flow of a tube lined with that volume of grains over that of a clean one of that volume, m3.

    As the fourth power of the radius (Poiseuille), whose square falls with what is open.
    """
    open_ = max(1.0 - lining / ((1.0 - rule.bed_porosity) * room), _LEAST_OPEN)
    return open_ * open_


@inner
def kozeny(diameter, porosity):
    """As :func:`poresim.liquid.suspension.carman_kozeny`, of one bed."""
    solid = 1.0 - porosity
    return diameter * diameter * porosity * porosity * porosity / (180.0 * solid * solid)


@inner
def bed_over_tube(rule, caught, surface, radius, length, waist):
    """Resistance of a bed in a throat over that of the tube (Carman-Kozeny; Poiseuille).

    caught : m3 of grains in it; surface : the sum of volume over diameter, m2.
    """
    if caught <= 0.0:
        return 0.0
    e = rule.bed_porosity
    permeability = kozeny(caught / surface, e)
    area = math.pi * radius * radius * waist * waist
    run = caught / ((1.0 - e) * area)
    narrowing = (1.0 + waist + waist * waist) / (3.0 * waist * waist * waist)
    tube = 8.0 * length * narrowing / (math.pi * radius**4)
    return run / (permeability * area) / tube
