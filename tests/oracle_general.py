"""Event-by-event oracle for any law, waists, gravity, hysteresis and grains. Plain and slow.

Between events the positions x of the moving menisci and the pressures P of the wet junctions obey

    d(x^p)/dt = p x^(p-1) Q(drive, x) / A(x)        p = 1 + 1/n: regular at x -> 0
    sum over the menisci of a junction of V(x) + integral of its tubes' flows = 0

integrated by Radau IIA collocation (Hairer & Wanner, Solving ODEs II, IV.5) with 3 stages (order
5); the difference from 2 stages (order 3) controls the step. Events end a step exactly. Grains are
carried over each step (oracle_grains); the shares of their flow that they leave tubes change evenly
over it, to what they are at its end; beds on the face (oracle_cake) grow as flow comes through.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from oracle_cake import Beds, grown
from oracle_grains import PARTS, Cargo, carry, flows_of, shares_of
from oracle_tubes import Tubes

GONE, HELD, ADVANCE, RECEDE, FREE = 0, 1, 2, 3, 4  # FREE: no hysteresis, moves either way
# Bodies pass through the same: GONE (dry, or full and a plain junction), HELD (their meniscus
# rests, at a tube's end while they are empty), then one of the three that hold the pressure.
ROOT6 = np.sqrt(6.0)
RADAU = {
    1: np.array([[1.0]]),
    2: np.array([[5 / 12, -1 / 12], [3 / 4, 1 / 4]]),
    3: np.array(
        [
            [(88 - 7 * ROOT6) / 360, (296 - 169 * ROOT6) / 1800, (-2 + 3 * ROOT6) / 225],
            [(296 + 169 * ROOT6) / 1800, (88 + 7 * ROOT6) / 360, (-2 - 3 * ROOT6) / 225],
            [(16 - ROOT6) / 36, (16 + ROOT6) / 36, 1 / 9],
        ]
    ),
}
TIGHT = 1e-9


class Failed(Exception):
    """A solve did not converge: the step is too long."""


class Network:
    """State of the soak. Slot 2 t + e is end e of tube t."""

    def __init__(
        self, points, ends, radius, length, inlet, fluid, waist=1.0, gravity=(0, 0, 0),
        grains=None, start=1e-7, body=0.0, face_m2=None, inlet_pressure=0.0, swelling=None,
    ):  # fmt: skip
        """grains: oracle_grains.Grains; the fluid is what is between them. face_m2: see Beds.

        inlet_pressure: one for all inlets, Pa, or one each.

        swelling: (share of its radius that a full tube loses, in what time, s): what passes it goes
        with the power 3 + 1/n of its radius, as for a power law.

        body (n,) m3: volumes that have to fill before a junction's other tubes start, by a meniscus
        of the suction of a ball of that volume; those of inlets are full and do not count.
        """
        points = np.asarray(points, float)
        self.swelling = swelling
        assert swelling is None or (fluid.yield_stress == 0 and fluid.curve is None), "power law"
        self.n, self.ends, self.beds = len(points), np.asarray(ends), None
        self.m = m = len(self.ends)
        wide = [np.broadcast_to(np.asarray(a, float), (m,)) for a in (radius, length, waist)]
        span = points[self.ends[:, 1]] - points[self.ends[:, 0]]
        fall = fluid.density * span @ np.asarray(gravity, float)
        if grains is not None:
            assert fluid.index == 1 and fluid.yield_stress == 0 and fluid.curve is None, "Newtonian"
            self.beds = Beds(grains, fluid.consistency, points, self.ends, wide, inlet, face_m2)
            thick = grains.thickening(grains.fraction) * fluid.consistency
            fluid = replace(fluid, consistency=thick)
        self.fluid = fluid
        self.length = np.repeat(wide[1], 2)
        self.head = fluid.density * points @ np.asarray(gravity, float)  # of still liquid, Pa
        slots = [np.repeat(a, 2) for a in wide]
        self.tubes = Tubes(fluid, *slots, np.stack([fall, -fall], 1).ravel())
        self.node, self.tube = self.ends.ravel(), np.repeat(np.arange(m), 2)
        self.bent = slots[2] < 1
        self.mouth = start * self.length
        self.x = np.zeros(2 * m)
        self.piece = np.zeros(2 * m, int)
        self.at_waist = np.zeros(2 * m, bool)
        self.status = np.full(2 * m, GONE)
        self.full = np.zeros(m, bool)
        self.share = np.ones(2 * m)  # flow as a share of the clean tube's
        self.grains, self.wide = grains, wide
        self.throat = 2 * wide[0] * wide[2]
        self.trend = np.zeros(2 * m)  # of shares, 1/s
        self.cargo = None
        if grains is not None:
            self.cargo = Cargo.none(self.n, m, len(grains.diameter))
            self.cargo.at[np.asarray(inlet)] = grains.offered
            self.cargo.at[self.beds.node] = self.beds.through
        self.bed_node = np.zeros(0, int) if grains is None else self.beds.node
        self.resist = np.zeros(0) if grains is None else self.beds.least  # of beds, Pa s / m3
        self.resist_trend = np.zeros_like(self.resist)
        self.bed_flows = np.zeros((3, len(self.bed_node)))  # of the last try of a step
        self.bed_sign = np.zeros(len(self.bed_node))
        self.sign = np.zeros(m)
        self.filled_at, self.blocked_at = np.full(m, np.nan), np.full(m, np.nan)
        self.wetted_at = np.full(self.n, np.nan)
        self.time = 0.0
        self.inlet = np.zeros(self.n, bool)
        self.inlet[np.asarray(inlet)] = True
        self.fixed = self.inlet.copy()  # at the pressures given
        self.given = np.zeros(self.n)
        self.given[np.asarray(inlet)] = inlet_pressure
        assert grains is None or not self.given.any(), "beds stand below no pressure"
        self.fixed[self.bed_node] = False
        self.body = np.where(self.inlet, 0.0, np.broadcast_to(np.asarray(body, float), (self.n,)))
        self.held = np.zeros(self.n)
        self.body_status = np.full(self.n, GONE)
        self.body_filled_at = np.full(self.n, np.nan)
        assert grains is None or not self.body.any(), "no grains in bodies"
        for junction in np.flatnonzero(self.inlet):
            self.wet(junction)

    def wet(self, junction):
        if np.isnan(self.wetted_at[junction]):
            self.wetted_at[junction] = self.time
            if self.body[junction] > 0:
                self.body_status[junction] = HELD
            else:
                self.start_tubes(junction)

    def start_tubes(self, junction):
        for slot in np.flatnonzero((self.node == junction) & ~self.full[self.tube]):
            self.x[slot], self.status[slot] = self.mouth[slot], HELD
            if self.grains is not None:
                there = self.tubes.volume(np.array([slot]), self.mouth[[slot]])
                fits = self.bent[slot] | (self.grains.diameter < self.throat[self.tube[slot]])
                self.cargo.suspended[self.tube[slot]] += there * fits * self.cargo.at[junction]
        self.update_shares()

    def fill_body(self, junction):
        self.held[junction], self.body_filled_at[junction] = self.body[junction], self.time
        self.body_status[junction] = GONE
        self.start_tubes(junction)

    @property
    def filling(self):
        """Junctions whose body's meniscus moves and holds the pressure."""
        return np.flatnonzero(self.body_status >= ADVANCE)

    def body_pressure(self, junctions, mode):
        """Gauge pressure behind the meniscus of a body, Pa; mode -1: it recedes."""
        radius = np.cbrt(3 * self.body[junctions] / (4 * np.pi))
        return -2 * self.fluid.gamma * np.cos(self.fluid.theta(mode)) / radius

    def fill(self, tube):
        self.full[tube], self.filled_at[tube] = True, self.time
        pair = [2 * tube, 2 * tube + 1]
        self.status[pair], self.x[pair] = GONE, 0.0
        for junction in self.ends[tube]:
            if self.grains is not None and np.isnan(self.wetted_at[junction]):
                self.cargo.at[junction] = self.cargo.suspended[tube] / self.wet_volume()[tube]
            self.wet(junction)

    def close(self, tube):
        self.blocked_at[tube] = self.time
        self.update_shares()

    def wet_volume(self):
        """Of suspension in each tube, (m,) m3."""
        each = np.where(self.status != GONE, self.tubes.volume(np.arange(2 * self.m), self.x), 0.0)
        whole = self.tubes.volume(np.arange(0, 2 * self.m, 2), self.length[0::2])
        return np.where(self.full, whole, each[0::2] + each[1::2])

    def update_shares(self):
        """To what grains leave of each flow now."""
        if self.grains is not None:
            self.share = self.shares_with(self.cargo, self.wet_volume(), self.share)

    def shares_with(self, cargo, volume, dry):
        """(2 m,) shares of flow; those of ``dry`` where there is no liquid."""
        closed = ~np.isnan(self.blocked_at)
        found = np.repeat(shares_of(self.grains, cargo, volume, closed, *self.wide), 2)
        return np.where(np.repeat(volume > 0, 2), found, dry)

    def carried(self, x, links, weight, h):
        """After a step to menisci at x: (cargo, shares (2 m,), resist (r,), error of the cargo)."""
        flows = flows_of(self, x, links, weight, h)
        closed = ~np.isnan(self.blocked_at)
        more = (flows, closed, self.throat, self.fixed, self.beds, h)
        coarse, fine = (carry(self.grains, self.cargo, *more, p) for p in (PARTS, 2 * PARTS))
        whole = self.tubes.volume(np.arange(0, 2 * self.m, 2), self.length[0::2])
        apart = np.abs(fine.suspended - coarse.suspended) + np.abs(fine.captured - coarse.captured)
        error = (apart.sum(1) / whole).max() / self.grains.fraction
        clocks = np.abs(fine.count - coarse.count) / self.grains.draws
        error = max(error, clocks[~closed].max(initial=0.0))
        cargo = fine.beyond(coarse)
        shares = self.shares_with(cargo, flows.volume + h * flows.gain, self.share)
        return cargo, shares, self.beds.resistance(cargo.caked[self.bed_node]), error

    def shares_at(self, c, h):
        """(len(c), 2 m) shares of flow in a step of h, at shares c (s,) of it."""
        shares = self.share + h * np.asarray(c)[:, None] * self.trend
        if self.swelling is None:
            return shares
        narrowing, exchange = self.swelling
        age = self.time + h * np.asarray(c)[:, None] - np.repeat(self.filled_at, 2)
        left = 1 - narrowing * (1 - np.exp(-np.where(np.isnan(age), 0.0, age) / exchange))
        return shares * left ** (3 + 1 / self.fluid.index)

    @property
    def moving(self):
        return np.flatnonzero(self.status >= ADVANCE)

    def mode(self, j):
        """-1 where the receding angle acts."""
        return np.where(self.status[j] == RECEDE, -1, 1)

    def rows(self):
        row = np.full(self.n, -1)
        free = np.flatnonzero(
            ~np.isnan(self.wetted_at) & ~self.fixed & (self.body_status < ADVANCE)
        )
        row[free] = np.arange(len(free))
        return row, free

    def known(self):
        """Pressures (n,) that are given, Pa; NaN where it is dry."""
        return np.where(np.isnan(self.wetted_at), np.nan, self.given)

    def uptake(self):
        full = np.flatnonzero(np.repeat(self.full, 2))[::2]
        open_ = np.flatnonzero(self.status != GONE)
        whole = self.tubes.volume(full, self.length[full]).sum()
        return whole + self.tubes.volume(open_, self.x[open_]).sum() + self.held.sum()

    # ---- flows and their slopes -------------------------------------------------------------

    def meniscus_flow(self, j, x, pressure, share=None):
        """(flow, slope in pressure) of the menisci j standing at x; pressure and share per slot."""
        share = self.shares_at(np.zeros(1), 0.0)[0][j] if share is None else share
        drive = pressure + self.tubes.extra(j, x, self.mode(j), self.piece[j])
        if self.fluid.log_ratio > 0:
            return self.tubes.moving(j, x, drive, self.mode(j), self.piece[j], share)
        flow, slope = self.tubes.flow(j, x, drive)
        return share * flow, share * slope

    def links(self, pressure, share=None):
        """Full tubes, their flows end 0 -> 1 and slopes; pressure (n,), share (2 m,)."""
        tube = np.flatnonzero(self.full)
        j = 2 * tube
        drive = pressure[self.ends[tube, 0]] - pressure[self.ends[tube, 1]] + self.tubes.fall[j]
        flow, slope = self.tubes.flow(j, self.length[j], drive)
        share = (self.shares_at(np.zeros(1), 0.0)[0] if share is None else share)[j]
        return tube, share * flow, share * slope

    def bed_flow(self, pressure, resist=None):
        """What comes through each bed, (r,) m3/s."""
        return -pressure[self.bed_node] / (self.resist if resist is None else resist)

    def resist_at(self, c, h):
        """(len(c), r) of the beds in a step of h, at shares c (s,) of it."""
        share = grown(self.bed_flows, RADAU[3].sum(1), c)
        return self.resist + h * self.resist_trend * share

    def gains(self, flow):
        """What each junction gets from the full tubes, (n,), at their flows."""
        a, b = self.ends[np.flatnonzero(self.full)].T
        return np.bincount(b, flow, self.n) - np.bincount(a, flow, self.n)

    def link_system(self, pressure, row, size, share=None, resist=None):
        """Balance (size,) and Jacobian of the full tubes and the beds."""
        tube, flow, slope = self.links(pressure, share)
        a, b = row[self.ends[tube, 0]], row[self.ends[tube, 1]]
        right, matrix = np.zeros(size), np.zeros((size, size))
        for i, k, sign in ((a, b, 1.0), (b, a, -1.0)):
            own = i >= 0
            np.add.at(right, i[own], sign * flow[own])
            np.add.at(matrix, (i[own], i[own]), slope[own])
            both = own & (k >= 0)
            np.add.at(matrix, (i[both], k[both]), -slope[both])
        i = row[self.bed_node]
        np.add.at(right, i, -self.bed_flow(pressure, resist))
        np.add.at(matrix, (i, i), 1 / (self.resist if resist is None else resist))
        return right, matrix, flow

    def instant(self, guess):
        """Pressures (n,) at which the flows balance in the present state (damped Newton)."""
        row, free = self.rows()
        pressure = self.known()
        pressure[free] = np.where(np.isnan(guess[free]), 0.0, guess[free])
        i = self.filling
        pressure[i] = self.body_pressure(i, np.where(self.body_status[i] == RECEDE, -1, 1))
        j = self.moving
        own = row[self.node[j]] >= 0
        scale = 2 * self.fluid.gamma / self.tubes.radius.min()

        def residual(p):
            right, matrix, _ = self.link_system(p, row, len(free))
            flow, slope = self.meniscus_flow(j, self.x[j], p[self.node[j]])
            np.add.at(right, row[self.node[j[own]]], flow[own])
            k = row[self.node[j[own]]]
            np.add.at(matrix, (k, k), slope[own])
            return right, matrix

        if len(free) == 0:
            return pressure
        right, matrix = residual(pressure)
        for _ in range(300):
            diag = np.diag(matrix)
            matrix = matrix + np.diag(1e-13 * diag + 1e-12 * diag.max() * (diag <= 0) + 1e-300)
            s = 1 / np.sqrt(np.diag(matrix))
            step = -s * np.linalg.solve(matrix * np.outer(s, s), s * right)
            steep = right @ step
            share = 1.0
            for _ in range(40):
                trial = pressure.copy()
                trial[free] += share * step
                right, matrix = residual(trial)
                if right @ step <= 1e-3 * abs(steep) or share * np.abs(step).max() < 1e-13 * scale:
                    break
                share *= 0.5
            pressure = trial
            if np.abs(share * step).max() < 1e-11 * scale:
                return pressure
        raise Failed("instant")

    def _speeds(self, j, x, pressure, share):
        """d(x^p)/dt and its slopes in x and in the pressure, (stages, slots) each."""
        p, shape, share = self.tubes.power, x.shape, share[:, j].ravel()
        jj, x, pressure = np.tile(j, len(x)), x.ravel(), pressure.ravel()

        def speed(x):
            w = p * x ** (p - 1) / self.tubes.area(jj, x)
            flow, slope = self.meniscus_flow(jj, x, pressure, share)
            return w * flow, w * slope

        f, fp = speed(x)
        dx = 1e-6 * x
        fx = (f - speed(x - dx)[0]) / dx
        return f.reshape(shape), fx.reshape(shape), fp.reshape(shape)

    def at_stages(self, pressure, stages):
        """(stages, n) pressures to begin with; those that are given stay."""
        return np.array([pressure] * stages)

    # ---- one collocation step ---------------------------------------------------------------

    def step(self, h, pressure, stages=3):
        """(x at the end, pressures and flows of the full tubes at the stages, weights)."""
        a = h * RADAU[stages]
        row, free = self.rows()
        j, size, tubes = self.moving, len(free), self.tubes
        node, p = row[self.node[j]], self.tubes.power
        own = node >= 0
        x0 = self.x[j]
        top = 0.999999999 * self.length[j] * 1.02
        flow0, _ = self.meniscus_flow(j, x0, pressure[self.node[j]])
        c = RADAU[stages].sum(1)
        shares, resist = self.shares_at(c, h), self.resist_at(c, h)
        x = np.array([x0 + h * ck * flow0 / tubes.area(j, x0) for ck in c])
        grown = x0**p + p * x0 ** (p - 1) * flow0 / tubes.area(j, x0) * h * c[:, None]
        x = np.where((x > x0) & self.inlet[self.node[j]], np.maximum(grown, 0) ** (1 / p), x)
        x = np.clip(x, 0.2 * x0, top)
        stage = self.at_stages(pressure, stages)  # a filling body's pressure stays
        volume0 = tubes.volume(j, x0)
        for count in range(30):
            f, fx, fp = self._speeds(j, x, stage[:, self.node[j]], shares)
            systems = [
                self.link_system(one, row, size, share, bed)
                for one, share, bed in zip(stage, shares, resist, strict=True)
            ]
            link = np.array([one[0] for one in systems])
            matrix = [one[1] for one in systems]
            scale = p * x ** (p - 1)  # d(x^p)/dx at the stages
            ry = (x**p - x0**p - a @ f) / scale
            rp = a @ link
            for k in range(stages):
                np.add.at(rp[k], node[own], (tubes.volume(j, x[k]) - volume0)[own])
            # menisci: m dx + b dp = -ry, eliminated slot by slot
            m = np.eye(stages) - np.einsum("kl,lj,kj->jkl", a, fx, 1 / scale)
            b = -np.einsum("kl,lj,kj->jkl", a, fp, 1 / scale)
            inverse = np.linalg.inv(m)
            by_p = -inverse @ b
            by_r = -np.einsum("jkl,lj->kj", inverse, ry)
            area = np.array([tubes.area(j, x[k]) for k in range(stages)])
            big = np.zeros((stages, size, stages, size))
            for k in range(stages):
                for i in range(stages):
                    big[k, :, i, :] += a[k, i] * matrix[i]
                    np.add.at(
                        big[k, :, i, :], (node[own], node[own]), (area[k] * by_p[:, k, i])[own]
                    )
                np.add.at(rp[k], node[own], (area[k] * by_r[k])[own])
            dp = np.zeros((stages, size))
            if size:
                full = big.reshape(stages * size, stages * size)
                s = 1 / np.maximum(np.abs(full).max(1), 1e-300)
                dp = -np.linalg.solve(full * s[:, None], s * rp.ravel()).reshape(stages, size)
            slot_dp = np.zeros((stages, len(j)))
            slot_dp[:, own] = dp[:, node[own]]
            dx = by_r + np.einsum("jkl,lj->kj", by_p, slot_dp)
            stage[:, free] += dp
            new = np.clip(x + dx, 0.1 * x, 1.5 * self.length[j])
            small = np.abs(dx) <= 1e-9 * x + 1e-13 * self.length[j]
            x = new
            if not np.isfinite(x).all():
                raise Failed("nan")
            if small.all() and count:
                self.stage_x = x
                return x[-1], stage, np.array([one[2] for one in systems]), a[-1]
        raise Failed("step")
