"""Simulated measurements of known size laws: what intervals are held against."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from poresim.bench.size_laws import moment_mean, quantile, share_between, theta_of
from poresim.bench.sizes import measure_sizes
from poresim.tables.grain_sizes import SizeTable

NOWHERE = Path("drawn.csv")
OPENINGS = np.array([0, 63, 90, 125, 180, 250, 355, 500, 710]) * 1e-6


def sieves(law, rng, *, sd=None, digit=1e-4, total=0.1):
    """A stack of eight sieves and a pan. sd : kg of noise; None: two weighings, read to a digit."""
    upper = np.append(OPENINGS[1:], np.inf)
    mass = total * share_between(law, OPENINGS, upper)
    if sd is None:
        empty = 0.3 + rng.random(len(mass))
        mass = (np.round((empty + mass) / digit) - np.round(empty / digit)) * digit
    else:
        digit = 1e-8
        mass = mass + sd * rng.standard_normal(len(mass))
    mass = np.maximum(mass, 0.0)
    held = len(mass) - (mass[-1] == 0)
    return SizeTable(NOWHERE, "sieves", OPENINGS[:held], upper[:held], mass[:held], digit)


def particles(law, rng, *, count=200):
    """A list of particles, drawn by number."""
    size = np.sort(law.draw(rng, count))
    return SizeTable(NOWHERE, "list", size, size, np.ones(count), 1.0)


def counts(law, rng, *, count=400):
    """Particles counted in twelve classes."""
    edges = np.geomspace(2e-6, 60e-6, 13)
    found = np.histogram(law.draw(rng, count), edges)[0].astype(float)
    return SizeTable(NOWHERE, "counts", edges[:-1], edges[1:], found, 1.0)


def shares(law, rng, *, noise=0.02):
    """Sixty classes by volume, each off by some share of itself."""
    edges = np.geomspace(0.2e-6, 150e-6, 61)
    share = share_between(law, edges[:-1], edges[1:]) * (1 + noise * rng.standard_normal(60))
    share = np.round(share / share.sum(), 5)
    return SizeTable(NOWHERE, "shares", edges[:-1], edges[1:], share, 1e-5)


def intrusion(law, rng, *, noise=0.02):
    """A curve of a law by number of tubes, each step off by some share of itself."""
    edges = np.geomspace(1e-6, 150e-6, 31)
    step = share_between(law, edges[:-1], edges[1:], 2.0) * 1e-3
    step = np.maximum(np.round(step * (1 + noise * rng.standard_normal(30)), 8), 0)
    return SizeTable(NOWHERE, "intrusion", edges[:-1], edges[1:], step, 1e-8)


def coverage(make, law, volume, *, sets, weighing_sd=None, seed=5):
    """How often 95 % intervals hold the truth: of (place, spread), and of each figure.

    volume : the power that turns the law, as it is told, to one by volume.
    """
    rng, kind = np.random.default_rng(seed), "lognormal" if hasattr(law, "median") else "weibull"
    true = np.exp(theta_of(law))
    d10, d50, d90 = quantile(law, [0.1, 0.5, 0.9], volume)
    figures = {
        "d10": d10,
        "d50": d50,
        "d90": d90,
        "sauter": moment_mean(law, 0.0, -1.0, volume),
        "de_brouckere": moment_mean(law, 1.0, 0.0, volume),
        "span": (d90 - d10) / d50,
    }
    held, off, seen, better, median = [], [], [], 0, []
    for _ in range(sets):
        found = measure_sizes([make(law, rng)], weighing_sd)
        fit = next(f for f in found.fits if f.kind == kind)
        better += found.fits[0].kind == kind
        held.append([lo <= t <= hi for t, (lo, hi) in zip(true, fit.intervals, strict=True)])
        off.append([p.value / t - 1 for p, t in zip(fit.parts, true, strict=True)])
        seen.append(
            [
                abs(found.figures[n].value - t) <= found.figures[n].half_width()
                for n, t in figures.items()
            ]
        )
        if kind == "lognormal" and volume:
            low, high = found.volume_fits[0].intervals[0]
            median.append(low <= d50 <= high)
    return {
        "parameters": np.mean(held, axis=0),
        "bias": np.mean(off, axis=0),
        "figures": dict(zip(figures, np.mean(seen, axis=0), strict=True)),
        "better": better / sets,
        "volume_median": np.mean(median) if median else np.nan,
    }
