"""The cake on the wetted face: grains that fit no entrance of the place that they come to.

Each inlet junction has its share of the face. Above it stands a *roof*: a full tube, without room,
from the reservoir to the junction, that passes what the cake does there. The first grains that do
not fit close the throats that they come to, as everywhere; the others lie on the face, on the
share's whole section.

A cake is a bed: Carman and Kozeny's permeability k of its porosity e and its grains' mean diameter
(their volume over their surface). To a liquid that is not Newtonian it is a bundle of straight
capillaries as wide as that asks for, e r^2 / 8 = k, and as long as it is thick. Grains that fit an
entrance pass it, as if its pores were as wide.

What leaves the slurry is cake and liquid. Of the liquid that comes through, phi / (1 - phi - e)
times its volume is cake, pores and all, where phi is the fraction of the grains that stay.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from poresim.liquid.particles import Particles
from poresim.liquid.suspension import carman_kozeny
from poresim.solid.network import Network
from poresim.tube.jit import inner, kernel
from poresim.uptake.capture import kozeny, relative_viscosity
from poresim.uptake.state import PASSING

Floats = NDArray[np.float64]

_CLEAN = 1e-2  # times the accuracy: a roof's resistance at first, over that of its entrances


class Roofs(NamedTuple):
    """(r,) roofs, one over each inlet junction. All empty where there can be no cake."""

    under: NDArray[np.int64]  # (r,) the junctions below, by the network's numbers
    tubes: NDArray[np.int64]  # (2,) the number of the first, and one more than the last
    over: NDArray[np.int64]  # (n,) by the state's numbers: its roof's tube, or -1; or (0,)
    widest: Floats  # (n,) likewise: of its throats, m
    area: Floats  # (r,) of its share of the face, m2
    thin: Floats  # (r,) thickness with which its resistance begins, m
    finest: Floats  # (r,) mean diameter of what is the first to lie on it, m
    haste: float  # how fast a cake's resistance grows over that of the tubes that fill, at most


def no_roofs() -> Roofs:
    """For a liquid whose grains all fit everywhere."""
    none, whole = np.zeros(0), np.zeros(0, np.int64)
    return Roofs(whole, np.zeros(2, np.int64), whole, none, none, none, none, 0.0)


def with_roofs(
    solid: Network,
    particles: Particles | None,
    inlet: NDArray[np.int64],
    face_m2: float | None,
    accuracy: float,
) -> tuple[Network, NDArray[np.int64], Roofs]:
    """The network with a roof over each inlet junction; the new inlets; and the roofs.

    Unchanged where all grains fit an entrance of every inlet junction.
    """
    if particles is None or particles.volume_fraction == 0:
        return solid, inlet, no_roofs()
    widest, conduct, room = _entrances(solid, inlet)
    used = particles.share > 0
    diameter, share = particles.diameter[used], particles.share[used]
    lies = (diameter >= widest[:, None]) & (widest[:, None] > 0)
    if not lies.any():
        return solid, inlet, no_roofs()
    r, n, m = len(inlet), solid.junctions, solid.tubes
    area = np.full(r, face_m2 / r) if face_m2 is not None else _share_of_face(solid, inlet)
    surface = (lies * share / diameter).sum(axis=1)
    finest = np.divide(
        (lies * share).sum(axis=1), surface, out=np.full(r, diameter.max()), where=surface > 0
    )
    permeability = carman_kozeny(finest, particles.bed_porosity)
    # against a tube's 8 length / (pi r^4), which stand in 1 / conduct
    firm = np.where(conduct > 0, conduct, conduct.max())
    thin = _CLEAN * accuracy * permeability * area / firm
    stays = particles.volume_fraction * (lies * share).sum(axis=1)
    cake = stays / (1 - particles.bed_porosity - stays)  # a volume of liquid
    haste = float((cake * room * firm / (permeability * area**2)).max())
    tubes = np.arange(m, m + r)
    bore = np.sqrt(8 * permeability / particles.bed_porosity)
    whole = Network(
        np.concatenate([solid.points, solid.points[inlet]]),
        np.concatenate([solid.ends, np.column_stack([n + np.arange(r), inlet])]),
        np.concatenate([solid.radius, bore]),
        length=np.concatenate([solid.length, thin]),
        waist=np.concatenate([solid.waist, np.ones(r)]),
        body_volume=np.concatenate([solid.body_volume, np.zeros(r)]),
        span=np.concatenate([solid.span, np.zeros((r, 3))]),
        size=solid.size,
    )
    over, wide = np.full(n + r, -1), np.zeros(n + r)
    over[inlet], wide[inlet] = tubes, widest
    return (
        whole,
        n + np.arange(r),
        Roofs(inlet, np.array([m, m + r]), over, wide, area, thin, finest, haste),
    )


def numbered_roofs(roofs: Roofs, order: NDArray[Any]) -> Roofs:
    """The same, with what is known of junctions in the order of the state's numbers.

    order : the network's number of each; more than there were are bodies' ends.
    """
    if len(roofs.under) == 0:
        return roofs
    more = len(order) - len(roofs.over)
    over = np.concatenate([roofs.over, np.full(more, -1)])[order]
    widest = np.concatenate([roofs.widest, np.zeros(more)])[order]
    return roofs._replace(over=over, widest=widest)


def _entrances(solid: Network, inlet: NDArray[np.int64]) -> tuple[Floats, Floats, Floats]:
    """(r,) of each inlet junction: widest throat, m; sums of pi r^4 / 8 l and of volumes, m3."""
    place = np.full(solid.junctions, -1)
    place[inlet] = np.arange(len(inlet))
    w = solid.waist
    narrowing = (1.0 + w + w * w) / (3.0 * w**3)
    passes = np.pi * solid.radius**4 / (8.0 * solid.length * narrowing)
    widest, conduct, room = (np.zeros(len(inlet)) for _ in range(3))
    for end in range(2):
        at = place[solid.ends[:, end]]
        here = at >= 0
        np.maximum.at(widest, at[here], 2.0 * solid.throat_radius[here])
        np.add.at(conduct, at[here], passes[here])
        np.add.at(room, at[here], solid.tube_volume[here])
    return widest, conduct, room


def _share_of_face(solid: Network, inlet: NDArray[np.int64]) -> Floats:
    """(r,) m2: the square of the distance to the next inlet junction, or the entrances' section."""
    section = np.zeros(solid.junctions)
    for end in range(2):
        np.add.at(section, solid.ends[:, end], np.pi * solid.radius**2)
    own = section[inlet]
    if len(inlet) < 2:
        return own
    near, _ = cKDTree(solid.points[inlet]).query(solid.points[inlet], k=2)
    return np.maximum(near[:, 1] ** 2, own)


