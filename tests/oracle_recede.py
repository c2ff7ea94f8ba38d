"""The general oracle once the solid is lifted out of its liquid: what is in it goes on moving.

Lifted, inlets are junctions like any other: their flows balance. Air, at gauge pressure 0, comes in
by junctions on the outside, and by those where a meniscus is back at its mouth. There full tubes
open: the receding meniscus starts at that end and leaves. A junction is wet while a full tube or a
meniscus reaches it. Menisci advance by the advancing angle, recede by the receding one, and rest
between: what a slot lets pass is a rising function of the junction's pressure, so the pressures of
all junctions are the least of a convex function (found by Newton's method with a line search), and
they say which menisci move and which way.

A cluster (junctions joined by full tubes) without reservoir is at rest at any level H = P - head
between the highest at which a meniscus recedes and the lowest at which one advances; if there is
none, it moves. Its liquid is kept: what a meniscus needs to start (``start`` of its tube) or what
an event misses by is taken from another one of its cluster.

Not here: grains, bodies, angles that depend on the speed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from oracle_general import ADVANCE, FREE, GONE, HELD, RECEDE, TIGHT, Failed, Network
from oracle_tubes import shear
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

#: Event functions that may be 0 at the start of a step.
MAY_START_AT_0 = ("stop", "turn")
TINY = 1e-12  # of a drive, over the capillary pressure
STILL = 1e-10  # levels of a cluster at rest may miss one another by this, likewise
FED = 1e-10  # a drive towards air that feeds it, likewise
TOUCH = 0.1 * TIGHT  # an event has happened beyond this


@dataclass
class State:
    """Of the soak at one time. Slot 2 t + e is end e of tube t; SI units."""

    time: float
    x: np.ndarray  # (2 m,) wet length from either end, 0 in full tubes
    full: np.ndarray  # (m,)
    volume: np.ndarray  # (m,)
    pressure: np.ndarray  # (n,) NaN: dry, or no one pressure (a cluster held at rest)
    dry: np.ndarray  # (n,)


class Lifted(Network):
    """A network whose liquid may withdraw."""

    @classmethod
    def of(cls, net, exposed):
        """The same state, as a network that may be lifted; exposed: junctions (default inlets)."""
        assert net.grains is None and not net.body.any() and net.fluid.log_ratio == 0
        new = object.__new__(cls)
        new.__dict__.update(net.__dict__)
        new.dry = np.isnan(net.wetted_at)
        new.reservoir = np.flatnonzero(net.inlet)
        new.outside = net.inlet.copy()
        if exposed is not None:
            new.outside[:] = False
            new.outside[np.asarray(exposed, int)] = True
        new.scale = 2 * net.fluid.gamma / net.tubes.radius.min()
        new.other = np.arange(2 * net.m) ^ 1
        new.rest, new.sure = np.zeros(net.n, bool), np.ones(net.n, bool)
        new.level = np.zeros(net.n)
        new.debts, new.owed = [], 0.0
        new.refused = np.zeros(2 * net.m, bool)
        new.log = []
        return new

    # ---- what stands where -----------------------------------------------------------------------

    def known(self):
        return np.where(self.dry, np.nan, np.where(self.rest, self.level, self.given))

    def rows(self):
        row = np.full(self.n, -1)
        free = np.flatnonzero(~self.dry & ~self.fixed & ~self.rest)
        row[free] = np.arange(len(free))
        return row, free

    @property
    def wet_slots(self):
        return self.status != GONE

    @property
    def empty(self):
        """(2 m,) slots with no liquid but what they would start with."""
        return self.wet_slots & (self.x <= self.mouth * (1 + 1e-6))

    def air(self):
        """(n,) wet junctions where air stands."""
        air = self.outside & ~self.fixed
        air[self.node[self.empty & (self.status == HELD)]] = True
        return air & ~self.dry

    def clusters(self):
        """(n,) labels of what hangs together by full tubes."""
        a, b = self.ends[self.full].T
        graph = coo_matrix((np.ones(len(a)), (a, b)), (self.n, self.n))
        return connected_components(graph, directed=False)[1]

    def volumes(self):
        """(m,) m3 in each tube."""
        return self.wet_volume()

    def state(self, pressure):
        p = np.where(self.sure & ~self.dry, pressure, np.nan)
        x = np.where(self.wet_slots, self.x, 0.0)
        return State(self.time, x, self.full.copy(), self.volumes(), p, self.dry.copy())

    # ---- what happens ----------------------------------------------------------------------------

    def note(self, what, index):
        self.log.append((self.time, what, int(index)))

    def lift(self):
        self.fixed[:] = self.inlet[:] = False
        self.note("lift", -1)

    def dip(self):
        self.fixed[self.reservoir] = self.inlet[self.reservoir] = True
        self.rest[self.reservoir] = False
        self.note("dip", -1)
        for junction in self.reservoir:
            self.wet(junction)

    def wet(self, junction):
        if not self.dry[junction]:
            return
        self.dry[junction] = False
        if np.isnan(self.wetted_at[junction]):
            self.wetted_at[junction] = self.time
        slots = np.flatnonzero((self.node == junction) & ~self.full[self.tube])
        self.x[slots], self.status[slots] = self.mouth[slots], HELD
        self.piece[slots], self.at_waist[slots] = 0, False
        self.debts.append((junction, -self.tubes.volume(slots, self.mouth[slots]).sum()))
        self.note("wet", junction)

    def fill(self, tube):
        pair = np.array([2 * tube, 2 * tube + 1])
        held = self.tubes.volume(pair, self.x[pair])[self.wet_slots[pair]].sum()
        whole = self.tubes.volume(pair[:1], self.length[pair[:1]])[0]
        self.full[tube] = True
        if np.isnan(self.filled_at[tube]):
            self.filled_at[tube] = self.time
        self.status[pair], self.x[pair] = GONE, 0.0
        self.note("fill", tube)
        for junction in self.ends[tube]:
            self.wet(junction)
        self.debts.append((self.ends[tube, 0], held - whole))

    def open(self, slot):
        """A full tube at that end: its liquid now ends there and may withdraw."""
        tube, far = slot // 2, self.other[slot]
        self.full[tube] = False
        self.status[[slot, far]] = HELD
        self.at_waist[[slot, far]] = False
        self.x[slot], self.x[far] = self.mouth[slot], self.length[far] - self.mouth[slot]
        self.piece[slot], self.piece[far] = 0, 1
        self.note("open", slot)
        self.dry_out(self.node[far])

    def dry_out(self, heir):
        """Junctions that no liquid reaches; what their tubes would start with goes to another."""
        reached = np.zeros(self.n, bool)
        reached[self.ends[self.full].ravel()] = True
        reached[self.node[self.wet_slots & ~self.empty]] = True
        for junction in np.flatnonzero(~self.dry & ~self.fixed & ~reached):
            slots = np.flatnonzero((self.node == junction) & self.wet_slots)
            self.debts.append((heir, self.tubes.volume(slots, self.x[slots]).sum()))
            self.status[slots], self.x[slots] = GONE, 0.0
            self.dry[junction] = True
            self.note("dry", junction)

    def set_x(self, slot, x):
        """Put a meniscus where it belongs, a hair away."""
        at = np.array([slot])
        before, after = self.tubes.volume(at, self.x[at]), self.tubes.volume(at, np.array([x]))
        self.x[slot] = x
        self.debts.append((self.node[slot], (before - after)[0]))

    def pay(self, label):
        """Add the volumes that are due to menisci of the same clusters."""
        fed = np.isin(label, label[self.fixed])
        margin = 100 * self.mouth
        apart = np.abs(self.x - self.length / 2) > margin
        free = self.wet_slots & (self.x > margin) & (self.x < self.length - margin)
        free &= apart | ~self.bent
        for junction, volume in self.debts:
            if junction is None:
                self.owed += volume
                continue
            if fed[junction]:
                continue  # a reservoir makes up for it
            slots = np.flatnonzero(free & (label[self.node] == label[junction]))
            if self.dry[junction] or len(slots) == 0:
                self.owed += volume
                continue
            area = self.tubes.area(slots, self.x[slots])
            best = np.argmax(area * self.length[slots])
            self.x[slots[best]] += volume / area[best]
        self.debts.clear()

    # ---- pressures -------------------------------------------------------------------------------

    def balance(self, guess):
        """Pressures (n,) at which flows balance, menisci choosing whether and which way to move."""
        row, free = self.rows()
        pressure = self.known()
        hint = np.where(np.isnan(guess), self.head, guess)
        pressure[free] = hint[free]
        j = np.flatnonzero(self.wet_slots & (row[self.node] >= 0))
        k, at_mouth = row[self.node[j]], self.empty[j]
        ahead0, back0 = (d[j] for d in drives(self, np.zeros(self.n)))
        if len(free) == 0:
            return pressure

        def residual(p):
            right, matrix, _ = self.link_system(p, row, len(free))
            ahead, back = p[self.node[j]] + ahead0, p[self.node[j]] + back0
            drive = np.where(ahead > 0, ahead, np.where((back < 0) & ~at_mouth, back, 0.0))
            flow, slope = self.through(j, drive)
            np.add.at(right, k, np.where(drive == 0, 0.0, flow))
            np.add.at(matrix, (k, k), np.where(drive == 0, 1e-13 * slope, slope))
            return right, matrix

        right, matrix = residual(pressure)
        done = 0
        for turn in range(500):
            diag = np.diag(matrix)
            matrix = matrix + np.diag(1e-14 * diag + 1e-12 * diag.max() * (diag <= 0) + 1e-300)
            s = 1 / np.sqrt(np.diag(matrix))
            step = -s * np.linalg.solve(matrix * np.outer(s, s), s * right)
            # no further than ten capillary pressures at once
            step *= min(1.0, 10 * self.scale / max(np.abs(step).max(), 1e-300))
            steep = right @ step
            low, high, share = 0.0, np.inf, 1.0
            for _ in range(50):
                trial = pressure.copy()
                trial[free] += share * step
                right, matrix = residual(trial)
                now = right @ step
                if now > 0.1 * abs(steep):
                    high = share
                elif now < 0.9 * steep or (now < 0.5 * steep and share < 1):
                    low = share  # slopes from differences may be far too steep
                else:
                    break
                next_share = 4 * share if np.isinf(high) else 0.5 * (low + high)
                reach = next_share * np.abs(step).max() / self.scale
                if reach < 1e-14 or reach > 10:
                    break
                share = next_share
            pressure = trial
            # slopes of creep are poor: then nearer is not to be had
            close = 1e-12 if turn < 60 else 1e-10
            done = done + 1 if np.abs(share * step).max() < close * self.scale else 0
            if done == 2:
                return pressure
        raise Failed("balance")

    def through(self, j, drive):
        """(flow, slope) of slots; the slope of a yielding liquid in straight tubes is exact.

        Next to its mouth a liquid yields at a drive less than a step of differences.
        """
        flow, slope = self.tubes.flow(j, self.x[j], drive)
        fluid = self.fluid
        if fluid.yield_stress > 0:
            wall = self.tubes.radius[j] / (2 * self.x[j])
            stress, cube = np.abs(drive) * wall, np.pi * self.tubes.radius[j] ** 3
            creep = shear(fluid, np.zeros(1) + 1e-3 * fluid.yield_stress)[0]
            creep /= 1e-3 * fluid.yield_stress
            rate = np.maximum((stress - fluid.yield_stress) / fluid.consistency, 0)
            rate = rate ** (1 / fluid.index)
            s = np.abs(flow) / cube - creep * stress
            exact = np.where(rate > 0, (rate - 3 * s) / np.maximum(stress, 1e-60), 0) + creep
            slope = np.where(self.bent[j], slope, cube * wall * exact)
        return flow, slope

    def opening(self, pressure, x=None):
        """(slots, value): ends of full tubes where air stands; above 0 where they should open."""
        air = self.air()
        slot = np.flatnonzero(self.full[self.tube] & air[self.node] & ~self.rest[self.node])
        return slot, self.wants(slot, pressure)

    def wants(self, slot, pressure):
        """Above 0 where an end with air should open: nothing holds it, feeds it or follows."""
        far = self.other[slot]
        held = self.tubes.suction(far, self.length[far], -1, 1)
        here, there = pressure[self.node[slot]], pressure[self.node[far]]
        outward = here - there + self.tubes.fall[slot]
        holds = np.maximum(held, self.follows(slot))
        value = np.minimum(-(here + holds), 1e6 * (outward + FED * self.scale))
        if self.fluid.yield_stress > 0:
            pull = -(there + held + self.tubes.fall[far])
            value = np.minimum(value, pull - self.yields_at(far))
        return value / self.scale

    def follows(self, slot):
        """Suction of a meniscus that would start at that end."""
        return self.tubes.suction(slot, np.zeros(len(slot)), 1, 0)

    def opened(self, slot, pressure):
        """A copy with that full tube open, and its pressures."""
        trial = object.__new__(Lifted)
        for name, value in vars(self).items():
            trial.__dict__[name] = value.copy() if isinstance(value, np.ndarray | list) else value
        trial.open(slot)
        trial.debts.clear()
        trial._rests(trial.clusters(), pressure)
        return trial, trial.balance(pressure)

    def stands(self, slot, level):
        """Whether a full tube in a cluster otherwise at rest at that level would not let go."""
        if self.fluid.yield_stress == 0:
            return False
        far = np.array([self.other[slot]])
        held = self.tubes.suction(far, self.length[far], -1, 1)
        _, p = self.opened(slot, level)
        pull = -(p[self.node[far]] + held + self.tubes.fall[far])
        return bool(pull <= self.yields_at(far))

    def yields_at(self, slot):
        """Drive (Pa) below which the liquid of a whole tube stands: integral of 2 ty / r."""
        r0, bent = self.tubes.radius[slot], self.bent[slot]
        slope = np.where(bent, self.tubes.slope[slot], 1.0)
        cones = 2 * np.log(1 / self.tubes.waist[slot]) / slope
        return 2 * self.fluid.yield_stress * np.where(bent, cones, self.length[slot] / r0)

    def levels(self, label):
        """(R, A, slot of R): levels P - head, of each cluster, above which nothing recedes, and
        below which nothing advances; R by full tubes that would open in the third and fourth."""
        count = label.max() + 1
        ahead, back = drives(self, np.zeros(self.n))
        j = np.flatnonzero(self.wet_slots)
        lower = np.full(count, np.inf)
        np.minimum.at(lower, label[self.node[j]], (-ahead - self.head[self.node])[j])
        j = np.flatnonzero(self.wet_slots & ~self.empty)
        upper = np.full(count, -np.inf)
        np.maximum.at(upper, label[self.node[j]], (-back - self.head[self.node])[j])
        air = self.air()
        slots = np.flatnonzero(self.full[self.tube] & air[self.node] & ~self.refused)
        far = self.other[slots]
        holds = np.maximum(self.tubes.suction(far, self.length[far], -1, 1), self.follows(slots))
        at = -holds - self.head[self.node[slots]]
        best, which = np.full(count, -np.inf), np.full(count, -1)
        for slot, value in zip(slots, at, strict=True):
            c = label[self.node[slot]]
            if value > best[c]:
                best[c], which[c] = value, slot
        return upper, lower, best, which

    def settle(self, guess):
        """Open what opens, find what rests, and how the rest moves: pressures (n,)."""
        self.refused[:] = False
        forward = ADVANCE if self.fluid.hysteresis else FREE
        backward = RECEDE if self.fluid.hysteresis else FREE
        was = self.status.copy()
        for _ in range(50 + 4 * self.m):
            near = self.wet_slots & self.bent
            near &= np.abs(self.x - self.length / 2) <= 10 * TIGHT * self.length
            for slot in np.flatnonzero(near & (self.x != self.length / 2)):
                self.set_x(slot, self.length[slot] / 2)
            self.at_waist[near] = True
            self.dry_out(None)
            label = self.clusters()
            self.pay(label)
            if self._rests(label, guess):
                continue
            pressure = self.balance(guess)
            slot, value = self.opening(pressure)
            eager = (value > 10 * TINY) & ~self.refused[slot]
            if eager.any():
                held = self.tubes.suction(self.other[slot], self.length[slot], -1, 1)
                holds = np.maximum(held, self.follows(slot))
                by = np.where(eager, -(pressure[self.node[slot]] + holds), -np.inf)
                self.open(slot[np.argmax(by)])
                continue
            break
        else:
            raise RuntimeError(f"what moves could not be decided at t = {self.time:g} s")
        ahead, back = drives(self, pressure)
        live = self.wet_slots & ~self.rest[self.node]
        go, away = live & (ahead > 0), live & (back < 0) & ~self.empty  # as in balance
        # what was let go, or went, may take less than pressures can tell
        tiny = TINY * self.scale
        go |= live & np.isin(was, (ADVANCE, FREE)) & (ahead > -tiny) & ~away
        away |= live & np.isin(was, (RECEDE, FREE)) & (back < tiny) & ~go & ~self.empty
        self.status[self.wet_slots] = HELD
        self.piece[go & self.at_waist], self.piece[away & self.at_waist] = 1, 0
        self.status[go], self.status[away] = forward, backward
        self.at_waist[go | away] = False
        return self.instant(pressure)

    def _rests(self, label, guess):
        """Mark what rests, at its level; True when a full tube had to open for something to go."""
        upper, lower, best, which = self.levels(label)
        fed = np.zeros(len(upper), bool)
        fed[label[self.fixed]] = True
        still = STILL * self.scale
        top = np.maximum(upper, best)
        rests = ~fed & (top <= lower + still)
        blocked = ~fed & ~rests & (upper <= lower + still)
        wet = ~self.dry
        for c in np.unique(label[wet & blocked[label]]):
            if self.stands(which[c], np.where(self.dry, np.nan, best[c] + self.head)):
                self.refused[which[c]] = True
            else:
                self.open(which[c])
            return True
        self.rest = wet & rests[label]
        self.sure = ~self.rest
        for c in np.unique(label[self.rest]):
            own = np.flatnonzero(self.rest & (label == c))
            before = (guess - self.head)[own]
            level = np.nanmean(before) if not np.isnan(before).all() else 0.0
            high, low = lower[c], top[c]
            level = 0.5 * (low + high) if low >= high else min(max(level, low), high)
            self.level[own] = level + self.head[own]
            self.sure[own] = high - low <= 100 * still
        return False

    # ---- the march -------------------------------------------------------------------------------

    def signs(self, pressure, x):
        """Event functions: below 0 before, above 0 after. name -> (index, value)."""
        tubes, j, length = self.tubes, np.arange(2 * self.m), self.length
        scale = 2 * self.fluid.gamma / tubes.radius
        ahead, back = drives(self, pressure, x)
        live = ~self.rest[self.node]
        moving, held = self.status >= ADVANCE, (self.status == HELD) & live
        open_ = ~self.full & (moving[0::2] | moving[1::2])
        gap = (x[0::2] + x[1::2]) / length[0::2] - 1
        half = np.where(self.piece == 0, 1.0, -1.0) * (2 * x / length - 1)
        out = {
            "meet": (np.flatnonzero(open_), gap[open_]),
            "release": (j[held], (ahead / scale)[held]),
            "waist": (j[moving & self.bent], half[moving & self.bent]),
            "empty": (j[moving], ((self.mouth - x) / length)[moving]),
        }
        away = held & ~self.empty
        out["withdraw"] = (j[away], -(back / scale)[away])
        for status, name, value in ((ADVANCE, "stop", -ahead), (RECEDE, "turn", back)):
            own = self.status == status
            speed = value / scale * length / np.maximum(x, 1e-5 * length)
            out[name] = (j[own], speed[own])
        out["open"] = self.opening(pressure)
        return out

    def advance(self, pressure, h, tolerance):
        """One step, shortened to the first event in it: (h, pressure, happened, growth)."""
        before = self.signs(pressure, self.x)
        low, high, at_low = 0.0, np.inf, before
        j = self.moving
        shortest = 1e-15 * max(self.time, 1e-300)
        for k in range(400):
            try:
                end, stage, _, _ = self.step(h, pressure)
                coarse = self.step(h, pressure, 2)[0]
                x = self.x.copy()
                x[j] = end
                keep, self.x = self.x, x
                try:
                    after_p = self.instant(stage[-1])
                finally:
                    self.x = keep
            except (Failed, np.linalg.LinAlgError):
                h = low + 0.4 * (h - low)
                continue
            error = np.abs(end - coarse).max(initial=0.0) / self.length.min()
            if error > tolerance and h > 1e-14 * max(self.time, 1e-300):
                h *= max(0.2, 0.9 * (tolerance / error) ** 0.25)
                low, at_low = (0.0, before) if h <= low else (low, at_low)
                continue
            after = self.signs(after_p, x)
            over, within, nearest = False, False, h
            for name, (_, value) in after.items():
                first, begin = before[name][1], at_low[name][1]
                past = (value > TIGHT) & (first < TIGHT)
                if name in MAY_START_AT_0:
                    past &= first < -TIGHT
                within |= bool(((value > TOUCH) & (value > first)).any())
                if past.any():
                    over = True
                    b, v = np.minimum(begin[past], 0.0), value[past] - 0.5 * TIGHT
                    b = np.minimum(b - 0.5 * TIGHT, -1e-30)
                    nearest = min(nearest, low + (h - low) * (b / (b - v)).min())
            if over and h - low > shortest and k < 390:
                high = h
                width = high - low
                h = nearest if k % 3 else low + 0.5 * width
                h = min(max(h, low + 1e-3 * width), high - 1e-3 * width)
                continue
            if not over and not within and np.isfinite(high) and high - h > 1e-3 * high:
                low, at_low, h = h, after, 0.5 * (h + high)
                if k < 60:
                    continue
                h = low
            self.x, self.time = x, self.time + h
            grow = min(4.0, 0.9 * (tolerance / max(error, 1e-300)) ** 0.25)
            return h, after_p, self.happen(before, after) or self.calm(), grow
        raise RuntimeError(f"no step found at t = {self.time:g} s")

    def happen(self, before, after):
        """Carry out what was met at a step's end; settle decides on the rest."""
        happened = False
        for name, (index, value) in after.items():
            for i, g, first in zip(index, value, before[name][1], strict=True):
                if g <= TOUCH or g <= first:
                    continue
                happened = True
                if name == "meet" and not self.full[i]:
                    self.fill(i)
                elif name == "waist" and self.status[i] >= ADVANCE:
                    self.set_x(i, self.length[i] / 2)
                    self.status[i] = HELD
                elif name == "empty" and self.status[i] >= ADVANCE:
                    self.set_x(i, self.mouth[i])
                    self.status[i] = HELD
                elif name in ("stop", "turn") and self.status[i] >= ADVANCE:
                    self.status[i] = HELD
                elif name in ("release", "withdraw") and self.status[i] == HELD:
                    go = ADVANCE if name == "release" else RECEDE
                    self.status[i] = go if self.fluid.hysteresis else FREE
        return happened

    def calm(self):
        """Whether a cluster that moved has come to rest."""
        label = self.clusters()
        upper, lower, best, _ = self.levels(label)
        rests = np.maximum(upper, best) <= lower + STILL * self.scale
        rests[label[self.fixed]] = False
        j = self.moving
        return bool((rests[label[self.node[j]]]).any())

    def speediest(self, pressure):
        """Hundredth of the time in which the fastest meniscus passes its tube, s."""
        j = self.moving
        if len(j) == 0:
            return np.inf
        early = self.inlet[self.node[j]]  # infinitely fast at first
        x = np.where(early, np.maximum(self.x[j], 0.1 * self.length[j]), self.x[j])
        drive = pressure[self.node[j]] + self.tubes.extra(j, self.x[j], self.mode(j), self.piece[j])
        flow = np.abs(self.tubes.flow(j, x, drive)[0])
        return 0.01 * (self.tubes.volume(j, self.length[j]) / np.maximum(flow, 1e-300)).min()


