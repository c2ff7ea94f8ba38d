"""The general oracle under drops that are all the liquid there is. Nothing shared with poresim.

A drop is a spherical cap of height h on a base of radius a, at angle q with tan(q / 2) = h / a and
of volume pi h (3 a^2 + h^2) / 6. Set down at its advancing angle; the base then stays while the
angle falls to the receding one, and shrinks at that angle from there on. All its base is at
2 gamma sin(q) / a + 2/3 density g h over the air. (The model under test; its pressure against the
Young-Laplace equation: oracle_drop.)

What it covers are reservoirs at that pressure, as it is at every stage of a step: found by
iteration, for the volume left and the flows depend on one another. An inlet that the base has left
is a junction like others; the nearest of all stays covered to the end. Air enters nowhere before
the first drop is spent, that is down to ``LEAST`` of it. Then the solid is as one lifted out
(oracle_recede), and as one that is put back, under what the base covers, when a drop comes later.

A drop set down on one that is still there makes one of both volumes: its base stays unless its
angle would be above the advancing one, in which case it spreads to that angle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from oracle_general import RADAU, Failed, Network
from oracle_recede import Lifted, _on
from oracle_recede import State as Before

LEAST = 1e-7  # of one drop: with so much left it is spent


def height_of(volume, base):
    """The one real root of h^3 + 3 a^2 h = 6 V / pi (of a depressed cubic, by sinh)."""
    return 2 * base * np.sinh(np.arcsinh(3 * volume / (np.pi * base**3)) / 3)


def base_of(volume, angle):
    """Of a cap of that volume, m3, and angle, rad."""
    x = np.tan(angle / 2)
    return np.cbrt(6 * volume / (np.pi * x * (3 + x * x)))


def volume_on(base, angle):
    x = np.tan(angle / 2)
    return np.pi * base**3 * x * (3 + x * x) / 6


@dataclass
class Cap:
    """The drop of one moment, on a base that was last pinned at ``wide``, m."""

    fluid: object
    pull: float  # m/s2
    wide: float = 0.0

    @property
    def advancing(self):
        return np.radians(self.fluid.angle)

    @property
    def receding(self):
        back = self.fluid.receding
        return np.radians(self.fluid.angle if back is None else back)

    def base(self, volume):
        slides = self.receding > 0 and volume < volume_on(self.wide, self.receding)
        return base_of(volume, self.receding) if slides else self.wide

    def pressure(self, volume):
        a = self.base(volume)
        h = height_of(volume, a)
        q = 2 * np.arctan(h / a)
        head = 2 / 3 * self.fluid.density * self.pull * h
        return 2 * self.fluid.gamma * np.sin(q) / a + head

    def take(self, before, volume, anew):
        """From ``before`` m3 it grows to ``volume``; anew: nothing of it was left."""
        least = base_of(volume, self.advancing)
        self.wide = least if anew else max(self.base(before), least)


@dataclass
class State(Before):
    """And what is left of the drop, m3."""

    left: float


class Sitting(Lifted):
    """A network under a drop."""

    @classmethod
    def under(cls, net, each, cap, away, exposed):
        """each : m3 of one drop. away : (n,) m from its middle; infinite but at inlets."""
        new = cls.of(net, exposed)
        new.each, new.cap, new.away = each, cap, away
        new.dispensed, new.sits, new.aired, new.steady = each, True, False, None
        new.course = []
        return new

    def left(self):
        return self.dispensed - self.uptake()

    def pressed(self, volume):
        return self.cap.pressure(max(volume, LEAST * self.each))

    def known(self):
        if self.sits:
            self.given[self.fixed] = self.pressed(self.left())
        return super().known()

    def air(self):
        return super().air() if self.aired else np.zeros(self.n, bool)

    def dry_out(self, heir):
        if self.aired:
            super().dry_out(heir)

    def state(self, pressure):
        return State(**vars(super().state(pressure)), left=self.left())

    def at_stages(self, pressure, stages):
        found = super().at_stages(pressure, stages)
        if self.sits:
            found[:, self.fixed] = self.steady[:, None]
        return found

    def step(self, h, pressure, stages=3):
        if not self.sits:
            return super().step(h, pressure, stages)
        now, j = self.left(), self.moving
        before = self.tubes.volume(j, self.x[j]).sum()
        self.steady = np.full(len(RADAU[stages]), self.pressed(now))
        close = 1e-12 * (self.scale + self.steady[0])
        for _ in range(40):
            found = super().step(h, pressure, stages)
            drawn = [self.tubes.volume(j, x).sum() - before for x in self.stage_x]
            if max(drawn) > 0.5 * now + 2 * LEAST * self.each:
                raise Failed("too much at once")
            then = np.array([self.pressed(now - part) for part in drawn])
            off = np.abs(then - self.steady).max()
            self.steady = then
            if off <= close:
                return found
        raise Failed("drop")

    # ---- what happens to the drop ----------------------------------------------------------------

    def edge(self):
        """Covered junctions that the base may leave, and what is left when it does, m3."""
        covered = np.flatnonzero(self.fixed)
        loose = np.delete(covered, np.argmin(self.away[covered]))
        if self.cap.receding == 0:
            return loose, np.zeros(len(loose))
        return loose, volume_on(self.away[loose], self.cap.receding)

    def signs(self, pressure, x):
        out = super().signs(pressure, x)
        if self.sits:
            keep, self.x = self.x, x
            left = self.left()
            self.x = keep
            loose, when = self.edge()
            out["uncover"] = (loose, (when - left) / self.each)
            out["spent"] = (np.zeros(1, int), np.array([LEAST - left / self.each]))
        return out

    def happen(self, before, after):
        happened = super().happen(before, after)
        if not self.sits:
            return happened
        index, value = after["uncover"]
        for junction in index[value > 0]:
            self.fixed[junction] = self.inlet[junction] = False
            self.note("uncover", junction)
            happened = True
        if after["spent"][1][0] > 0:
            self.sits, self.aired = False, True
            self.lift()
            happened = True
        return happened

    def set_down(self):
        """One more drop."""
        before = self.left()
        self.dispensed += self.each
        self.cap.take(max(before, 0.0), before + self.each, not self.sits)
        reach = self.away <= self.cap.wide * (1 + 1e-12)
        self.sits = True
        self.reservoir = np.flatnonzero(reach | self.fixed)
        if not len(self.reservoir):
            self.reservoir = np.array([np.argmin(self.away)])
        self.dip()


@dataclass
class Course:
    """time, left (steps,); states at the times asked for and at the end; log as oracle_recede's."""

    time: np.ndarray
    left: np.ndarray
    filled_at: np.ndarray
    wetted_at: np.ndarray
    states: list
    log: list
    owed: float


