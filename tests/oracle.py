"""An event-by-event oracle of the soak: straight tubes, Newtonian liquid, free air, no gravity.

It shares no code with the package. Between two events everything is linear in the time integral
of the junction pressures ("impulses"): with the mean pressure Pm over an interval h,

    meniscus      x'^2 = x^2 + r^2 / (4 eta) * (Pm + pc) * h,    pc = 2 gamma cos(theta) / r
    full tube     volume carried = pi r^4 / (8 eta L) * (Pm_i - Pm_j) * h
    junction      volumes given off add up to zero

so one algebraic solve carries the state exactly from event to event: there is no time step and
no discretisation error. Events: a meniscus reaches a junction or meets another one, a meniscus
held at its mouth lets go (its drive turns positive), a receding one is back at its mouth.
Quasi-steady Poiseuille flow in each tube: Washburn 1921, Phys Rev 17:273.

A new meniscus starts at ``start`` times the tube's length instead of 0, where its conductance
would be infinite; tests show that the answer does not depend on it.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.sparse import csc_matrix
from scipy.sparse.linalg import splu

GONE, HELD, MOVING = 0, 1, 2
DENSE_UP_TO = 120


@dataclass
class Reference:
    """What the oracle found. ``k`` points in time, ``m`` tubes, ``n`` junctions; SI units."""

    time: np.ndarray
    uptake: np.ndarray
    filled_at: np.ndarray
    wetted_at: np.ndarray
    time_at: np.ndarray
    pressure: list[np.ndarray] = field(repr=False)
    events: int = 0
    solves: int = 0


class _Failed(Exception):
    """The algebraic solve of an interval did not converge: the interval is too long."""


class ImpulseOracle:
    """State of the network and the moves from event to event. Slot 2 t + e: tube t, end e."""

    def __init__(self, junctions, ends, radius, length, inlet, gamma_cos, viscosity, start=1e-8):
        self.n = int(junctions)
        self.ends = np.asarray(ends)
        self.m = len(self.ends)
        self.radius = np.broadcast_to(np.asarray(radius, float), (self.m,))
        self.length = np.broadcast_to(np.asarray(length, float), (self.m,))
        self.link = np.pi * self.radius**4 / (8 * viscosity * self.length)
        self.node = self.ends.ravel()
        self.tube = np.repeat(np.arange(self.m), 2)
        self.kappa = np.repeat(self.radius**2 / (4 * viscosity), 2)
        self.area = np.repeat(np.pi * self.radius**2, 2)
        self.suction = np.repeat(2 * gamma_cos / self.radius, 2)
        self.x = np.zeros(2 * self.m)
        self.mouth = start * np.repeat(self.length, 2)
        self.status = np.full(2 * self.m, GONE)
        self.full = np.zeros(self.m, bool)
        self.filled_at = np.full(self.m, np.nan)
        self.wetted_at = np.full(self.n, np.nan)
        self.time = 0.0
        self.solves = 0
        self.inlet = np.unique(inlet)
        self.fixed = np.zeros(self.n, bool)
        self.fixed[self.inlet] = True
        self.slots_at = [np.flatnonzero(self.node == i) for i in range(self.n)]
        for junction in self.inlet:
            self._wet(junction)
        self._renumber()

    # ---- events -------------------------------------------------------------------------

    def _wet(self, junction):
        if not np.isnan(self.wetted_at[junction]):
            return
        self.wetted_at[junction] = self.time
        for slot in self.slots_at[junction]:
            if not self.full[self.tube[slot]]:
                self.x[slot] = self.mouth[slot]
                self.status[slot] = HELD

    def _fill(self, tube):
        a, b = 2 * tube, 2 * tube + 1
        self.full[tube] = True
        self.filled_at[tube] = self.time
        self.status[[a, b]] = GONE
        self.x[[a, b]] = 0.0
        for junction in self.ends[tube]:
            self._wet(junction)

    def _renumber(self):
        wet = ~np.isnan(self.wetted_at)
        self.row = np.full(self.n, -1)
        free = np.flatnonzero(wet & ~self.fixed)
        self.row[free] = np.arange(len(free))
        self.free = free
        link = np.flatnonzero(self.full)
        i, j, g = self.row[self.ends[link, 0]], self.row[self.ends[link, 1]], self.link[link]
        self.diag = np.bincount(i[i >= 0], g[i >= 0], len(free)) + np.bincount(
            j[j >= 0], g[j >= 0], len(free)
        )
        both = (i >= 0) & (j >= 0)
        k = np.arange(len(free))
        rows = np.concatenate([k, i[both], j[both]])
        cols = np.concatenate([k, j[both], i[both]])
        off = np.concatenate([-g[both], -g[both]])
        self.off = csc_matrix((off, (rows[len(k) :], cols[len(k) :])), (len(k), len(k)))
        # fixed pattern with room for the diagonal: refilled at every solve
        pattern = csc_matrix((np.arange(1.0, len(rows) + 1), (rows, cols)), (len(k), len(k)))
        if len(pattern.data) == len(rows):  # no parallel tubes: the values can be replaced
            self.order = pattern.data.astype(int) - 1
            self.pattern, self.values = pattern, off
        else:
            self.order = None

    def _solve(self, extra, right):
        """Solve (links + diag(extra)) p = right at the free wet junctions."""
        self.solves += 1
        diag = self.diag + extra
        if len(diag) == 0:
            return right
        if len(diag) <= DENSE_UP_TO or self.order is None:
            return np.linalg.solve(self.off.toarray() + np.diag(diag), right)
        self.pattern.data = np.concatenate([diag, self.values])[self.order]
        factor = splu(
            self.pattern,
            permc_spec="MMD_AT_PLUS_A",
            diag_pivot_thresh=0.0,
            options={"SymmetricMode": True},
        )
        return factor.solve(right)

    def _gather(self, slots, values):
        rows = self.row[self.node[slots]]
        inside = rows >= 0
        return np.bincount(rows[inside], values[inside], len(self.free))

    def _spread(self, solution):
        pressure = np.where(np.isnan(self.wetted_at), np.nan, 0.0)
        pressure[self.free] = solution
        return pressure

    # ---- pressures at an instant ----------------------------------------------------------

    def pressures(self, x, moving):
        """Gauge pressure (n,) when the menisci ``moving`` stand at ``x`` (all slots)."""
        g = self.area[moving] * self.kappa[moving] / (2 * x[moving])
        extra = self._gather(moving, g)
        return self._spread(self._solve(extra, -self._gather(moving, g * self.suction[moving])))

    def settle(self):
        """Decide which menisci at their mouth move: those whose drive is positive."""
        for _ in range(100 + 4 * self.m):
            moving = np.flatnonzero(self.status == MOVING)
            pressure = self.pressures(self.x, moving)
            drive = pressure[self.node] + self.suction
            at_mouth = self.x <= 1.5 * self.mouth  # fresh or emptied
            back = (self.status == MOVING) & at_mouth & (drive < -1e-12 * self.suction)
            held = np.flatnonzero((self.status == HELD) & (drive > 0))
            if back.any():
                self.status[back] = HELD
            if len(held) == 0:
                if not back.any():
                    return pressure
                continue
            # of those at one junction the narrowest goes first and holds the others back
            best = np.full(self.n, -np.inf)
            np.maximum.at(best, self.node[held], self.suction[held])
            go = (self.suction[held] >= best[self.node[held]] * (1 - 1e-14)) | self.fixed[
                self.node[held]
            ]
            self.status[held[go]] = MOVING
        raise RuntimeError("which menisci move could not be decided")

    # ---- one interval ---------------------------------------------------------------------

    def carry(self, h, pressure):
        """Positions (all slots) after an interval h without events; the status stays as it is."""
        moving = np.flatnonzero(self.status == MOVING)
        x0, kappa, area = self.x[moving], self.kappa[moving], self.area[moving]
        suction, node = self.suction[moving], self.node[moving]
        inlet = self.fixed[node]
        x = x0 + kappa * (pressure[node] + suction) / (2 * x0) * h
        x = np.maximum(x, 0.1 * x0)
        x = np.where(x > x0, np.sqrt(x0 * x0 + (x - x0) * np.minimum(x + x0, 1e3 * x0 + x)), x)
        exact = np.sqrt(x0 * x0 + kappa * suction * h)
        x = np.where(inlet, exact, x)
        mean = np.zeros(self.n)
        for _ in range(40):
            g = area * kappa / (2 * x)
            gap = x * x - x0 * x0 - kappa * h * suction  # minus kappa h P
            right = self._gather(moving, area * gap / (2 * x * h) - area * (x - x0) / h)
            mean[self.free] = self._solve(self._gather(moving, g), right)
            change = (kappa * h * mean[node] - gap) / (2 * x)
            change[inlet] = 0.0
            small = np.abs(change) <= 1e-7 * x + 1e-14 * self.length[self.tube[moving]]
            x = np.where(x + change > 0.05 * x, x + change, 0.05 * x)
            if small.all():
                if (x < 0.3 * self.mouth[moving]).any():
                    raise _Failed
                out = self.x.copy()
                out[moving] = x
                return out
        raise _Failed

    def uptake(self, x):
        """Liquid in the tubes, m3."""
        full = np.pi * (self.radius**2 * self.length)[self.full].sum()
        there = self.status != GONE
        return full + (self.area[there] * (x[there] - self.mouth[there])).sum()

    def _first_guess(self, pressure):
        """Time to the next arrival or emptying if the pressures stayed as they are."""
        moving = self.status == MOVING
        drive = np.where(moving, pressure[self.node] + self.suction, 0.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            speed = np.where(moving, self.kappa * drive / (2 * self.x), 0.0)
        gap = self.length - self.x[0::2] - self.x[1::2]
        closing = speed[0::2] + speed[1::2]
        # one meniscus under constant drive: x^2 grows linearly
        growth = np.where(moving, self.kappa * drive, 0.0)
        square = growth[0::2] + growth[1::2]
        alone = (self.status[0::2] != GONE) ^ (self.status[1::2] != GONE)
        x = self.x[0::2] + self.x[1::2]
        with np.errstate(divide="ignore", invalid="ignore"):
            reach = np.where(
                alone, (self.length**2 - x * x) / square, gap / np.maximum(closing, 1e-300)
            )
            reach = np.where((closing > 0) & ~self.full, reach, np.inf)
            empty = np.where(moving & (speed < 0), -self.x / speed, np.inf)
        return min(reach.min(), empty.min()), speed


def soak(
    junctions,
    ends,
    radius,
    length,
    inlet,
    gamma_cos,
    viscosity,
    until=np.inf,
    shares=(0.2, 0.4, 0.6, 0.8),
    start=1e-8,
    longest=np.inf,
    keep_pressures=False,
):
    """Run the oracle until every tube it can reach is full, or to time ``until`` (s).

    ends (m, 2) junctions of each tube; radius, length (m,) m; gamma_cos = tension times cosine,
    N/m; viscosity, Pa s. ``shares``: shares of the reachable volume whose time is wanted.
    ``longest``: longest interval as a share of the time gone by (to test independence of it).
    """
    o = ImpulseOracle(junctions, ends, radius, length, inlet, gamma_cos, viscosity, start)
    targets = np.asarray(shares) * _reachable_volume(o)
    at = np.full(len(targets), np.nan)
    times, uptakes, kept = [0.0], [0.0], []
    pressure = o.settle()
    slope, events = None, 0
    while o.time < until and (o.status == MOVING).any():
        h, _ = o._first_guess(pressure)
        held = np.flatnonzero(o.status == HELD)
        drive = pressure[o.node[held]] + o.suction[held]
        if slope is not None and len(held):
            with np.errstate(divide="ignore", invalid="ignore"):
                h = min(h, np.where(slope > 0, -drive / slope, np.inf).min())
        h = min(h, until - o.time, max(longest * o.time, 1e-9) if np.isfinite(longest) else h)
        if not np.isfinite(h):
            break
        x, after, h = _trial(o, pressure, held, drive, h)
        now = o.uptake(x)
        for k in np.flatnonzero(np.isnan(at) & (targets <= now * (1 + 1e-12))):
            at[k] = o.time + _time_to(o, pressure, targets[k], h)
        shrunk = x < o.x
        o.x, o.time = x, o.time + h
        times.append(o.time)
        uptakes.append(now)
        slope = (after[o.node[held]] + o.suction[held] - drive) / h
        changed = _happenings(o, after, held, shrunk)
        if changed:
            events += 1
            o._renumber()
            after = o.settle()
            slope = None
        pressure = after
        if keep_pressures:
            kept.append(pressure.copy())
    return Reference(
        np.array(times), np.array(uptakes), o.filled_at, o.wetted_at, at, kept, events, o.solves
    )


def _trial(o, pressure, held, drive, h):
    """Longest interval up to h in which nothing happens before its end (to 1e-10)."""
    for k in range(200):
        try:
            x = o.carry(h, pressure)
        except _Failed:
            h *= 0.5
            continue
        moving = np.flatnonzero(o.status == MOVING)
        after = o.pressures(x, moving)
        early = _earliest(o, x, after, held, drive * 0.5**k, h)
        if early >= h:
            return x, after, h
        h = early
    raise RuntimeError(f"no interval found at t = {o.time:g} s")


def _earliest(o, x, after, held, drive, h):
    """Estimated time of the first event missed inside the interval; h when none was."""
    best = h
    gap0 = o.length - o.x[0::2] - o.x[1::2]
    gap1 = o.length - x[0::2] - x[1::2]
    missed = np.flatnonzero(~o.full & (gap1 < -1e-10 * o.length))
    if len(missed):
        speed = np.zeros(2 * o.m)
        moving = o.status == MOVING
        speed[moving] = (
            o.kappa[moving] * (after[o.node[moving]] + o.suction[moving]) / (2 * x[moving])
        )
        closing = (speed[0::2] + speed[1::2])[missed]
        # tangent at the end, or the chord: positions are nearly straight or concave in time
        tangent = h + gap1[missed] / np.maximum(closing, 1e-300)
        chord = h * gap0[missed] / (gap0[missed] - gap1[missed])
        guess = np.where((tangent > 0) & (tangent < h), tangent, chord)
        best = min(best, max(guess.min(), 1e-3 * h))
    late = after[o.node[held]] + o.suction[held]
    over = late > 1e-10 * o.suction[held]
    if over.any():
        guess = h * drive[over] / (drive[over] - late[over])
        best = min(best, max(guess.min(), 1e-3 * h))
    return best


def _happenings(o, after, held, shrunk):
    """Carry out the events at the end of an interval; True when there was one."""
    changed = False
    gap = o.length - o.x[0::2] - o.x[1::2]
    wet = (o.status[0::2] != GONE) | (o.status[1::2] != GONE)
    for tube in np.flatnonzero(wet & ~o.full & (gap <= 1e-10 * o.length)):
        o._fill(tube)
        changed = True
    live = held[o.status[held] == HELD]
    ready = live[after[o.node[live]] + o.suction[live] >= -1e-10 * o.suction[live]]
    if len(ready):
        o.status[ready] = MOVING
        changed = True
    empty = (o.status == MOVING) & (o.x <= o.mouth) & shrunk
    if empty.any():
        o.status[empty] = HELD
        changed = True
    return changed


def _time_to(o, pressure, target, h):
    """Time inside the coming interval at which the uptake reaches ``target`` (Illinois rule)."""
    a, b = 0.0, h
    fa, fb = o.uptake(o.x) - target, o.uptake(o.carry(h, pressure)) - target
    side = 0
    if fb <= 0:
        return h
    for _ in range(60):
        if b - a <= 1e-12 * (o.time + h) or fb == fa:
            break
        c = max((a * fb - b * fa) / (fb - fa), 1e-6 * h)
        for _ in range(30):
            try:
                fc = o.uptake(o.carry(c, pressure)) - target
                break
            except _Failed:  # the guess of a very short interval can be poor: try a longer one
                c = 0.5 * (c + b)
        if abs(fc) <= 1e-13 * target:
            return c
        if fc > 0:
            b, fb = c, fc
            fa = fa / 2 if side == 1 else fa
            side = 1
        else:
            a, fa = c, fc
            fb = fb / 2 if side == -1 else fb
            side = -1
    return b


def _reachable_volume(o):
    seen = o.fixed.copy()
    while True:
        touch = seen[o.ends].any(axis=1)
        new = seen.copy()
        new[o.ends[touch].ravel()] = True
        if (new == seen).all():
            return float((np.pi * o.radius**2 * o.length)[touch].sum())
        seen = new