def drives(net, pressure, x=None):
    """Drives of every slot with the advancing and with the receding angle (Pa)."""
    j = np.arange(2 * net.m)
    x = net.x if x is None else x
    ahead = np.where(net.at_waist, 1, net.piece)
    behind = np.where(net.at_waist, 0, net.piece)
    p = np.nan_to_num(pressure[net.node])
    return p + net.tubes.extra(j, x, 1, ahead), p + net.tubes.extra(j, x, -1, behind)


def _on(net, pressure, until, tolerance, longest, keep):
    """March to ``until``; ``keep(net, pressure)`` is told every step."""
    pressure = net.settle(pressure)
    keep(net, pressure)
    began, h = net.time, net.speediest(pressure)
    while net.time < until:
        if len(net.moving) == 0 or until - net.time <= 1e-14 * until:
            net.time = until if np.isfinite(until) else net.time
            break
        h = min(h, until - net.time, max(longest * (net.time - began), net.speediest(pressure)))
        h, pressure, happened, grow = net.advance(pressure, h, tolerance)
        if happened:
            pressure = net.settle(pressure)
            h = min(max(h, 1e-9 * net.time), net.speediest(pressure))
        else:
            h *= grow
        keep(net, pressure)
    return pressure


def in_turn(net, pressure, until, tolerance, longest, lift, at, keep):
    """From the first lift on to ``until``: the states at the times ``at`` and at the end."""
    states = []
    turns = [t for t in lift if t < until]
    assert list(turns) == sorted(set(turns))
    kept_at = sorted({t for t in at if net.time <= t < until})
    for k, start in enumerate(turns):
        stop = turns[k + 1] if k + 1 < len(turns) else until
        assert net.time == start
        (net.lift if k % 2 == 0 else net.dip)()
        for time in [t for t in kept_at if start <= t < stop]:
            pressure = _on(net, pressure, time, tolerance, longest, keep)
            states.append(net.state(pressure))
        pressure = _on(net, pressure, stop, tolerance, longest, keep)
        if np.isfinite(stop):
            net.time = stop
    return [*states, net.state(pressure)]


__all__ = ["Lifted", "State", "in_turn"]
