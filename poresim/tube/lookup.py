"""Flow of a yielding liquid in a waisted tube, looked up: the solve of the drop's equation is slow.

In a tube of a given waist the flow depends on two numbers only: how far the wet part reaches and
the excess of the drop over the one that holds. With z = ln(excess wall stress / yield stress) in
the straight tube that resists as the wet part does (a power-law liquid's equivalent), the flow
over that straight tube's is a smooth factor near 1; its logarithm is tabulated over z and over
the logarithm of the width (bicubic Hermite), once a liquid: :mod:`poresim.tube.waisted`.
"""

from __future__ import annotations

import math

from poresim.tube.jit import kernel

EXCESSES, WIDTHS = 140, 24  # cells
LEAST, STEP = -14.0, 0.2  # of z; beyond the ends the factor is constant to 1e-6


@kernel
def log_factor(law, second, z, stretch):
    """(ln factor, its slope in z); ``second`` is 0 up to the waist and 1 past it.

    ``stretch``, 0 to 1: ln of (wide over narrow) over its most, past the waist its root.
    """
    p = min(max((z - LEAST) / STEP, 0.0), float(EXCESSES))
    i = min(int(p), EXCESSES - 1)
    p -= i
    q = min(max(stretch, 0.0), 1.0) * WIDTHS
    j = min(int(q), WIDTHS - 1)
    q -= j
    f0, d0 = _across(law.factors, second, i, j, q)
    f1, d1 = _across(law.factors, second, i + 1, j, q)
    a = f1 - f0 - d0
    b = d1 - d0 - 2.0 * a
    # f0 + p (d0 + p (a + (p - 1) b))
    value = f0 + p * (d0 + p * (a + (p - 1.0) * b))
    slope = d0 + 2.0 * p * a + (3.0 * p - 2.0) * p * b
    if z < LEAST or z > LEAST + STEP * EXCESSES:
        slope = 0.0
    return value, slope / STEP


@kernel
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


@kernel
def run_and_hold(index, x, length, waist):
    """(straight length that resists alike, straight length that holds alike, half, stretch).

    As the closed forms of :mod:`poresim.tube.filled`, sharing their exponentials.
    """
    half = 0.5 * length
    most = -math.log(waist)
    k = 3.0 * index
    if x <= half:
        d = (1.0 - waist) * x / half
        lam = -math.log1p(-d)
        if d < 1e-9:
            return x, x, 0, 0.0
        return x * math.expm1(k * lam) / (k * d), x * lam / d, 0, lam / most
    d = 1.0 - waist
    run = half * math.expm1(k * most) / (k * d)
    hold = half * most / d
    over = min(x, length) - half
    if over <= 0.0:
        return run, hold, 1, 0.0
    wide = waist + d * over / half
    lam = math.log(wide / waist)
    narrowing = 1.0 - waist / wide
    if narrowing < 1e-9:
        return run + over * waist ** (-k - 1.0), hold + over / waist, 1, 0.0
    run += over / wide * math.expm1(k * lam) / (k * narrowing) * math.exp(k * (most - lam))
    hold += over / wide * lam / narrowing
    return run, hold, 1, math.sqrt(lam / most)  # finer just past the waist, where it is steep
