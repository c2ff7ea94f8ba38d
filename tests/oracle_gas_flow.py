"""Flow and gas between two events of the oracle of trapped air, and one step of it.

The shares of length xi = x / L that are wet obey d(xi^2)/dt = 2 xi Q / (A L), regular at 0, with
Q = G(x) (P + p_c + head - p). The pressures P of the junctions are linear in that, and so are those
p of pockets that let gas go (they follow a junction's): the right-hand side and its slopes are
explicit. Radau IIA of order 5 (Hairer & Wanner, Solving ODEs II, IV.8) with its embedded error of
order 3. G below xi = START is that at START.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import lu_factor, lu_solve

P0 = 101325.0  # Pa, air outside
START = 1e-7  # of a length; see above
STILL = 1e-12  # a flow is none below this, over that of the full tube under the capillary pressure

ROOT6 = np.sqrt(6.0)
RADAU = np.array(
    [
        [(88 - 7 * ROOT6) / 360, (296 - 169 * ROOT6) / 1800, (-2 + 3 * ROOT6) / 225],
        [(296 + 169 * ROOT6) / 1800, (88 + 7 * ROOT6) / 360, (-2 - 3 * ROOT6) / 225],
        [(16 - ROOT6) / 36, (16 + ROOT6) / 36, 1 / 9],
    ]
)
EMBEDDED = np.array([-13 - 7 * ROOT6, -13 + 7 * ROOT6, -1]) / 3
GAMMA0 = 3 + 3 ** (2 / 3) - 3 ** (1 / 3)  # the real eigenvalue of RADAU^-1


class Failed(Exception):
    """A step is too long."""


def share_at(z):
    """xi of xi^2 (+ START^2); odd, linear next to 0."""
    a = np.abs(z)
    root = np.sqrt(np.maximum(a - START**2, START**2))
    return np.sign(z) * np.where(a < 2 * START**2, a / (2 * START), root)


def square(xi):
    """The inverse of ``share_at``."""
    a = np.abs(xi)
    return np.sign(xi) * np.where(a < START, 2 * START * a, a * a + START**2)


class Tubes:
    """Of the slots: plain formulas of two cones; piece 0 before the waist, 1 after."""

    def __init__(self, fluid, radius, length, waist, fall):
        self.fluid, self.radius, self.length = fluid, radius, length
        self.waist, self.fall = waist, fall  # fall: rho g . displacement to the far end, Pa
        self.slope = radius * (1 - waist) / (length / 2)
        self.lean = np.arctan(self.slope)

    def r(self, j, x, piece):
        after = self.radius[j] * self.waist[j] + self.slope[j] * (x - self.length[j] / 2)
        return np.where(piece == 0, self.radius[j] - self.slope[j] * x, after)

    def cones(self, j, x, piece, each):
        """A sum over one or two cones, each(run, r at its start, r at its end)."""
        first, neck, half = self.radius[j], self.radius[j] * self.waist[j], self.length[j] / 2
        r = self.r(j, x, piece)
        both = each(half, first, neck) + each(x - half, neck, r)
        return np.where(piece == 0, each(x, first, r), both)

    def volume(self, j, x, piece):
        return self.cones(j, x, piece, lambda s, a, b: np.pi * s * (a * a + a * b + b * b) / 3)

    def resistance(self, j, x, piece):
        """8 viscosity / pi times the integral of r^-4, Pa s / m3."""
        total = self.cones(j, x, piece, lambda s, a, b: s * (a * a + a * b + b * b) / (a * b) ** 3)
        return 8 * self.fluid.consistency / (3 * np.pi) * total

    def suction(self, j, x, mode, piece):
        theta = self.fluid.theta(mode) + np.where(piece == 0, -1.0, 1.0) * self.lean[j]
        return 2 * self.fluid.gamma * np.cos(theta) / self.r(j, x, piece)


@dataclass
class Now:
    """Of a mode at x: see Mode.at; f (moving,) d(xi^2)/dt, slopes its Jacobian."""

    x: np.ndarray
    pressure: np.ndarray
    gas: np.ndarray
    volume: np.ndarray
    flow: np.ndarray
    area: np.ndarray
    f: np.ndarray
    slopes: np.ndarray | None = None
    rise: np.ndarray | None = None  # (free junctions,) dP/dt


class Mode:
    """The equations while the same menisci j move and the same pockets leak."""

    def __init__(self, block, j, way, leak, gas):
        self.block, self.j, self.leak = block, j, leak
        self.way = way[j]
        self.piece = block.piece[j].copy()
        self.piece[block.at_waist[j]] = (self.way[block.at_waist[j]] > 0).astype(int)
        self.x0, self.count = block.x.copy(), block.count
        self.row, self.free, self.matrix, self.right = block.links()
        self.pocket = block.label[block.tube[j]]
        size = len(self.free)
        k, number = self.row[block.node[j]], np.arange(len(j))
        self.into, self.by = np.zeros((size, len(j))), np.zeros((len(j), size))
        own = k >= 0
        self.into[k[own], number[own]] = self.by[number[own], k[own]] = 1.0
        self.base = block.given[block.node[j]].copy()
        for p, (i, hold) in leak.items():
            mine = self.pocket == p
            self.base[mine] -= hold
            if i >= 0 and self.row[i] >= 0:
                self.by[mine, self.row[i]] -= 1.0
            elif i >= 0:
                self.base[mine] -= block.given[i]
        self.alone = self.into * ((self.by.sum(1) == 1) & (np.abs(self.by).sum(1) == 1))
        self.closed = np.array([p not in leak for p in range(self.count)], bool)
        self.member = (self.pocket[:, None] == np.arange(self.count)).astype(float)
        self.known = np.where(block.wet, block.given, np.nan)
        resting = block.x.copy()
        resting[j] = 0.0
        piece = block.piece.copy()
        piece[j] = 0
        v = block.tubes.volume(np.arange(2 * block.m), resting, piece)
        v = np.where(block.full, 0.0, block.whole - v[0::2] - v[1::2])
        member = block.label >= 0
        self.spare = np.bincount(block.label[member], v[member], self.count)
        now = self.spare - block.tubes.volume(j, block.x[j], self.piece) @ self.member
        self.pv = (P0 + gas) * now  # of closed pockets

    def at(self, x, slopes=False):
        """x (..., moving) of those that move; slopes of one such row only."""
        block, j, tubes = self.block, self.j, self.block.tubes
        r = tubes.r(j, x, self.piece)
        volume = self.spare - tubes.volume(j, x, self.piece) @ self.member
        if (r <= 0).any() or (volume[..., self.closed] <= 0).any():
            raise Failed
        with np.errstate(divide="ignore", invalid="ignore"):
            gas = np.where(self.closed, self.pv / volume - P0, 0.0)
        spring = gas @ self.member.T
        g = block.conductance(j, x, self.piece)
        pull = tubes.suction(j, x, self.way, self.piece)
        extra = pull + tubes.fall[j] * x / block.length[j] + self.base - spring
        matrix = self.matrix + (self.into * g[..., None, :]) @ self.by
        # pressures from where the slot of the largest conductance would rest
        level = np.zeros((*x.shape[:-1], len(self.free)))
        if len(j):
            best = (self.alone * g[..., None, :]).argmax(-1)
            level -= np.take_along_axis(extra, best, -1) * self.alone.any(1)
        extra = extra + level @ self.by.T
        right = -(self.right + level @ self.matrix + (g * extra) @ self.into.T)
        p = np.linalg.solve(matrix, right[..., None])[..., 0]
        drive = p @ self.by.T + extra
        p = p + level
        flow, area = g * drive, np.pi * r * r
        pressure = np.broadcast_to(self.known, (*x.shape[:-1], block.n)).copy()
        pressure[..., self.free] = p
        for k, (i, hold) in self.leak.items():
            gas[..., k] = pressure[..., i] + hold if i >= 0 else hold
        xi, length = x / block.length[j], block.length[j]
        lift = 2 * np.maximum(np.abs(xi), START)
        every = np.broadcast_to(self.x0, (*x.shape[:-1], 2 * block.m)).copy()
        every[..., j] = x
        now = Now(every, pressure, gas, volume, flow, area, lift * flow / (area * length))
        if not slopes:
            return now
        grow = np.where(self.piece == 0, -1.0, 1.0) * tubes.slope[j]
        beyond = np.abs(xi) > START
        per_g = np.where(beyond, -np.sign(x) * g * r**-4.0, 0.0)
        per_g *= g * 8 * block.fluid.consistency / np.pi
        own = per_g * drive + g * (tubes.fall[j] / length - pull * grow / r)
        each = np.diag(own)
        stiff = np.where(self.closed, (P0 + gas) / np.where(self.closed, volume, 1.0), 0.0)
        each -= (g[:, None] * (self.member * stiff) @ self.member.T) * area
        rise = -np.linalg.solve(matrix, self.into @ each)  # of P per x
        by_x = each + g[:, None] * (self.by @ rise)
        now.rise = rise @ (flow / area)
        by_x *= (lift / (area * length))[:, None]
        by_x += np.diag(
            np.where(beyond, 2 * np.sign(x) / length, 0.0) * flow / (area * length)
            - now.f * 2 * grow / r
        )
        now.slopes = by_x * (length / lift)
        return now

    def rate(self, now, pocket):
        """d(p V)/dt of a pocket that leaks, over P0 and all flows: below 0 while gas leaves."""
        i, _ = self.leak[pocket]
        inward = now.flow[self.pocket == pocket].sum()
        rise = now.rise[self.row[i]] if i >= 0 and self.row[i] >= 0 else 0.0
        rate = now.volume[pocket] * rise - (P0 + now.gas[pocket]) * inward
        return rate / (P0 * max(np.abs(now.flow).sum(), 1e-300))

    def rests(self, now):
        """Whether all flows are none, or as near as rounded pressures tell (next to mouths)."""
        x, flow = now.x[self.j] / self.block.length[self.j], np.abs(now.flow)
        flow = flow / (self.block.link[self.block.tube[self.j]] * self.block.scale)
        return bool(((flow <= STILL) | ((flow * x <= 2e-3 * STILL) & (flow <= 1e3 * STILL))).all())

    def step(self, z0, here, h):
        """(z at the end, error of xi) of a step of h."""
        size, length = len(z0), self.block.length[self.j]
        z = self.stages(z0, here, h, length, False)
        if z is None:
            z = self.stages(z0, here, h, length, True)
        if z is None:
            raise Failed
        end = share_at(z0 + z[-1])
        weight, error = 2 * np.maximum(np.abs(end), START), 0.0
        # next to mouths slopes are so steep that those of one end alone would hide it
        for slopes in (here.slopes, self.at(end * length, True).slopes):
            off = np.linalg.solve(GAMMA0 / h * np.eye(size) - slopes, here.f + EMBEDDED @ z / h)
            error = max(error, (np.abs(off) / weight).max(initial=0.0))
        return z0 + z[-1], error

    def stages(self, z0, here, h, length, anew):
        """(3, moving) z - z0 by Newton's method, with slopes of the start or laid anew; or None."""
        size = len(z0)
        lu = lu_factor(np.eye(3 * size) - h * np.kron(RADAU, here.slopes))
        z, last = h * RADAU.sum(1)[:, None] * here.f, np.inf
        if (np.abs(share_at(z0 + z) - 0.5) > 0.6).any():
            z = np.zeros((3, size))
        for turn in range(40):
            xi = share_at(z0 + z)
            if not np.isfinite(xi).all() or (np.abs(xi - 0.5) > 0.6).any():
                return None
            try:
                f = self.at(xi * length).f
                if anew:
                    each = RADAU[:, :, None, None] * [self.at(x, True).slopes for x in xi * length]
                    big = np.eye(3 * size) - h * each.transpose(0, 2, 1, 3).reshape(3 * size, -1)
                    lu = lu_factor(big)
            except Failed:
                return None
            change = lu_solve(lu, (h * RADAU @ f - z).ravel()).reshape(3, size)
            z = z + change
            size_of = (np.abs(change) / np.maximum(z0, 1e-8)).max(initial=0.0)
            if size_of < 1e-12 or (turn > 5 and size_of < 1e-10 and size_of > 0.5 * last):
                return z
            if not anew and ((turn > 1 and size_of > 0.4 * last) or turn > 9):
                return None
            last = size_of
        return None
