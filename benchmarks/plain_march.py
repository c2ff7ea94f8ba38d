"""The march that a competent user would write with numpy and scipy: the rival of the benchmark.

Straight tubes, Newtonian liquid, level, air leaves freely. It shares no code with the package.
A *meniscus* is one end of one tube (number 2 t + e), at x from its mouth; a junction is wet once
liquid has reached it; tubes that are full join their junctions. One step of length h:

1. The pressures P of the wet junctions, averages over the step, come from linear solves. A full
   tube carries pi r^4 / (8 eta L) times the difference of P. A meniscus moves as
   x'^2 = x^2 + r^2 / (4 eta) (P + p_c) h (Washburn 1921), so it takes exactly
   pi r^4 / (8 eta X) (P + p_c) h with the mean X = (x + x') / 2. X needs P: it is taken from the
   last known P, and the solve is repeated, ``passes`` times in all (Picard). At x = 0, where the
   conductance at the start of the step would be infinite, X is finite. A meniscus at its mouth
   whose drive P + p_c is not above 0 is left out: it waits there.
2. Menisci move by the volume that they were given, so that no liquid is lost.
3. Where a meniscus ran past the end of its tube, the tube is full, and the volume too much is
   owed by the junction there to its other tubes: it is fed in during the next step. So is what
   the linear solve left unbalanced.

h is chosen before the solve, so that the share ``arrivals`` of the menisci arrives in it, judged
by the last known pressures. With ``arrivals = 0`` it is the event-by-event script: h is adapted
within the passes until the step ends on the first arrival.
"""

from __future__ import annotations

import time as clock
from typing import Any, NamedTuple

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray
from plain_solves import Solver

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
DRY, HELD = -2, -1  # in place of a junction's row: not reached yet; an inlet, at pressure 0
LEAST_DRIVE = 0.02  # share of its suction that a meniscus is taken to feel, for X alone
LEAST_STEP = 1e-12  # over the time gone by
THERE = 1 - 1e-9  # share of its tube at which a meniscus has arrived
SAME = 0.01  # an event is found when its time changes by no more than this share


class Pace(NamedTuple):
    """Length of steps and work in each."""

    arrivals: float  # share of the menisci that arrive in a step; 0: the step ends on the first
    passes: int  # linear solves a step; at most so many with arrivals = 0
    growth: float = 0.3  # a step over the time gone by, at most


