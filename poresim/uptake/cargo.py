"""Grains on their way: what tubes hold of each size, and the rules by which throats catch them.

Concentrations are volumes of grains over that of suspension. A grain that comes to a throat is
caught there

- if it does not fit through (*sieving*),
- or, in a throat up to ``bridging_ratio`` times as wide, in an arch, with a chance that rises with
  the fraction (:func:`poresim.liquid.suspension.bridging_chance`): an arch takes ratio^2 grains.

The first grain that does not fit, or the first arch, closes the throat. Grains come as a Poisson
process, so the number expected until then is a draw from the exponential law: one for each tube,
from the run's seed. It is counted down as grains come, whatever the steps: they change when a
throat closes by as much as they change the flow through it, which the accuracy bounds. What is
caught is entered as the number expected, so that books close exactly; in the mean both are alike.

A closed throat catches all grains wider than its width over ``passing_ratio``. They build a bed in
series with it (Carman-Kozeny). What walls catch (``deposition_per_m``) lines them evenly, as porous
as a bed: the tube narrows.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.liquid.particles import Particles
from poresim.liquid.suspension import bridging_chance, krieger_dougherty
from poresim.solid.network import Network

Floats = NDArray[np.float64]

CARRIED, LEFT = 0, 1  # rows of Cargo.books

#: The rules, one record.
RULE = np.dtype(
    [
        ("leak", np.float64),
        ("bridging_ratio", np.float64),
        ("passing_ratio", np.float64),
        ("deposition", np.float64),  # 1/m
        ("bed_porosity", np.float64),
        ("most", np.float64),  # fraction at which grains jam
        ("power", np.float64),  # of Krieger-Dougherty's law, below 0
        ("thickened", np.float64),  # viscosity as offered at first, over that without grains
        ("least_log", np.float64),  # first ln of the fraction in the table of chances,
        ("per_log", np.float64),  # cells a unit of it,
        ("per_ratio", np.float64),  # and cells a unit of throat over grain
    ],
    align=True,
)

_RATIOS, _LOGS = 120, 120  # cells of the table of chances
_LEAST_LOG = float(np.log(1e-6))
_NEVER = -700.0  # ln of a chance of nothing


class Cargo(NamedTuple):
    """Of k size classes; m tubes, n junctions. Without grains all arrays are empty."""

    rule: NDArray[Any]  # (1,) of RULE, or (0,)
    diameter: Floats  # (k,) m, rising
    grain: Floats  # (k,) volume of one, m3
    offered: Floats  # (k,) concentration in the liquid outside
    most: Floats  # (k,) the highest of that so far: nowhere is there more
    at: Floats  # (n, k) concentration at junctions, lately
    come: Floats  # (n, k) m3 that has come to junctions and is to go on
    suspended: Floats  # (m, k) m3 afloat in each tube
    captured: Floats  # (m, k) m3 caught in each tube
    caught: Floats  # (m,) m3 of all classes in the bed of a closed throat
    surface: Floats  # (m,) the sum of volume over diameter in it, m2
    lining: Floats  # (m,) m3 on its walls
    held: Floats  # (m, 2) liquid that has come into each tube from either end until it was full, m3
    taken: Floats  # (m, 2) of that, in the last step
    order: NDArray[np.int64]  # (n,) wet junctions, each after those from which liquid comes to it
    turn: NDArray[np.int64]  # (n,) where each stands there; -1: nowhere
    chances: Floats  # ln of the chance to be caught in an arch: (ratios, logs of fractions)
    books: Floats  # (2, k) m3: carried in, left again


def no_cargo() -> Cargo:
    """For a liquid without grains."""
    one, two = np.zeros(0), np.zeros((0, 0))
    books = np.zeros((2, 0))
    return Cargo(
        np.zeros(0, RULE), one, one, one, one, two, two, two, two, one, one, one,
        two, two,
        np.zeros(0, np.int64), np.zeros(0, np.int64), two, books,
    )  # fmt: skip


def make_cargo(
    solid: Network,
    particles: Particles,
    caked: bool = False,
    share: Floats | None = None,
) -> Cargo:
    """Nothing is carried yet.

    caked : a cake may keep grains back, and so bring more of them. share : (k,) of each class that
    is offered at first; all by default.
    """
    order = np.argsort(particles.diameter, kind="stable")
    diameter = particles.diameter[order]
    n, m, k = solid.junctions, solid.tubes, len(diameter)
    rule = np.zeros(1, RULE)
    rule["leak"] = particles.leak
    rule["bridging_ratio"] = particles.bridging_ratio
    rule["passing_ratio"] = particles.passing_ratio
    rule["deposition"] = particles.deposition_per_m
    rule["bed_porosity"] = particles.bed_porosity
    rule["most"] = particles.max_fraction
    rule["power"] = -particles.intrinsic_viscosity * particles.max_fraction
    rule["thickened"] = thickening(particles)
    chances = _chances(particles, rule)
    here = particles.share if share is None else particles.share * share
    offered = particles.volume_fraction * here[order]
    drawn = particles.volume_fraction / (1.0 - particles.bed_porosity) if caked else 0.0
    return Cargo(
        rule,
        diameter,
        np.pi * diameter**3 / 6,
        offered,
        particles.volume_fraction * particles.share[order] / (1.0 - drawn),
        np.zeros((n, k)),
        np.zeros((n, k)),
        np.zeros((m, k)),
        np.zeros((m, k)),
        np.zeros(m),
        np.zeros(m),
        np.zeros(m),
        np.zeros((m, 2)),
        np.zeros((m, 2)),
        np.full(n, -1),
        np.full(n, -1),
        chances,
        np.zeros((2, k)),
    )


def thickening(particles: Particles) -> float:
    """Viscosity of the liquid with all its grains, over that without."""
    return float(
        krieger_dougherty(
            particles.volume_fraction, particles.max_fraction, particles.intrinsic_viscosity
        )
    )


def harmless(throat_radius: Floats, particles: Particles) -> bool:
    """Whether no throat, m, can catch any of the grains, nor walls: they go as the liquid goes."""
    widest = float(particles.diameter[particles.share > 0].max())
    most = particles.bridging_ratio * widest
    return most <= 2 * float(throat_radius.min()) and particles.deposition_per_m == 0


def _chances(particles: Particles, rule: NDArray[Any]) -> Floats:
    """The table of arches, by even steps of the ratio from 1 and of ln of the fraction."""
    wide = particles.bridging_ratio - 1.0
    rule["least_log"] = _LEAST_LOG
    rule["per_log"] = _LOGS / (np.log(particles.max_fraction) - _LEAST_LOG)
    if wide <= 0:
        return np.zeros((0, 0))
    rule["per_ratio"] = _RATIOS / wide
    ratios = 1.0 + wide * np.arange(_RATIOS + 1) / _RATIOS
    logs = _LEAST_LOG + np.arange(_LOGS + 1) / rule["per_log"]
    found = bridging_chance(ratios[:, None], np.exp(logs), 2.0 * particles.bridging_ratio)
    with np.errstate(divide="ignore"):
        return np.maximum(np.log(found), _NEVER)
