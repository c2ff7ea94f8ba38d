"""Bond percolation thresholds of the generator's own lattices, against the published ones.

Published thresholds (values from memory): square, triangular and honeycomb exactly (Kesten
1980; Sykes & Essam 1964), cubic, bcc, fcc and diamond by Xu, Wang, Lv & Deng 2014, Front Phys
9:113.

Method. Tubes are opened in random order until bottom and top are joined; the share opened then
is one realisation's threshold. Its mean approaches the infinite lattice's as size^(-1/nu)
(finite-size scaling; nu = 4/3 in two dimensions, Nienhuis; 0.8764 in three, Xu et al. 2014), so
two sizes, one twice the other, are extrapolated along that law. What is left is the statistical
error (printed with the assertion) and slower corrections, which the tolerance of 0.004 covers.
"""

from __future__ import annotations

import numba
import numpy as np
import pytest
from thresholds import THRESHOLD

from poresim.solid.grid import Block, lattice_block
from poresim.solid.lattices import LATTICES

pytestmark = pytest.mark.skipif(
    bool(numba.config.DISABLE_JIT), reason="thousands of union-find runs need the compiler"
)

TOLERANCE = 0.004
# cells along an edge of the smaller block, and runs at both sizes
PLAN = {
    "square": (24, 6000),
    "triangular": (16, 6000),
    "honeycomb": (12, 6000),
    "cubic": (12, 1500),
    "bcc": (8, 1500),
    "fcc": (6, 1500),
    "diamond": (6, 1500),
}


@numba.njit(cache=False)
def _root(parent, a):
    while parent[a] != a:
        parent[a] = parent[parent[a]]
        a = parent[a]
    return a


@numba.njit(cache=False)
def _spanning_shares(ends, bottom, top, junctions, runs, seed):
    """(runs,) share of the tubes that are open when bottom and top become joined."""
    np.random.seed(seed)
    tubes = len(ends)
    order = np.arange(tubes)
    parent = np.empty(junctions + 2, np.int32)
    shares = np.empty(runs)
    for run in range(runs):
        for i in range(junctions + 2):
            parent[i] = i
        for i in bottom:
            parent[i] = junctions
        for i in top:
            parent[i] = junctions + 1
        opened = 0
        while _root(parent, junctions) != _root(parent, junctions + 1):
            pick = opened + np.random.randint(tubes - opened)
            order[opened], order[pick] = order[pick], order[opened]
            a = _root(parent, ends[order[opened], 0])
            b = _root(parent, ends[order[opened], 1])
            parent[min(a, b)] = max(a, b)
            opened += 1
        shares[run] = opened / (tubes + 1)
    return shares


def _mean_share(block: Block, ends: np.ndarray, runs: int, seed: int) -> tuple[float, float]:
    bottom, top = (np.flatnonzero(block.on_face[name]) for name in ("bottom", "top"))
    shares = _spanning_shares(ends.astype(np.int32), bottom, top, len(block.points), runs, seed)
    return float(shares.mean()), float(shares.std() / np.sqrt(runs))


def _threshold(name: str, cells: int, runs: int, removed: float = 0.0) -> tuple[float, float]:
    """Extrapolated threshold and its statistical error; ``removed`` tubes never open."""
    lattice = LATTICES[name]
    means, errors = [], []
    for factor in (1, 2):
        n = factor * cells
        block = lattice_block(lattice, (n, n, n), (True, not lattice.flat, False), 1.0)
        ends = block.ends
        if removed:
            rng = np.random.default_rng(3)
            ends = ends[rng.random(len(ends)) >= removed]
        mean, error = _mean_share(block, ends, runs, seed=17 + factor)
        means.append(mean)
        errors.append(error)
    shrink = 2 ** (-1 / (4 / 3 if lattice.flat else 0.8764))
    value = (means[1] - shrink * means[0]) / (1 - shrink)
    return value, float(np.hypot(errors[1], shrink * errors[0]) / (1 - shrink))


@pytest.mark.parametrize(
    "name",
    [
        pytest.param(n, marks=[pytest.mark.slow] * (n in ("triangular", "honeycomb", "diamond")))
        for n in PLAN
    ],
)
def test_bond_threshold(name):
    value, error = _threshold(name, *PLAN[name])
    assert error < TOLERANCE / 3, f"{name}: too noisy to tell, {value:.5f} +- {error:.5f}"
    assert abs(value - THRESHOLD[name]) < TOLERANCE, f"{name}: {value:.5f} +- {error:.5f}"


def test_the_test_can_fail():
    """A cubic lattice that lacks 3 % of its tubes must not pass for a cubic lattice."""
    value, _ = _threshold("cubic", *PLAN["cubic"], removed=0.03)
    assert abs(value - THRESHOLD["cubic"] / 0.97) < TOLERANCE
    assert abs(value - THRESHOLD["cubic"]) > TOLERANCE


@pytest.mark.slow
@pytest.mark.parametrize("name", list(PLAN))
def test_bond_threshold_of_large_blocks(name):
    """Larger blocks: corrections that fall faster are gone, and half the tolerance is left."""
    cells, runs = PLAN[name]
    larger = 4 if LATTICES[name].flat else 2
    value, error = _threshold(name, larger * cells, runs)
    assert error < TOLERANCE / 6
    assert abs(value - THRESHOLD[name]) < TOLERANCE / 2, f"{name}: {value:.5f} +- {error:.5f}"
