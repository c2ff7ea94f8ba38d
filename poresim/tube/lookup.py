"""Flow of a yielding liquid in a waisted tube, looked up: the solve of the drop's equation is slow.

In a tube of a given waist the reduced flow Q/(pi r^3) depends on two numbers only: how far the wet
part reaches, and the excess of the drop over the one that holds. Its logarithm is tabulated over
z = ln(excess wall stress / yield stress) in the straight tube that resists as the wet part does (a
power-law liquid's equivalent), and over the logarithm of the width (bicubic Hermite), once a
liquid: :mod:`poresim.tube.waisted`. So is the time a meniscus takes from the mouth to a place
before the waist, a function of the same two numbers.
"""

from __future__ import annotations

import math

from poresim.tube.jit import inner

EXCESSES, WIDTHS = 140, 24  # cells
LEAST, STEP, PER_STEP = (
    -14.0,
    0.2,
    5.0,
)  # of z; beyond the ends the flow goes on as a power, right to 1e-6


@inner
def log_flow(law, second, z, stretch):
    """(ln of the reduced flow, its slope in z); ``second`` is 0 up to the waist and 1 past it.

    ``stretch``, 0 to 1: ln of (wide over narrow) over its most, past the waist its root.
    """
    p = min(max((z - LEAST) / STEP, 0.0), float(EXCESSES))
    i = min(int(p), EXCESSES - 1)
    p -= i
    if stretch >= 1.0:
        a, b = law.flows[second, i, WIDTHS], law.flows[second, i + 1, WIDTHS]
        f0, d0, f1, d1 = a[0], a[2], b[0], b[2]
    else:
        q = max(stretch, 0.0) * WIDTHS
        j = min(int(q), WIDTHS - 1)
        q -= j
        f0, d0 = _across(law.flows, second, i, j, q)
        f1, d1 = _across(law.flows, second, i + 1, j, q)
    a = f1 - f0 - d0
    b = d1 - d0 - 2.0 * a
    # f0 + p (d0 + p (a + (p - 1) b))
    value = f0 + p * (d0 + p * (a + (p - 1.0) * b))
    slope = (d0 + 2.0 * p * a + (3.0 * p - 2.0) * p * b) / STEP
    return law.log_rate + value + slope * (z - LEAST - STEP * (i + p)), slope


@inner
def log_flow_across(law, z, stretch):
    """(ln of the reduced flow past the waist, its slope in z and in stretch, its bend in z)."""
    value, slope, across, bend = _both_ways(law.flows, 1, z, stretch)
    return law.log_rate + value, slope, across, bend


@inner
def log_time(law, z, stretch):
    """(ln of a time, its slope in z and in stretch): from the mouth to x <= half, over x.

    In units such that the time, s, is this times x over the mouth's radius, m.
    """
    value, slope, across, _ = _both_ways(law.flows, 2, z, stretch)
    return value - law.log_rate, slope, across


@inner
def _both_ways(cells, table, z, stretch):
    p = min(max((z - LEAST) * PER_STEP, 0.0), float(EXCESSES))
    i = min(int(p), EXCESSES - 1)
    p -= i
    q = min(max(stretch, 0.0), 1.0) * WIDTHS
    j = min(int(q), WIDTHS - 1)
    q -= j
    f0, d0 = _across(cells, table, i, j, q)
    f1, d1 = _across(cells, table, i + 1, j, q)
    s0, e0 = _across_slope(cells, table, i, j, q)
    s1, e1 = _across_slope(cells, table, i + 1, j, q)
    a = f1 - f0 - d0
    b = d1 - d0 - 2.0 * a
    value = f0 + p * (d0 + p * (a + (p - 1.0) * b))
    slope = (d0 + 2.0 * p * a + (3.0 * p - 2.0) * p * b) * PER_STEP
    bend = (2.0 * a + (6.0 * p - 2.0) * b) * PER_STEP * PER_STEP
    a = s1 - s0 - e0
    b = e1 - e0 - 2.0 * a
    across = (s0 + p * (e0 + p * (a + (p - 1.0) * b))) * WIDTHS
    return value + slope * (z - LEAST - STEP * (i + p)), slope, across, bend


@inner
def _across_slope(cells, second, i, j, q):
    """The slopes over the width, a cell, of what :func:`_across` gives."""
    w = 6.0 * q * (1.0 - q)
    u0 = (1.0 - q) * (1.0 - 3.0 * q)
    u1 = q * (3.0 * q - 2.0)
    a = cells[second, i, j]
    b = cells[second, i, j + 1]
    return (
        w * (b[0] - a[0]) + u0 * a[1] + u1 * b[1],
        w * (b[2] - a[2]) + u0 * a[3] + u1 * b[3],
    )


@inner
def _across(cells, second, i, j, q):
    """(f, df a cell of z) of row i, interpolated over the width."""
    w1 = q * q * (3.0 - 2.0 * q)
    w0 = 1.0 - w1
    u0 = q * (1.0 - q) * (1.0 - q)
    u1 = q * q * (q - 1.0)
    a = cells[second, i, j]
    b = cells[second, i, j + 1]
    return (
        w0 * a[0] + w1 * b[0] + u0 * a[1] + u1 * b[1],
        w0 * a[2] + w1 * b[2] + u0 * a[3] + u1 * b[3],
    )


@inner
def run_and_hold(law, x, length, waist):
    """(straight length that resists alike, straight length that holds alike, half, stretch).

    Both are those of the whole tube, ``full_run`` and ``full_hold`` of its length, less what is
    not yet wet; past the waist the dry cone is the mirror image of one that is wet up to there.
    """
    if x >= length:
        return law.full_run * length, law.full_hold * length, 1, 1.0
    half = 0.5 * length
    most = -math.log(waist)
    s = min(x, length - x)
    d = (1.0 - waist) * s / half
    deep = -math.log1p(-d)
    run, hold = s, s
    if d > 1e-9:
        k = 3.0 * law.index
        run *= math.expm1(k * deep) / (k * d)
        hold *= deep / d
    if x <= half:
        return run, hold, 0, deep / most
    # the table is finer just past the waist, where the flow is steep in the width
    stretch = math.sqrt(max(most - deep, 0.0) / most)
    return law.full_run * length - run, law.full_hold * length - hold, 1, stretch