class PlainMarch:
    """A network being soaked, and the moves from step to step."""

    def __init__(
        self,
        ends: Ints,
        radius: Floats,
        length: Floats,
        inlet: Ints,
        tension_cos: float,
        viscosity: float,
        solve: Solver,
        pace: Pace,
    ) -> None:
        """``ends`` (m, 2) junctions of each tube; ``radius``, ``length`` (m,) m; ``inlet``
        junctions at pressure 0; ``tension_cos``: surface tension times cosine, N/m; Pa s.
        """
        m, n = len(ends), int(ends.max()) + 1
        self.node = ends.ravel()
        self.length, self.area = length, np.pi * radius**2
        self.link = np.pi * radius**4 / (8 * viscosity * length)
        self.kappa = radius**2 / (4 * viscosity)
        self.suction = 2 * tension_cos / radius
        self.volume = float((self.area * length).sum())
        self.solve, self.pace = solve, pace
        self._by_node = np.argsort(self.node, kind="stable")
        self._first = np.searchsorted(self.node[self._by_node], np.arange(n + 1))
        self.x = np.zeros(2 * m)
        self._speed = np.zeros(2 * m)
        self.filled_at = np.full(m, np.nan)
        self.row = np.full(n, DRY)  # of each junction in the matrix, in the order of wetting
        self.row[inlet] = HELD
        self.live = self._menisci_of(np.asarray(inlet))
        self.pressure, self.owed, self._links = (np.zeros(0) for _ in range(3))
        self._tubes: tuple[Any, ...] = tuple(
            np.zeros(0, t) for t in (np.int32, np.int32, np.float64)
        )
        self.time = self.liquid = self._in_full = 0.0
        self.solves = 0
        self.seconds = {"assembly": 0.0, "solve": 0.0, "rest": 0.0}

    def step(self) -> bool:
        """One step; False when nothing moves any more."""
        began, known = clock.perf_counter(), self.seconds["assembly"] + self.seconds["solve"]
        live = self.live
        tube = live >> 1
        row, x = self.row[self.node[live]], self.x[live]
        suction, kappa, area = self.suction[tube], self.kappa[tube], self.area[tube]
        goal = self.length[tube] - self.x[live ^ 1]
        drive = np.append(self.pressure, 0.0)[row] + suction
        moving = drive > 0
        if not moving.any():
            return False
        waits = (goal[moving] ** 2 - x[moving] ** 2) / (kappa[moving] * drive[moving])
        h = float(np.partition(waits, rank := int(self.pace.arrivals * len(waits)))[rank])
        if self.time > 0:
            h = min(max(h, LEAST_STEP * self.time), self.pace.growth * self.time)
        pressure, left = self.pressure, np.zeros(0)
        self._assemble()
        for _ in range(self.pace.passes):
            felt = np.where(drive > 0, np.maximum(drive, LEAST_DRIVE * suction), drive)
            middle = 0.5 * (x + np.sqrt(np.maximum(x * x + kappa * felt * h, 0.0)))
            some = (x > 0) | (drive > 0)
            g = np.where(some, area * kappa / (2 * np.maximum(middle, 1e-9 * goal)), 0.0)
            if len(pressure):
                pressure, left = self._pressures(row, g, g * suction, h, pressure)
            drive = np.append(pressure, 0.0)[row] + suction
            speed = g * drive / area
            if self.pace.arrivals == 0:
                before, h = h, self._first_arrival(live, goal - x, speed)
                if abs(h - before) <= SAME * h:
                    break
        x = x + speed * h
        owed = left * h
        below = np.minimum(x, 0.0)  # went back past its mouth: what it gave too much is owed, too
        inner = row >= 0
        owed += np.bincount(row[inner], (below * area)[inner], len(owed))
        self.x[live] = x - below
        self._speed[live] = speed
        self.pressure, self.owed = pressure, owed
        self.time += h
        self._arrive(h)
        self.liquid = self._in_full + float(self.owed.sum())
        self.liquid += float((self.area[self.live >> 1] * self.x[self.live]).sum())
        solving = self.seconds["assembly"] + self.seconds["solve"] - known
        self.seconds["rest"] += clock.perf_counter() - began - solving
        return True

    @property
    def saturation(self) -> float:
        """Liquid over the volume of all tubes."""
        return self.liquid / self.volume

    def _first_arrival(self, live: Ints, gap: Floats, speed: Floats) -> float:
        self._speed[live] = speed
        closing = speed + self._speed[live ^ 1]
        wait = float((gap[closing > 0] / closing[closing > 0]).min()) * (1 + 1e-12)
        if self.time == 0:
            return wait
        return min(max(wait, LEAST_STEP * self.time), self.pace.growth * self.time)

    def _menisci_of(self, junctions: Ints) -> Ints:
        """The tube ends at these junctions."""
        count = self._first[junctions + 1] - self._first[junctions]
        start = np.repeat(self._first[junctions] - np.cumsum(count) + count, count)
        return self._by_node[start + np.arange(count.sum())]

    def _assemble(self) -> None:
        """Where the entries of the matrix go: the same for all passes of a step."""
        began = clock.perf_counter()
        a, b, g = self._tubes
        k = np.arange(len(self.pressure), dtype=np.int32)
        rows, columns = np.concatenate([k, a, b]), np.concatenate([k, b, a])
        place = np.arange(1.0, len(rows) + 1)
        self._matrix = sp.csr_matrix((place, (rows, columns)), shape=(len(k), len(k)))
        if self._matrix.nnz < len(rows):
            raise ValueError("two tubes join the same two junctions: not provided for")
        self._order = self._matrix.data.astype(np.int64) - 1
        self._across = np.concatenate([-g, -g])
        self.seconds["assembly"] += clock.perf_counter() - began

    def _pressures(
        self, row: Ints, g: Floats, pull: Floats, h: float, guess: Floats
    ) -> tuple[Floats, Floats]:
        """Pressures (n,), and the flow (n,) into each junction that they leave unbalanced."""
        began = clock.perf_counter()
        inner, n = row >= 0, len(guess)
        own = self._links + np.bincount(row[inner], g[inner], n)
        right = self.owed / h - np.bincount(row[inner], pull[inner], n)
        self._matrix.data = np.concatenate([own, self._across])[self._order]
        built = clock.perf_counter()
        pressure = self.solve(self._matrix, right, guess)
        left = right - self._matrix @ pressure
        self.solves += 1
        self.seconds["assembly"] += built - began
        self.seconds["solve"] += clock.perf_counter() - built
        return pressure, left

    def _arrive(self, h: float) -> None:
        """Fill the tubes whose menisci ran past their end, or each other."""
        tube = self.live >> 1
        over = self.x[2 * tube] + self.x[2 * tube + 1] >= THERE * self.length[tube]
        done = np.unique(tube[over])
        a, b = 2 * done, 2 * done + 1
        extra = self.x[a] + self.x[b] - self.length[done]
        share = self.x[b] / (self.x[a] + self.x[b])  # of it, that end 0 gets
        speed = np.maximum(self._speed[a] + self._speed[b], 1e-300)
        self.filled_at[done] = self.time - np.clip(extra / speed, 0.0, h)
        self.x[a] = self.x[b] = self._speed[a] = self._speed[b] = 0.0
        self._in_full += float((self.area * self.length)[done].sum())
        fresh = self._wet(np.concatenate([self.node[a], self.node[b]]), self.node[[b, a]].ravel())
        still = np.isnan(self.filled_at)
        self.live = np.concatenate([self.live[still[tube]], fresh[still[fresh >> 1]]])
        rows, g = (self.row[self.node[a]], self.row[self.node[b]]), self.link[done]
        for r, part in zip(rows, (share, 1 - share), strict=True):
            inner = r >= 0
            self._links += np.bincount(r[inner], g[inner], len(self._links))
            given = (extra * self.area[done] * part)[inner]
            self.owed += np.bincount(r[inner], given, len(self.owed))
        both = (rows[0] >= 0) & (rows[1] >= 0)
        new = (rows[0][both].astype(np.int32), rows[1][both].astype(np.int32), g[both])
        self._tubes = tuple(np.concatenate(p) for p in zip(self._tubes, new, strict=True))

    def _wet(self, reached: Ints, through: Ints) -> Ints:
        """Number the junctions just reached (``through``: from where); their tube ends.

        Their pressure is guessed halfway between where liquid comes from and the strongest
        suction that waits for it.
        """
        dry = self.row[reached] == DRY
        fresh, where = np.unique(reached[dry], return_index=True)
        source = np.append(self.pressure, 0.0)[self.row[through[dry][where]]]
        first = len(self.pressure)
        self.row[fresh] = first + np.arange(len(fresh))
        menisci = self._menisci_of(fresh)
        open_ = menisci[np.isnan(self.filled_at[menisci >> 1])]
        strongest = -source  # where no tube leads on, the pressure is that of the source
        np.maximum.at(strongest, self.row[self.node[open_]] - first, self.suction[open_ >> 1])
        self.pressure = np.append(self.pressure, 0.5 * (source - strongest))
        none = np.zeros(len(fresh))
        self.owed, self._links = np.append(self.owed, none), np.append(self._links, none)
        return menisci
