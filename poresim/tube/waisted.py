"""Fills the table of :mod:`poresim.tube.lookup` from the exact flow, once a liquid and waist."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from poresim.tube.filled import STRAIGHT, exact_flow_past_waist, straight_length
from poresim.tube.jit import kernel
from poresim.tube.law import HERSCHEL_BULKLEY, FlowLaw, flow_above_yield, yielding
from poresim.tube.lookup import EXCESSES, LEAST, STEP, WIDTHS, run_and_hold


def with_waist(law: FlowLaw, waists: NDArray[np.float64]) -> None:
    """Give the law the table for the one waist of a network's waisted tubes.

    Networks of several waists, and liquids without a yield stress, do without.
    """
    found = np.unique(waists[waists <= STRAIGHT])
    if law.kind != HERSCHEL_BULKLEY or len(found) != 1:
        return
    _whole_tube(law, float(found[0]))
    law.flows[:] = _flows(float(law.index), float(found[0]))


def _whole_tube(law: FlowLaw, waist: float) -> None:
    law.waist = waist
    law.full_run = 2 * straight_length(law.index, 0.5, 1.0, waist)
    law.full_hold = -math.log(waist) / (1 - waist)


@lru_cache(maxsize=8)
def _flows(index: float, waist: float) -> NDArray[np.float64]:
    law = yielding(1.0, 1.0, index)
    _whole_tube(law, waist)
    table = np.zeros((2, EXCESSES + 1, WIDTHS + 1, 4))
    _fill(law, waist, table)
    for half in table:
        for value, slope in ((0, 1), (2, 3)):
            spline = CubicSpline(np.arange(WIDTHS + 1.0), half[:, :, value], axis=1)
            half[:, :, slope] = spline(np.arange(WIDTHS + 1.0), 1)
    table.setflags(write=False)
    return table


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
                excess = math.exp(LEAST + STEP * i)  # of the wall stress, in yield stresses
                if x == 0.0:  # no cone yet: as a straight tube
                    s, slope = flow_above_yield(law, excess)
                    table[second, i, j, 0] = math.log(s)
                    table[second, i, j, 2] = STEP * slope * excess / s
                    continue
                run, _, _, _ = run_and_hold(law, x, 1.0, waist)
                beyond = 2.0 * run * excess  # of the drop, in a tube of radius and length 1
                rate, slope = exact_flow_past_waist(law, beyond, x, 1.0, 1.0, waist)
                table[second, i, j, 0] = math.log(rate / math.pi)
                table[second, i, j, 2] = STEP * slope * beyond / rate