@kernel
def lay_roofs(law, graph, log, cargo, roofs):
    """Roofs are full from the start, and pass what their first thin cakes do.

    Reservoirs come first among the junctions, and have no other tube.
    """
    for n in range(len(roofs.under)):
        q = np.int32(roofs.tubes[0] + n)
        k = np.int64(graph.first[n])
        i = np.int64(graph.far[k])
        m = np.int64(graph.first[i])
        while graph.ring[m] != q:
            m += 1
        graph.slot[q] = PASSING
        log.filled_at[q], log.met[q] = -math.inf, 1.0
        gate = log.gates[q]
        gate.at_a, gate.at_b = k, m
        e = cargo.rule[0].bed_porosity
        permeability = kozeny(roofs.finest[n], e)
        gate.share = permeability / roofs.thin[n]
        graph.flow[k] = graph.flow[m] = gate.share * roofs.area[n] / law.consistency
        if len(graph.tangent) > 0:
            _lay_bore(graph, roofs, k, m, n, permeability, e, 1.0, roofs.thin[n])


@inner
def _lay_bore(graph, roofs, k, m, n, permeability, e, thicker, thick):
    """The capillaries of roof n, that stands at places k and m; its tangents are to be laid anew.

    thicker : viscosity of what comes through over that of the slurry.
    """
    radius = math.sqrt(8.0 * permeability / e)
    number = e * roofs.area[n] / (math.pi * radius * radius)
    for at in (k, m):
        bore, tangent = graph.bore[at], graph.tangent[at]
        bore.radius, bore.length, bore.share = radius, thick, number / thicker
        tangent.rate, tangent.wider = 0.0, 0.0


@inner
def drawn(diameter, offered, widest, porosity):
    """(of passing classes, of those that stay): what the slurry loses over what comes through.

    widest : of the throats of the junction below, m: wider grains stay.
    """
    stays = 0.0
    for c in range(len(diameter)):
        if diameter[c] >= widest:
            stays += offered[c]
    return 1.0 / (1.0 - stays), 1.0 / (1.0 - stays / (1.0 - porosity))


@inner
def thicken_cakes(graph, log, cargo, roofs, ahead):
    """Roofs pass less as cakes grow: on by ``ahead`` of what has come in this step."""
    rule = cargo.rule[0]
    e = rule.bed_porosity
    first, diameter, offered = roofs.tubes[0], cargo.diameter, cargo.offered
    for n in range(len(roofs.under)):
        q = first + n
        gate = log.gates[q]
        k, m = np.int64(gate.at_a), np.int64(gate.at_b)
        widest = roofs.widest[graph.far[k]]
        fine, (passes_on, _) = 0.0, drawn(diameter, offered, widest, e)
        for c in range(len(diameter)):
            if diameter[c] < widest:
                fine += offered[c] * passes_on
        thick = roofs.thin[n] + cargo.caught[q] / ((1.0 - e) * roofs.area[n])
        more = ahead * (thick - gate.slower) if gate.slower > 0.0 else 0.0
        gate.slower = thick
        thick += more
        d = cargo.caught[q] / cargo.surface[q] if cargo.caught[q] > 0.0 else roofs.finest[n]
        permeability, thicker = kozeny(d, e), relative_viscosity(rule, fine)
        passes = permeability / thick / thicker
        change = passes / gate.share
        gate.share = passes
        graph.flow[k] *= change
        graph.flow[m] = graph.flow[k]
        if len(graph.tangent) > 0:
            _lay_bore(graph, roofs, k, m, n, permeability, e, thicker, thick)
