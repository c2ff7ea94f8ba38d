"""The parts of a solve, one by one: the tree, the linear solver, menisci in closed form."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.sparse as sp
from scipy.sparse.csgraph import connected_components, minimum_spanning_tree

import poresim as ps
from poresim.solid.sizes import Lognormal
from poresim.solid.spec import SolidSpec
from poresim.tube.law import flow_law
from poresim.tube.straight import plain_volume, straight_advance
from poresim.uptake.begin import build_state
from poresim.uptake.state import firmness
from poresim.uptake.tree import factor, fit_tree, make_trees, solve_tree

WATER = ps.Liquid(ps.Newtonian(1e-3), surface_tension=0.072, contact_angle_deg=40, density=998)
RNG = np.random.default_rng(20)


def lattice(log_sd: float = 1.0, halves: bool = False):
    """A dry cube's graph, and where in its rings each tube stands."""
    spec = SolidSpec((1.4e-3,) * 3, "cubic", radii=Lognormal(15e-6, log_sd), spacing=200e-6)
    solid = ps.build_solid(spec, 3)
    state = build_state(solid, WATER, solid.faces["bottom"], np.zeros(3), 1e-2, 0, halves)
    return state, firmness(state.shapes, solid.tubes)


def matrix(graph) -> sp.csr_matrix:
    """(n, n) couplings by the full tubes."""
    n = len(graph.first) - 1
    rows = np.repeat(np.arange(n), np.diff(graph.first.astype(np.int64)))
    full = graph.flow > 0.0
    return sp.csr_matrix((graph.flow[full], (rows[full], graph.far[full])), shape=(n, n))


def of_tree(tree, graph, n: int) -> sp.csr_matrix:
    """(n, n) couplings that the tree keeps."""
    count = int(tree.counts[0])
    child = np.flatnonzero(tree.parent[:count] >= 0)
    a, b = tree.row[child], tree.row[tree.parent[child]]
    flow = graph.flow[tree.tube[child]]
    half = sp.csr_matrix((flow, (a, b)), shape=(n, n))
    return half + half.T


@pytest.mark.parametrize("half", [None, 0, 1])
def test_the_tree_is_the_maximum_spanning_forest_however_it_grew(half: int | None) -> None:
    """Against scipy's minimum spanning tree of the tubes' ranks, as they fill and after an undo."""
    state, firm = lattice(halves=half is not None)
    graph, n = state.graph, len(state.junctions)
    used = np.ones(n, np.int8)
    used[: state.inlets] = 0
    tree = make_trees(graph, firm)[half or 0]
    low, high = graph.half[half or 0], graph.half[(half or 0) + 1]
    assert half is None or 0.4 * n < high - low < 0.6 * n
    order = RNG.permutation(len(firm))
    full = np.zeros(len(firm), bool)
    for events, (begin, end) in enumerate([(0, 400), (400, 410), (410, 900), (300, 900)], start=1):
        full[:] = False  # the last: tubes 0 to 300 were undone
        full[order[begin if begin == 300 else 0 : end]] = True
        graph.flow[:] = np.where(full[graph.ring], firm[graph.ring], 0.0)
        fit_tree(tree, graph, used, high, 1000 * events)
        begin = max(state.inlets, low)
        inner = matrix(graph)[begin:high, begin:high].tocoo()
        rank = np.empty(len(firm))
        rank[np.argsort(-firm)] = np.arange(1, len(firm) + 1)
        by_flow = dict(zip(firm, rank, strict=True))
        weight = np.array([by_flow[flow] for flow in inner.data])
        best = minimum_spanning_tree(sp.csr_matrix((weight, (inner.row, inner.col)), inner.shape))
        kept = of_tree(tree, graph, n)
        assert kept.nnz == 2 * best.nnz
        names = {r: f for f, r in by_flow.items()}
        np.testing.assert_array_equal(
            np.sort(kept.data)[::2], np.sort([names[r] for r in best.data])
        )
        alone = n - (high - begin)
        assert connected_components(kept)[0] == connected_components(inner)[0] + alone


def test_the_tree_is_solved_exactly() -> None:
    """Against scipy's direct solver, with the whole diagonal."""
    state, firm = lattice()
    graph, n = state.graph, len(state.junctions)
    used = np.ones(n, np.int8)
    graph.flow[:] = np.where(RNG.random(len(firm))[graph.ring] < 0.7, firm[graph.ring], 0.0)
    tree = make_trees(graph, firm)[0]
    fit_tree(tree, graph, used, n, 1000)
    span = 0.3
    diagonal = span * np.asarray(matrix(graph).sum(axis=1)).ravel() * 1.01 + 1e-6 * firm.mean()
    right, found = RNG.normal(size=n), np.zeros(n)
    factor(tree, diagonal, graph.flow, span)
    solve_tree(tree, right, found)
    whole = sp.diags(diagonal) - span * of_tree(tree, graph, n)
    np.testing.assert_allclose(whole @ found, right, atol=1e-9)


@pytest.mark.parametrize("x", [0.0, 30e-6])
@pytest.mark.parametrize("pressure", [-9000.0, -2900.0, -100.0, 500.0])
def test_a_plain_meniscus_is_the_straight_one(x: float, pressure: float) -> None:
    """Washburn (1921) as :func:`straight_advance` has it, with its slope; at rest where pinned."""
    radius, time, pull, back = 25e-6, 2e-3, 3000.0, 5000.0
    law = flow_law(ps.Newtonian(1e-3))
    area, gain = np.pi * radius**2, radius**2 * time / 4e-3
    volume, slope = plain_volume(x, gain, pull, back, area, pressure)
    drive = pressure + pull if pressure + pull > 0 else min(pressure + back, 0.0)
    new, steep = straight_advance(law, x, drive, radius, time)
    np.testing.assert_allclose(volume, area * (new - x), rtol=1e-12, atol=1e-30)
    np.testing.assert_allclose(slope, area * steep if drive else 0.0, rtol=1e-12)
