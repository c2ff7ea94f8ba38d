"""Fills the table of :mod:`poresim.tube.lookup` from the exact flow, once a liquid and waist."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from poresim.tube.filled import STRAIGHT, exact_flow_past_waist, straight_length, wetted_flow
from poresim.tube.jit import kernel
from poresim.tube.law import (
    CURVE,
    NEWTONIAN,
    POWER_LAW,
    FlowLaw,
    flow_above_yield,
    yielding,
)
from poresim.tube.lookup import EXCESSES, LEAST, STEP, WIDTHS, log_flow, run_and_hold

_MOST_INDEX = 0.95  # of a power law: above it a meniscus may reach its stall in a finite time
_FIRST = 1e-6  # cells: the mouth itself, as a limit
_NEXT_TO_NOTHING = 1e-60  # Pa: the yield stress of which a power law is the limit
_SHARE = 0.5  # of the accuracy of a soak: what a table may be off
_KNOTS, _WEIGHTS = np.polynomial.legendre.leggauss(6)


def with_waist(law: FlowLaw, waists: NDArray[np.float64], accuracy: float) -> None:
    """Give the law the table for the one waist of a network's waisted tubes.

    Networks of several waists and Newtonian liquids do without, and power-law liquids of an index
    close to 1 or above; and so do laws that bend too sharply between the table's points for the
    ``accuracy`` of a soak.
    """
    found = np.unique(waists[waists <= STRAIGHT])
    if law.kind == NEWTONIAN or len(found) != 1:
        return
    if law.kind == POWER_LAW:
        if law.index > _MOST_INDEX:
            return
        law.unit_stress = _NEXT_TO_NOTHING
        law.log_rate = (math.log(law.unit_stress) - math.log(law.consistency)) / law.index
    waist = float(found[0])
    if law.kind == CURVE:
        worst = _tabulate(law, waist)
    else:
        _whole_tube(law, waist)
        law.flows[:], worst = _flows(float(law.index), waist)
    if not worst <= _SHARE * accuracy:
        law.waist = 0.0


def _whole_tube(law: FlowLaw, waist: float) -> None:
    law.waist = waist
    law.full_run = 2 * straight_length(law.index, 0.5, 1.0, waist)
    law.full_hold = -math.log(waist) / (1 - waist)
    law.per_depth = -1 / math.log(waist)
    law.hold_share = 1 / (1 - waist)
    law.run_share = law.hold_share / (3 * law.index)


@lru_cache(maxsize=8)
def _flows(index: float, waist: float) -> tuple[NDArray[np.float64], float]:
    law = yielding(1.0, 1.0, index)
    worst = _tabulate(law, waist)
    table = law.flows.copy()
    table.setflags(write=False)
    return table, worst


def _tabulate(law: FlowLaw, waist: float) -> float:
    """Fill the law's table of flows and times, in its own units; the worst error of the flows."""
    _whole_tube(law, waist)
    table = np.zeros((3, EXCESSES + 1, WIDTHS + 1, 4))
    _fill(law, waist, table[:2])
    for half in table[:2]:
        for value, slope in ((0, 1), (2, 3)):
            spline = CubicSpline(np.arange(WIDTHS + 1.0), half[:, :, value], axis=1)
            half[:, :, slope] = spline(np.arange(WIDTHS + 1.0), 1)
    law.flows[:] = table
    _fill_times(law, waist, table[2], _KNOTS, _WEIGHTS)
    times = table[2]
    for value, slope, axis in ((0, 1, 1), (0, 2, 0), (1, 3, 0)):
        grid = np.arange(float(times.shape[axis]))
        times[:, :, slope] = CubicSpline(grid, times[:, :, value], axis=axis)(grid, 1)
    law.flows[:] = table
    return float(_worst(law, waist))


@kernel
def _fill(law, waist, table):
    """The logarithm of the reduced flow (column 0) and its change per cell of z (column 2)."""
    most = -math.log(waist)
    for second in range(2):
        for j in range(len(table[second, 0])):
            stretch = j / (len(table[second, 0]) - 1.0)
            grown = math.exp(most * (stretch if second == 0 else stretch * stretch))
            if second == 0:
                x = 0.5 * (1.0 - 1.0 / grown) / (1.0 - waist)
            else:
                x = 0.5 + 0.5 * (waist * grown - waist) / (1.0 - waist)
            if j == len(table[second, 0]) - 1:
                x = 0.5 if second == 0 else 1.0
            for i in range(len(table[second])):
                excess = law.unit_stress * math.exp(LEAST + STEP * i)  # of the wall stress
                if x == 0.0:  # no cone yet: as a straight tube
                    s, slope = flow_above_yield(law, excess)
                    table[second, i, j, 0] = math.log(s) - law.log_rate
                    table[second, i, j, 2] = STEP * slope * excess / s
                    continue
                run, _, _, _ = run_and_hold(law, x, 1.0, waist)
                beyond = 2.0 * run * excess  # of the drop, in a tube of radius and length 1
                rate, slope = exact_flow_past_waist(law, beyond, x, 1.0, 1.0, waist)
                table[second, i, j, 0] = math.log(rate / math.pi) - law.log_rate
                table[second, i, j, 2] = STEP * slope * beyond / rate


@kernel
def _worst(law, waist):
    """The largest relative error of the flows looked up, midway between the table's points."""
    worst = 0.0
    for j in range(1, WIDTHS):
        stretch = (j + 0.5) / WIDTHS
        for second in range(2):
            deep = -math.log(waist) * (stretch if second == 0 else 1.0 - stretch * stretch)
            x = 0.5 * (1.0 - math.exp(-deep)) / (1.0 - waist)
            if second == 1:
                x = 1.0 - x
            run, _, _, _ = run_and_hold(law, x, 1.0, waist)
            for i in range(EXCESSES):
                z = LEAST + STEP * (i + 0.5)
                beyond = 2.0 * run * law.unit_stress * math.exp(z)
                rate, _ = exact_flow_past_waist(law, beyond, x, 1.0, 1.0, waist)
                level, _ = log_flow(law, second, z, stretch)
                worst = max(worst, abs(level - math.log(rate / math.pi)))
    return worst


@kernel
def _fill_times(law, waist, table, knots, weights):
    """The logarithm of the time from the mouth to x over x (column 0), by the looked-up flow.

    Summed over panels that double in length from x back: a stall lies about the excess drive
    beyond x, as a share.
    """
    most = -math.log(waist)
    for j in range(len(table[0])):
        x = 0.5 * (1.0 - math.exp(-most * max(j, _FIRST) / (len(table[0]) - 1.0))) / (1.0 - waist)
        for i in range(len(table)):
            excess = math.exp(LEAST + STEP * i)
            run, hold, _, _ = run_and_hold(law, x, 1.0, waist)
            # of a tube of radius and length 1
            drive = 2.0 * (law.yield_stress * hold + law.unit_stress * run * excess)
            total = 0.0
            width = 0.5 * x * (min(excess, 0.5) if law.yield_stress > 0.0 else 0.5)
            end = x
            while end > 0.0:
                start = end - width if end > 1.5 * width else 0.0
                for k in range(len(knots)):
                    s = start + 0.5 * (end - start) * (1.0 + knots[k])
                    rate, _ = wetted_flow(law, drive, s, 1.0, 1.0, waist)
                    r = 1.0 - (1.0 - waist) * 2.0 * s
                    total += 0.5 * (end - start) * weights[k] * math.pi * r * r / rate
                end = start
                width *= 2.0
            table[i, j, 0] = math.log(total / x)