def distances(points, inlet):
    """(n,) m from midway between the outermost inlets; infinite elsewhere."""
    at = points[inlet]
    away = np.full(len(points), np.inf)
    away[inlet] = np.linalg.norm(at - (at.min(0) + at.max(0)) / 2, axis=1)
    return away


def soak(
    points, ends, radius, length, inlet, fluid, drop, at, drops=(), gravity=(0, 0, 0),
    exposed=None, tolerance=1e-8, longest=0.2, start=1e-7,
):  # fmt: skip
    """To the last of the times ``at``, of which states are kept. drops : times of further ones."""
    away = distances(points, inlet)
    cap = Cap(fluid, float(np.linalg.norm(gravity)))
    cap.take(0.0, drop, True)
    under = np.flatnonzero(away <= cap.wide)
    assert len(under), "no inlet lies under the drop"
    net = Network(points, ends, radius, length, under, fluid, gravity=gravity, start=start)
    net = Sitting.under(net, drop, cap, away, inlet if exposed is None else exposed)
    course = [(0.0, net.left())]

    def keep(net, _):
        course.append((net.time, net.left()))

    pressure, states = np.full(net.n, np.nan), []
    for time in sorted({*at, *drops}):
        pressure = _on(net, pressure, time, tolerance, longest, keep)
        net.time = time
        if time in at:
            states.append(net.state(pressure))
        if time in drops:
            net.set_down()
    time, left = np.array(course).T
    return Course(time, left, net.filled_at, net.wetted_at, states, net.log, net.owed)
