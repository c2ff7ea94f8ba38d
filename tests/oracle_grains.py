"""Grains for the general oracle: transport by dense linear solves, what throats catch, and clocks.

Concentrations are volumes of grains over that of suspension. Over a step every flow is held at its
mean, and volumes grow evenly. A full tube, and what is wet of an open one, is a mixed cell:

    ds/dt = what comes - (what leaves / V) s

and junctions hold nothing: what comes together there is mixed by the flows. Backward Euler, all
junctions at once, in ``PARTS`` and in twice as many parts; the two extrapolated are second order,
and how far they are apart bounds the step. Catching depends on concentrations: repeated until they
stay. What comes to a throat counts its clock down by

    sum over classes of concentration / grain volume * (1, where it does not fit,
                                                        or chance of an arch / ratio^2)

The throat is at the mouth; in an open waisted tube at its middle, where what is afloat in the tube
comes with the liquid that passes.

Formulas: Krieger & Dougherty 1959 (thickening), Carman 1937 (beds), and for arches the chance that
at least ratio^2 - 1 others are in a cylinder as long as wide, by the incomplete gamma function.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import gammainc

PARTS = 3
STAYS = 1e-13  # concentrations are repeated until they change by less, of what is offered


@dataclass(frozen=True)
class Grains:
    """Of k classes: fraction, diameter (k,) m, share (k,) by volume, draws (m,) of Exp(1)."""

    fraction: float
    diameter: np.ndarray
    share: np.ndarray
    draws: np.ndarray
    leak: float = 0.02
    bridging_ratio: float = 3.0
    passing_ratio: float = 7.0
    bed_porosity: float = 0.4
    most: float = 0.64
    intrinsic: float = 2.5
    mixed_at_waist: bool = True  # or as at the junction, from when on liquid passes the waist

    @property
    def offered(self):
        return self.fraction * self.share / self.share.sum()

    def thickening(self, fraction):
        """Viscosity over that without grains."""
        return (1 - fraction / self.most) ** (-self.intrinsic * self.most)

    def caught(self, throat, at):
        """(shares caught, closings a m3), at open throats (p,), of what comes there: at (p, k)."""
        ratio = throat[:, None] / self.diameter
        fraction = np.maximum(at.sum(1), 0.0)[:, None]
        arches = (ratio > 1) & (ratio < self.bridging_ratio)
        r = np.where(arches, ratio, 2.0)
        chance = np.where(arches, gammainc(r**2 - 1, 1.5 * fraction * r**3), ratio <= 1)
        number = at / (np.pi * self.diameter**3 / 6)
        return chance, (chance * number / np.maximum(ratio, 1.0) ** 2).sum(1)

    def wide(self, throat):
        """Which classes closed throats catch, (p, k)."""
        return (throat[:, None] < self.passing_ratio * self.diameter).astype(float)


@dataclass
class Cargo:
    """What stands where: at (n, k) at junctions, in tubes (m, k) m3, clocks (m,), books (k,) m3.

    caked (n, k): on the face, m3.
    """

    at: np.ndarray
    suspended: np.ndarray
    captured: np.ndarray
    caked: np.ndarray
    count: np.ndarray
    carried: np.ndarray
    left: np.ndarray

    @classmethod
    def none(cls, n, m, k):
        zero = np.zeros
        tubes, junctions = (m, k), (n, k)
        books = (zero(tubes), zero(tubes), zero(junctions), zero(m), zero(k), zero(k))
        return cls(zero(junctions), *books)

    def beyond(self, coarse):
        """This one extrapolated by another in half as many parts."""
        names = ("suspended", "captured", "caked", "count", "carried", "left")
        ours, theirs = vars(self), vars(coarse)
        return replace(self, **{n: 2 * ours[n] - theirs[n] for n in names})


@dataclass
class Flows:
    """Of one step, all above 0. Ports: ways into tubes; exits: ways out of them; m3/s."""

    port_node: np.ndarray
    port_tube: np.ndarray
    port_flow: np.ndarray
    port_throat: np.ndarray  # whether the throat is there
    exit_node: np.ndarray
    exit_tube: np.ndarray
    exit_flow: np.ndarray
    middle: np.ndarray  # (m,) past the waists of open tubes
    volume: np.ndarray  # (m,) of suspension in each tube at first, m3
    gain: np.ndarray  # (m,) m3/s
    bed: np.ndarray  # (r,) through each bed, below 0 when it leaves


def flows_of(net, x, links, weight, h):
    """Flows of a step of net to menisci at x: full tubes' by the stages, the others' by volume."""
    full = np.flatnonzero(net.full)
    mean = weight @ links / h
    j = np.flatnonzero(net.status != 0)
    rise = (net.tubes.volume(j, x[j]) - net.tubes.volume(j, net.x[j])) / h
    waisted = net.bent[j]
    beyond = waisted & (net.piece[j] == 1) & (rise > 0)
    mixed = net.grains.mixed_at_waist
    past = np.bincount(net.tube[j], np.where(beyond & mixed, rise, 0.0), net.m)
    at_mouth = ~waisted | (beyond & (not mixed))
    forth, back = full[mean > 0], full[mean < 0]
    into, out = rise > 0, rise < 0
    joined = np.concatenate
    port_node = joined([net.ends[forth, 0], net.ends[back, 1], net.node[j[into]]])
    port_flow = joined([mean[mean > 0], -mean[mean < 0], rise[into]])
    exit_node = joined([net.ends[forth, 1], net.ends[back, 0], net.node[j[out]]])
    exit_flow = joined([mean[mean > 0], -mean[mean < 0], -rise[out]])
    needs = np.bincount(port_node, port_flow, net.n) - np.bincount(exit_node, exit_flow, net.n)
    return Flows(
        port_node,
        joined([forth, back, net.tube[j[into]]]),
        port_flow,
        joined([np.ones(len(forth) + len(back), bool), at_mouth[into]]),
        exit_node,
        joined([forth, back, net.tube[j[out]]]),
        exit_flow,
        past,
        net.wet_volume(),
        np.bincount(net.tube[j], rise, net.m),
        needs[net.bed_node],
    )


def carry(grains, cargo, flows, closed, throat, fixed, beds, h, parts):
    """The cargo after a step of h seconds; closed, throat (m,); fixed (n,) inlets without beds."""
    dt = h / parts
    for part in range(parts):
        cargo = _part(grains, cargo, flows, closed, throat, fixed, beds, dt, part + 1)
    return cargo


def _part(grains, cargo, flows, closed, throat, fixed, beds, dt, part):
    n, k = cargo.at.shape
    m = len(throat)
    volume = np.maximum(flows.volume + part * dt * flows.gain, 1e-300)[:, None]
    node, tube, q = flows.port_node, flows.port_tube, flows.port_flow[:, None]
    comes = np.zeros(n)
    np.add.at(comes, flows.exit_node, flows.exit_flow)
    comes[beds.node] += np.maximum(flows.bed, 0.0)
    through = np.maximum(flows.bed, 0.0)[:, None] * beds.through
    lies = np.zeros((n, k), bool)
    lies[beds.node] = beds.lies
    on_face = (flows.port_throat & closed[tube])[:, None] & lies[node]
    goes = np.bincount(flows.exit_tube, flows.exit_flow, m)[:, None]
    known = fixed | (comes <= 1e-13 * flows.port_flow.max(initial=0.0))  # there it stays
    at = np.where(fixed[:, None], grains.offered, cargo.at)
    inside = cargo.suspended / volume
    shut = closed[:, None]
    for _ in range(200):
        kept, risk = grains.caught(throat[tube], at[node])
        kept = np.where(shut[tube], grains.wide(throat[tube]), kept) * flows.port_throat[:, None]
        kept_in, risk_in = grains.caught(throat, inside)
        kept_in = np.where(shut, grains.wide(throat), kept_in)
        spread = 1 + dt * (goes + flows.middle[:, None] * kept_in) / volume  # (m, k)
        # what leaves each tube: given by what stood there, and by what comes to it at the ports
        leave = flows.exit_flow[:, None] / (volume * spread)[flows.exit_tube]
        matrix = np.zeros((k, n, n))
        right = np.zeros((n, k))
        right[beds.node] += through
        np.add.at(right, flows.exit_node, leave * cargo.suspended[flows.exit_tube])
        enter = np.zeros((m, n, k))
        np.add.at(enter, (tube, node), dt * q * (1 - kept))
        passed = leave[:, None, :] * enter[flows.exit_tube]  # (exits, n, k)
        for c in range(k):
            np.add.at(matrix[c], flows.exit_node, -passed[:, :, c])
        matrix[:, np.arange(n), np.arange(n)] += comes
        matrix[:, known] = np.eye(n)[known]
        right[known] = at[known]
        scale = np.abs(matrix).max(2, keepdims=True)
        new = np.linalg.solve(matrix / scale, right.T[:, :, None] / scale)[:, :, 0].T
        suspended = (cargo.suspended + np.einsum("mnk,nk->mk", enter, new)) / spread
        inside = suspended / volume
        moved = np.abs(new - at).max()
        at = new
        if moved <= STAYS * grains.fraction:
            break
    else:
        raise RuntimeError("what throats catch does not settle")
    stopped = dt * q * kept * at[node]
    captured = cargo.captured + dt * flows.middle[:, None] * kept_in * inside
    np.add.at(captured, tube, np.where(on_face, 0.0, stopped))
    caked = cargo.caked.copy()
    np.add.at(caked, node, np.where(on_face, stopped, 0.0))
    count = cargo.count + np.where(closed, 0.0, dt * flows.middle * risk_in)
    live = flows.port_throat & ~closed[tube]
    np.add.at(count, tube, np.where(live, dt * flows.port_flow * risk, 0.0))
    carried, left = cargo.carried.copy(), cargo.left.copy()
    carried += (dt * q * at[node])[fixed[node]].sum(0) + dt * through.sum(0)
    away = fixed[flows.exit_node]
    left += (dt * flows.exit_flow[:, None] * inside[flows.exit_tube])[away].sum(0)
    left += (dt * np.maximum(-flows.bed, 0.0)[:, None] * at[beds.node]).sum(0)
    return Cargo(at, suspended, captured, caked, count, carried, left)


def shares_of(grains, cargo, volume, closed, radius, length, waist):
    """(m,) what grains leave each tube of the flow that it has with all that is offered afloat."""
    fraction = np.where(volume > 0, cargo.suspended.sum(1) / np.maximum(volume, 1e-300), 0.0)
    slower = grains.thickening(fraction) / grains.thickening(grains.fraction)
    solid = cargo.captured.sum(1)
    surface = (cargo.captured / grains.diameter).sum(1)
    size = np.where(solid > 0, solid / np.maximum(surface, 1e-300), 1.0)  # Sauter diameter
    e = grains.bed_porosity
    permeable = size**2 * e**3 / (180 * (1 - e) ** 2)
    area = np.pi * (radius * waist) ** 2
    bed = solid / (1 - e) / area / (permeable * area)  # Pa s/m3 a Pa s
    # of two cones: the mean of r^-4 between R and w R is (1 + w + w^2) / (3 w^3 R^4)
    tube = 8 * length / np.pi * (1 + waist + waist**2) / (3 * waist**3 * radius**4)
    return 1 / (slower * np.where(closed, 1 / grains.leak + bed / tube, 1.0))
