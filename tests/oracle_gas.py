"""Event-by-event oracle of imbibition with trapped air: Newtonian, straight or waisted tubes.

Gas is without viscosity. It hangs together through dry junctions; what holds no dry vent is a
pocket: p V is kept, p = P0 V_then / V - P0 (Boyle), and p stands against its menisci. A pocket
with a meniscus back at its mouth lets gas go as soon as p is above its threshold: the least, over
such mouths, of the larger of the own tube's hold there and the best way out through full tubes
(each holds the gas by 2 gamma cos(receding) / its narrowest radius above the higher of the
pressures at its ends; a way is as good as its worst tube). Outlets: inlets, wet vents,
and junctions from which an open tube looks into free gas. While gas leaves, p is the threshold,
and p V falls; where it would have to rise the pocket is closed again.

Between events the menisci follow ``oracle_gas_flow``; events end a step exactly. At an event,
pressures and which menisci move are a convex problem for given p; the p of pockets that let gas go
are the greatest fixed point of p = min(p_closed, threshold(P(p))), which is a contraction, as all
that is wet hangs on the inlets. Which of the pockets at their threshold let gas go is said by the
rate of their p V then.

How the rules are read here:
- gas only leaves to where the pressure is less than its own: a way out also takes the pressure of
  the reservoir at an inlet, and 0 at outlets to free air. (Else a narrow and a wide tube of
  one pocket at one junction that has just become wet let gas go for ever, down to below a vacuum:
  the narrow one keeps P_j = p - p_c,narrow, so that the threshold P_j + hold falls as p does.)
- the own tube's hold at its mouth is the suction of its meniscus there, by the receding angle; in a
  waisted tube that takes its slope along (else gas would go at less than what keeps the
  meniscus back at its mouth, and it would pulse for ever);
- a pocket does not leak into another one that looks into the same junction: only outlets count;
- new menisci at a junction that has just become wet stand at their mouths, and count as such;
- a meniscus that passes from one cone of a waisted tube to the other rests at the waist as long as
  neither the advancing one of the second nor the receding one of the first would move.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass, field

import numpy as np
from oracle_gas_flow import P0, START, Failed, Mode, Tubes, share_at, square

TOUCH = 1e-11  # an event has happened when its function is above this
TINY = 1e-12  # of a drive, over the capillary pressure
HELD, ADVANCE, RECEDE, FREE = 0, 1, 2, 3  # FREE: no hysteresis, moves either way


@dataclass
class State:
    """Of the soak at one time. Slot 2 t + e is end e of tube t; SI units."""

    time: float
    x: np.ndarray  # (2 m,) wet length from either end, 0 in full tubes
    full: np.ndarray  # (m,)
    pressure: np.ndarray  # (n,) NaN where dry
    gas_pressure: np.ndarray  # (m,) gauge, NaN where full
    gas_volume: np.ndarray  # (m,)
    pocket: np.ndarray  # (m,) index into pv; -1: full, or its gas is free
    pv: np.ndarray  # (pockets,) (P0 + p) V, J
    bubbling: np.ndarray  # (pockets,) whether gas leaves
    threshold: np.ndarray  # (pockets,) Pa, inf where no meniscus is back at its mouth
    moving: np.ndarray  # (2 m,)


@dataclass
class Course:
    """Result. gas_pv: of all pockets; lost_pv: what left as bubbles so far, J."""

    time: np.ndarray
    uptake: np.ndarray
    gas_pv: np.ndarray
    lost_pv: np.ndarray
    filled_at: np.ndarray
    states: list = field(repr=False)  # at the times ``at`` and at the end
    log: list = field(repr=False)  # (time, what, which)


class Block:
    """The state, and what happens."""

    def __init__(
        self, points, ends, radius, length, inlet, fluid, vents, inlet_pressure, gravity, waist,
        both_ends,
    ):  # fmt: skip
        assert fluid.index == 1 and fluid.yield_stress == 0 and fluid.curve is None
        assert fluid.log_ratio == 0
        points = np.asarray(points, float)
        self.n, self.ends, self.fluid = len(points), np.asarray(ends), fluid
        self.m = m = len(self.ends)
        wide = [np.broadcast_to(np.asarray(a, float), (m,)) for a in (radius, length, waist)]
        span = points[self.ends[:, 1]] - points[self.ends[:, 0]]
        fall = fluid.density * span @ np.asarray(gravity, float)
        slots = [np.repeat(a, 2) for a in wide]
        self.tubes = Tubes(fluid, *slots, np.stack([fall, -fall], 1).ravel())
        self.length, self.bent = slots[1], slots[2] < 1
        self.node, self.tube = self.ends.ravel(), np.repeat(np.arange(m), 2)
        every, first = np.arange(2 * m), np.arange(0, 2 * m, 2)
        self.whole = self.tubes.volume(first, self.length[first], np.ones(m))
        self.link = 1 / self.tubes.resistance(first, self.length[first], np.ones(m))
        hold = 2 * fluid.gamma * np.cos(fluid.theta(-1))
        self.hold = hold / (wide[0] * wide[2])  # of full tubes
        self.own = self.tubes.suction(every, np.zeros(2 * m), -1, 0)  # of a mouth
        self.scale = 2 * fluid.gamma / wide[0].min()
        self.x, self.piece = np.zeros(2 * m), np.zeros(2 * m, int)
        self.at_waist = np.zeros(2 * m, bool)
        self.status = np.full(2 * m, HELD)
        self.full, self.filled_at = np.zeros(m, bool), np.full(m, np.nan)
        self.inlet = np.zeros(self.n, bool)
        self.inlet[np.asarray(inlet)] = True
        self.given = np.zeros(self.n)
        self.given[np.asarray(inlet)] = inlet_pressure
        self.wet = self.inlet.copy()
        self.vent = ~self.inlet
        if vents is not None:
            self.vent[:] = False
            self.vent[np.asarray(vents, int)] = True
        self.both_ends = both_ends
        self.time, self.lost, self.log = 0.0, 0.0, []
        self.p = np.zeros(m)
        self.regroup()

    # ---- gas -------------------------------------------------------------------------------------

    def regroup(self):
        """Pockets of what is dry now; each keeps the pressure that its tubes had."""
        label = np.where(self.full, -1, np.arange(self.m))
        free = np.zeros(self.m, bool)
        for junction in np.flatnonzero(~self.wet):
            joined = np.unique(label[(self.ends == junction).any(1)])
            where = np.isin(label, joined)
            label[where] = joined.min(initial=self.m)
            free[where] |= self.vent[junction] | free[where].any()
        label[free] = -1
        kept, self.label = np.unique(label, return_inverse=True)
        self.label -= int(kept[0] == -1)
        self.count = self.label.max(initial=-1) + 1
        self.free = free & ~self.full
        volume = self.volumes(self.x)
        p = np.zeros(self.count)
        inside = self.label >= 0
        p[self.label[inside]] = self.p[inside]
        self.pv = (P0 + p) * volume
        self.leak = {}  # pocket: (junction, hold) that its pressure follows

    def gas(self, x):
        """(m,) m3."""
        v = self.tubes.volume(np.arange(2 * self.m), x, self.piece)
        return np.where(self.full, 0.0, self.whole - v[0::2] - v[1::2])

    def volumes(self, x):
        """(pockets,) m3."""
        inside = self.label >= 0
        return np.bincount(self.label[inside], self.gas(x)[inside], self.count)

    @property
    def slots(self):
        """(2 m,) where a meniscus stands."""
        return self.wet[self.node] & ~self.full[self.tube]

    def ways(self, pressure):
        """Of every junction: least pressure at which gas finds out, and the (junction, hold).

        (-1, 0): the free air's.
        """
        air = self.wet & self.vent
        air[self.node[self.slots & self.free[self.tube]]] = True
        best, by = np.full(self.n, np.inf), [(-1, 0.0)] * self.n
        best[self.inlet] = self.given[self.inlet]
        for i in np.flatnonzero(self.inlet):
            by[i] = (int(i), 0.0)
        for i in np.flatnonzero(air & (best > 0)):
            best[i], by[i] = 0.0, (-1, 0.0)
        queue = [(best[i], int(i)) for i in np.flatnonzero(best < np.inf)]
        heapq.heapify(queue)
        full = [(t, *self.ends[t]) for t in np.flatnonzero(self.full)]
        while queue:
            value, k = heapq.heappop(queue)
            if value > best[k]:
                continue
            for t, a, b in full:
                if k not in (a, b):
                    continue
                i = int(a + b - k)
                at = k if self.both_ends and pressure[k] > pressure[i] else i
                enters = pressure[at] + self.hold[t]
                if max(enters, value) < best[i]:
                    best[i] = max(enters, value)
                    by[i] = (at, self.hold[t]) if enters >= value else by[k]
                    heapq.heappush(queue, (best[i], i))
        return best, by

    def thresholds(self, pressure, resting=None):
        """(pockets,) Pa and, for each pocket, the (junction, hold) that it comes from."""
        found, by = np.full(self.count, np.inf), [(-1, 0.0)] * self.count
        back = self.slots & (self.x == 0) & (self.label[self.tube] >= 0)
        if resting is not None:
            back &= resting
        if not back.any():
            return found, by
        best, via = self.ways(pressure)
        for slot in np.flatnonzero(back):
            i, k = self.node[slot], self.label[self.tube[slot]]
            out = pressure[i] + self.own[slot]
            if max(out, best[i]) < found[k]:
                found[k] = max(out, best[i])
                held = out >= best[i] - TINY * self.scale
                by[k] = (int(i), float(self.own[slot])) if held else via[i]
        return found, by

    # ---- pressures -------------------------------------------------------------------------------

    def extra(self, j, x, mode, piece):
        return self.tubes.suction(j, x, mode, piece) + self.tubes.fall[j] * x / self.length[j]

    def drives(self, x, gas):
        """(ahead, back) of every slot but for the junction's pressure; gas: (pockets,)."""
        j = np.arange(2 * self.m)
        p = np.append(gas, 0.0)[self.label[self.tube]]
        ahead = self.extra(j, x, 1, np.where(self.at_waist, 1, self.piece)) - p
        return ahead, self.extra(j, x, -1, np.where(self.at_waist, 0, self.piece)) - p

    def conductance(self, j, x, piece):
        least = np.maximum(np.abs(x), START * self.length[j])
        return 1 / self.tubes.resistance(j, least, piece)

    def links(self):
        """Rows of the junctions, and K, k: K P + k is what the full tubes take from each."""
        free = np.flatnonzero(self.wet & ~self.inlet)
        row = np.full(self.n, -1)
        row[free] = np.arange(len(free))
        matrix, right = np.zeros((len(free),) * 2), np.zeros(len(free))
        for t in np.flatnonzero(self.full):
            a, b = self.ends[t]
            for i, k, fall in ((a, b, self.tubes.fall[2 * t]), (b, a, -self.tubes.fall[2 * t])):
                if row[i] >= 0:
                    matrix[row[i], row[i]] += self.link[t]
                    right[row[i]] += self.link[t] * fall
                    if row[k] >= 0:
                        matrix[row[i], row[k]] -= self.link[t]
                    else:
                        right[row[i]] -= self.link[t] * self.given[k]
        return row, free, matrix, right

    def balance(self, gas, guess):
        """Pressures (n,) with menisci choosing whether to move: least of a convex function."""
        row, free, matrix, right = self.links()
        pressure = np.where(self.wet, self.given, np.nan)
        j = np.flatnonzero(self.slots & (row[self.node] >= 0))
        k = row[self.node[j]]
        ahead, back = (d[j] for d in self.drives(self.x, gas))
        g, empty = self.conductance(j, self.x[j], self.piece[j]), self.x[j] == 0
        # pressures from where the most eager slot would rest: conductances at mouths are so large
        level = np.full(len(free), -np.inf)
        np.maximum.at(level, k, ahead)
        level = np.where(np.isinf(level), 0.0, -level)
        ahead, back = ahead + level[k], back + level[k]
        right = right + matrix @ level

        def slope(p):
            drive = np.where(p[k] + ahead > 0, p[k] + ahead, 0.0)
            drive += np.where((p[k] + back < 0) & ~empty, p[k] + back, 0.0)
            own = np.bincount(k, g * (drive != 0), len(free))
            return matrix @ p + right + np.bincount(k, g * drive, len(free)), own

        p = np.where(np.isnan(guess), self.given, guess)[free] - level
        if len(free) == 0:
            return pressure
        value, own = slope(p)
        for _ in range(300):
            step = -np.linalg.solve(matrix + np.diag(own), value)
            low, high, share = 0.0, np.inf, 1.0
            for _ in range(60):
                value, after = slope(p + share * step)
                if (after == own).all() and share == 1.0:
                    break
                now = value @ step
                low, high = (low, share) if now > 0 else (share, high)
                if np.isinf(high):
                    break
                share = 0.5 * (low + high)
            else:
                share = high  # just beyond a bend
            p, before = p + share * step, own
            value, own = slope(p)
            if (before == own).all() and share == 1.0 or np.abs(step).max() < 1e-13 * self.scale:
                pressure[free] = p + level
                return pressure
        raise RuntimeError(f"no balance at t = {self.time:g} s")

    def fixed_point(self, closed, guess):
        """(P, gas, thresholds): every pocket at the lesser of its pressure and its threshold."""
        gas, near = closed.copy(), 0.2 * TINY * self.scale

        def look(gas):
            pressure = self.balance(gas, guess)
            limit, by = self.thresholds(pressure)
            return pressure, limit, by, np.minimum(closed, limit)

        pressure, limit, by, target = look(gas)
        for turn in range(2000):
            gap = np.abs(target - gas).max(initial=0.0)
            if gap <= near:
                return pressure, gas, limit
            # what moves and where gas goes being so, the answer is that of a linear system
            ahead, back = (d + pressure[self.node] for d in self.drives(self.x, gas))
            go = self.slots & ((ahead > 0) | ((back < 0) & (self.x > 0)))
            leak = {k: by[k] for k in np.flatnonzero(limit < closed)}
            mode = Mode(self, np.flatnonzero(go), np.where(ahead > 0, 1, -1), leak, closed)
            trial = np.clip(mode.at(self.x[mode.j]).gas, min(0.0, self.given.min()), closed)
            found = look(trial)
            on = np.abs(found[-1] - trial).max() <= near
            # from above every pocket comes down to it, as thresholds rise with pressures of gas
            if on or turn % 3 and ((trial <= gas).all() and (found[-1] <= trial + near).all()):
                gas, (pressure, limit, by, target) = trial, found
            else:
                gas = target
                pressure, limit, by, target = look(gas)
        raise RuntimeError(f"no gas pressures at t = {self.time:g} s")

    def settle(self):
        """Which menisci move, and which pockets let gas go."""
        self.x = np.maximum(self.x, 0.0)
        volume = self.volumes(self.x)
        closed = self.pv / volume - P0
        guess = np.where(self.wet, getattr(self, "pressure", np.full(self.n, np.nan)), np.nan)
        pressure, gas, limit = self.fixed_point(closed, guess)
        after = np.minimum(self.pv, (P0 + gas) * volume)
        for k in np.flatnonzero(after < self.pv * (1 - 1e-10)):
            self.note("bubble", k)
        self.lost += (self.pv - after).sum()
        self.pv = after
        ahead, back = (d + pressure[self.node] for d in self.drives(self.x, gas))
        tiny, live, was = TINY * self.scale, self.slots, self.status
        ahead, back = np.where(live, ahead, 0.0), np.where(live, back, 0.0)
        go = live & ((ahead > tiny) | (np.isin(was, (ADVANCE, FREE)) & (ahead >= -tiny)))
        away = live & ~go & (self.x > 0)
        away &= (back < -tiny) | (np.isin(was, (RECEDE, FREE)) & (back <= tiny))
        marginal = live & (np.abs(ahead) <= tiny) & (self.x == 0)
        _, by = self.thresholds(pressure)
        leak = {k: by[k] for k in range(self.count) if limit[k] <= gas[k] + tiny}
        for k, way in leak.items():  # what lets gas go by its own hold stays
            here = (self.label[self.tube] == k) & (self.node == way[0]) & (self.own == way[1])
            go &= ~(marginal & here)
        while True:
            moving = np.flatnonzero(go | away)
            self.mode = Mode(self, moving, np.where(away, -1, 1), leak, gas)
            now = self.mode.at(self.x[moving], slopes=True)
            rate = {k: self.mode.rate(now, k) for k in leak}
            worst = max(rate, key=rate.get, default=None)
            if worst is None or rate[worst] <= 0:
                break
            del leak[worst]  # the gas would have to come back: closed, its mouth may let go
            go |= marginal & (self.label[self.tube] == worst)
        for k in leak:
            if k not in self.leak:
                self.note("leaks", k)
        self.piece[go & self.at_waist], self.piece[away & self.at_waist] = 1, 0
        self.at_waist[go | away] = False
        self.status = np.full(2 * self.m, HELD)
        self.status[go] = ADVANCE if self.fluid.hysteresis else FREE
        self.status[away] = RECEDE if self.fluid.hysteresis else FREE
        self.leak, self.pressure = leak, now.pressure
        self.p = np.where(self.label >= 0, np.append(now.gas, 0.0)[self.label], 0.0)

    # ---- events ----------------------------------------------------------------------------------

    def note(self, what, index):
        self.log.append((self.time, what, int(index)))

    def fill(self, tube):
        self.full[tube], self.filled_at[tube] = True, self.time
        self.x[2 * tube : 2 * tube + 2] = 0.0
        self.note("fill", tube)
        self.wet[self.ends[tube]] = True
        left, was = self.pv.sum(), self.label >= 0
        self.regroup()
        kept = np.unique(self.label[was & (self.label >= 0)])
        self.lost += left - self.pv[kept].sum()  # rounding, or the last of what bubbled away

    def signs(self, mode, z, now):
        """Event functions: below 0 before, above 0 after. (name, index, value) each."""
        j, x = mode.j, now.x
        xi = share_at(z)
        ahead, back = (d + now.pressure[self.node] for d in self.drives(x, now.gas))
        ahead, back = ahead / self.scale, back / self.scale
        held = self.slots & (self.status == HELD)
        far = ~self.wet[self.node[j ^ 1]]
        out = [("arrive", j[far], xi[far] - 1), ("mouth", j, -1e6 * z)]  # so that xi is 0 to 1e-11
        bent = self.bent[j]
        half = np.where(self.piece[j] == 0, 1.0, -1.0) * (2 * xi - 1)
        out.append(("waist", j[bent], half[bent]))
        i = np.flatnonzero(held)
        out.append(("release", i, ahead[i]))
        i = np.flatnonzero(held & (self.x > 0))
        out.append(("withdraw", i, -back[i]))
        i = np.flatnonzero(self.status == ADVANCE)
        out.append(("stop", i, -ahead[i]))
        i = np.flatnonzero(self.status == RECEDE)
        out.append(("stop", i, back[i]))
        limit, _ = self.thresholds(now.pressure, self.status == HELD)
        k = np.array([k for k in range(self.count) if k not in self.leak], int)
        out.append(("leak", k, (now.gas - limit)[k] / self.scale))
        for k in self.leak:
            out.append(("close", [k], np.array([mode.rate(now, k)])))
            out.append(("way", [k], np.abs(now.gas[[k]] - limit[[k]]) / self.scale))
            t = np.flatnonzero((self.label == k) & self.wet[self.ends].all(1))
            out.append(("meet", t, (x[2 * t] + x[2 * t + 1]) / self.length[2 * t] - 1))
        return out

    def happen(self, signs):
        """Carry out what has happened; True when there was anything."""
        due = [(what, i) for what, k, g in signs for i, v in zip(k, g, strict=True) if v > TOUCH]
        for what, i in due:
            if what == "arrive" and not self.full[self.tube[i]]:
                self.fill(self.tube[i])
            elif what == "meet" and not self.full[i]:
                self.fill(i)
            elif what == "mouth" and not self.full[self.tube[i]]:
                self.x[i], self.status[i] = 0.0, HELD
            elif what == "waist" and not self.full[self.tube[i]]:
                self.x[i], self.at_waist[i] = self.length[i] / 2, True
                self.status[i] = HELD
            elif what == "stop":
                self.status[i] = HELD
            elif what in ("release", "withdraw"):
                way = ADVANCE if what == "release" else RECEDE
                self.status[i] = way if self.fluid.hysteresis else FREE
            if what in ("mouth", "stop", "release", "withdraw"):
                self.note(what, i)
        return bool(due)

    # ---- the march -------------------------------------------------------------------------------

    def state(self):
        limit, _ = self.thresholds(self.pressure, self.status == HELD)
        leaks = np.isin(np.arange(self.count), list(self.leak))
        return State(
            self.time, np.where(self.slots, self.x, 0.0), self.full.copy(),
            np.where(self.wet, self.pressure, np.nan), np.where(self.full, np.nan, self.p),
            self.gas(self.x), self.label.copy(), self.pv.copy(), leaks, limit, self.status != HELD,
        )  # fmt: skip

    def row(self):
        return self.time, (self.whole - self.gas(self.x)).sum(), self.pv.sum(), self.lost

    def take(self, now, h):
        """What a step has led to."""
        self.x, self.pressure, self.time = now.x, now.pressure, self.time + h
        self.p = np.where(self.label >= 0, np.append(now.gas, 0.0)[self.label], 0.0)
        for k in self.leak:
            left = min(self.pv[k], (P0 + now.gas[k]) * now.volume[k])
            self.lost += self.pv[k] - left
            self.pv[k] = left

    def march(self, until, tolerance, at):
        """(rows of time, uptake, pV, lost; states)."""
        stops = sorted({t for t in at if t < until})
        self.settle()
        rows, states, h, still = [self.row()], [], np.inf, 0
        while True:
            while stops and self.time >= stops[0]:
                states.append(self.state())
                stops.pop(0)
            mode = self.mode
            here = mode.at(self.x[mode.j], slopes=True)
            z = square(self.x[mode.j] / self.length[mode.j])
            if self.happen(self.signs(mode, z, here)):
                self.settle()
                rows.append(self.row())
                still += 1
                if still > 100:
                    raise RuntimeError(f"events without end at t = {self.time:g} s")
                continue
            stop = min([until, *stops[:1]])
            if mode.rests(here):
                if not np.isfinite(stop):
                    break
                self.time = stop
                rows.append(self.row())
            if self.time >= until:
                break
            if self.time >= stop:
                continue
            began, last = self.time, h
            h = min(h, 0.01 / max(np.abs(here.f).max(), 1e-300)) if still or not began else h
            h, happened, grow = self.advance(mode, z, here, min(h, stop - began), tolerance, stop)
            if happened:
                self.settle()
                h = max(h, 0.1 * min(last, grow * h))
            else:
                h *= grow
            still = still + 1 if self.time <= began * (1 + 1e-14) else int(happened)
            rows.append(self.row())
        states.append(self.state())
        return np.array(rows), states

    def advance(self, mode, z, here, h, tolerance, stop):
        """A step, shortened to the first event in it: (h, happened, growth)."""
        low, high, under, over, ends, fast = 0.0, np.inf, None, None, h, False
        for turn in range(200):
            try:
                end, error = mode.step(z, here, h)
                now = mode.at(share_at(end) * self.length[mode.j], slopes=bool(self.leak))
                signs = self.signs(mode, end, now)
            except (Failed, np.linalg.LinAlgError):
                if h < 1e-15 * self.time:
                    raise RuntimeError(f"no step at t = {self.time:g} s") from None
                fast = low > 0  # then as far as is known to be good
                h = low if fast else 0.3 * h
                continue
            if error > tolerance and h > 1e-13 * self.time:
                h *= max(0.2, 0.9 * (tolerance / error) ** 0.25)
                low, high, under, over, ends = 0.0, np.inf, None, None, h
                continue
            worst = max((g.max(initial=-1.0) for _, _, g in signs), default=-1.0) - 2 * TOUCH
            if worst <= 0 and (fast or np.isinf(high)):
                break
            if worst <= 0:
                low, under = h, worst
            else:
                high, over = h, worst
                if worst <= TOUCH or high - low <= 1e-15 * (self.time + h):
                    break
            if under is None or turn % 3 == 2:
                h = 0.5 * (low + high) if turn % 3 else low + 0.9 * (high - low)
            else:
                h = low + (high - low) * min(max(under / (under - over), 0.001), 0.999)
                h += 0.5 * TOUCH / (over - under) * (high - low)
        else:
            raise RuntimeError(f"no event found at t = {self.time:g} s")
        self.take(now, h)
        if h == ends and abs(stop - self.time) < 1e-14 * stop:
            self.time = stop
        return h, self.happen(signs), min(4.0, 0.9 * (tolerance / max(error, 1e-300)) ** 0.25)


def soak(
    points,
    ends,
    radius,
    length,
    inlet,
    fluid,
    until=np.inf,
    vents=None,
    inlet_pressure=0.0,
    gravity=(0, 0, 0),
    waist=1.0,
    tolerance=1e-7,
    at=(),
    both_ends=True,
):
    """March to time ``until`` or until nothing moves; returns a Course.

    tolerance: error of a step in a meniscus over its tube's length, as a lower order sees it.
    vents: junctions that stand in free air while dry (default: all that are no inlets).
    inlet_pressure: Pa, one or one each. at: times of which states are kept.
    both_ends: a tube of a way holds gas by the higher of the pressures at its ends; else by that
    where the gas enters, which lets gas go against the pressure beyond (to see what that changes).
    """
    block = Block(
        points, ends, radius, length, inlet, fluid, vents, inlet_pressure, gravity, waist,
        both_ends,
    )  # fmt: skip
    rows, states = block.march(until, tolerance, at)
    return Course(*rows.T, block.filled_at, states, block.log)
