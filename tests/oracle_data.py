r"""Reference soaks, worked out once by the oracles and kept in tests/data.

    python tests/oracle_data.py 8 12 random general laws bodies moving heads lifts swelling drops \
        gas

writes lattice_8.npz and lattice_12.npz (about 1 and 20 minutes), random.npz (30 random graphs,
about 5 minutes), general.npz (other laws, waists, gravity ..., about 20 minutes), laws.npz (every
flow law and waists on larger graphs, about an hour), bodies.npz (a minute), moving.npz (five
minutes), heads.npz (a minute), lifts.npz (two minutes), swelling.npz (a minute), drops.npz (six
minutes) and gas.npz (trapped air: three minutes; a tube of a way out holds gas by the higher of the
pressures at its ends);
``general/grains`` does that one case and keeps what else is in the file (a grain case takes two or
three minutes). The tests recompute the small ones, and all of them when the slow tests are asked
for.
Invented solid: spacing 100 um, lognormal radii (median 15 um, log-sd 0.5), fed through the face
z = 0; invented liquid: 0.052 N/m, 48 degrees, 1.2 mPa s.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np
import oracle
import oracle_gas
import oracle_march
import oracle_sitting
from oracle_graphs import (
    body_cases,
    gas_cases,
    general_cases,
    head_cases,
    law_cases,
    lift_cases,
    march_arguments,
    moving_cases,
    random_graph,
    sitting_cases,
    swelling_cases,
)

GRAPHS = 30
SHARES = np.array([0.2, 0.4, 0.6, 0.8])
DATA = Path(__file__).parent / "data"
SPACING, MEDIAN_RADIUS, LOG_SD = 100e-6, 15e-6, 0.5
TENSION, ANGLE_DEG, VISCOSITY = 0.052, 48.0, 1.2e-3
GAMMA_COS = TENSION * np.cos(np.radians(ANGLE_DEG))


def cubic(side, seed=1):
    """Points (n, 3), ends (m, 2), radius (m,) and inlet (the face z = 0) of a cubic lattice."""
    index = np.arange(side**3).reshape(side, side, side)
    ends = np.concatenate(
        [
            np.stack(
                [index.take(range(side - 1), k).ravel(), index.take(range(1, side), k).ravel()], 1
            )
            for k in range(3)
        ]
    )
    points = np.stack(np.unravel_index(index.ravel(), index.shape), 1) * SPACING
    radius = MEDIAN_RADIUS * np.exp(LOG_SD * np.random.default_rng(seed).standard_normal(len(ends)))
    return points, ends, radius, index[:, :, 0].ravel()


def reference(side, seed=1):
    """Arrays of one reference soak, as they are stored."""
    points, ends, radius, inlet = cubic(side, seed)
    found = oracle.soak(len(points), ends, radius, SPACING, inlet, GAMMA_COS, VISCOSITY)
    keep = np.unique(np.linspace(0, len(found.time) - 1, 400).astype(int))
    return {
        "points": points,
        "ends": ends,
        "radius": radius,
        "inlet": inlet,
        "filled_at": found.filled_at,
        "wetted_at": found.wetted_at,
        "time": found.time[keep],
        "uptake": found.uptake[keep],
        "time_at": found.time_at,
    }


def random_reference(seed):
    """Exact oracle on one random graph: (filled_at, wetted_at, time_at)."""
    g = random_graph(seed)
    found = oracle.soak(len(g.points), g.ends, g.radius, g.length, g.inlet, GAMMA_COS, VISCOSITY)
    return found.filled_at, found.wetted_at, found.time_at


def general_reference(case, **more):
    """General oracle on one case: (filled_at, wetted_at, blocked_at, time_at, final uptake).

    With grains also what is captured, suspended and caked of each class in the end, m3.
    """
    args, keys = march_arguments(case)
    close = {"tolerance": 1e-7}
    if case.grains is not None:
        close = {"tolerance": 1e-8, "longest": 0.04, "carries": 1e-6}
    found = oracle_march.soak(*args, **(keys | close | more))
    final = found.uptake[-1]
    at = np.array([found.time_at(share * final) for share in SHARES])
    row = found.filled_at, found.wetted_at, found.blocked_at, at, np.array([final])
    if found.cargo is None:
        return row
    cargo = found.cargo
    return *row, cargo.captured.sum(0), cargo.suspended.sum(0), cargo.caked.sum(0)


def lift_reference(case, **more):
    """General oracle on a case that is lifted out: see LIFTS.

    States are those at the case's times ``at``, that of the lift itself as flows set in after it,
    and at the end (k of them). Full tubes hold no x: x is (k, m, 2) m wet from either end of the
    others. pressure is NaN at dry junctions, and where a cluster is held at rest, which leaves it
    any one of a range. opened_at (m,): when a tube that was full first opened again.
    """
    args, keys = march_arguments(case)
    found = oracle_march.soak(*args, **(keys | {"tolerance": 1e-8} | more))
    states, opened_at = found.states, np.full(len(case.graph.ends), np.nan)
    for then, what, slot in reversed(found.log):
        if what == "open":
            opened_at[slot // 2] = then
    x = np.array([s.x.reshape(-1, 2) for s in states])
    kept = [np.array([getattr(s, n) for s in states]) for n in LIFTS[1:5]]
    return np.array([s.time for s in states]), *kept, x, found.filled_at, found.wetted_at, opened_at


def sitting_reference(case, **more):
    """Oracle of drops on a case: states at its times ``at``, k of them.

    left (k,): of the drop, m3.
    """
    g = case.graph
    args = g.points, g.ends, g.radius, g.length, g.inlet, case.fluid, case.drop, case.at
    found = oracle_sitting.soak(*args, case.drops, case.gravity, **more)
    kept = [np.array([getattr(s, n) for s in found.states]) for n in DROPS[:4]]
    return *kept, found.filled_at, found.wetted_at


def gas_reference(case, tolerance=1e-8):
    """Oracle of trapped air on a case: see GAS. Bubbles by the soak's rule: ``both_ends``.

    Of the march (200 steps of it at most): time (k,) s, uptake m3, gas_pv and lost_pv J: p V of all
    that is trapped, and of what left as bubbles. Of the states at the case's ``at`` and at the end:
    state_time (2,), x (2, m, 2), full, gas_pressure (gauge, NaN where full) and gas_volume (2, m),
    pressure (2, n), NaN where dry, and pocket (2, m): which trapped gas a tube's belongs to.
    """
    g = case.graph
    found = oracle_gas.soak(
        g.points, g.ends, g.radius, g.length, g.inlet, case.fluid, case.until, case.vents,
        case.inlet_pressure, case.gravity, case.waist, tolerance, case.at, both_ends=True,
    )  # fmt: skip
    keep = np.unique(np.linspace(0, len(found.time) - 1, 200).astype(int))
    course = [getattr(found, name)[keep] for name in GAS[:4]]
    states = [np.array([getattr(s, name) for s in found.states]) for name in GAS[7:]]
    x = np.array([s.x.reshape(-1, 2) for s in found.states])
    return *course, found.filled_at, np.array([s.time for s in found.states]), x, *states


RANDOM = ("filled_at", "wetted_at", "time_at")
GENERAL = ("filled_at", "wetted_at", "blocked_at", "time_at", "final")
GRAINS = (*GENERAL, "captured", "suspended", "caked")
LIFTS = ("time", "full", "volume", "pressure", "dry", "x", "filled_at", "wetted_at", "opened_at")
DROPS = ("time", "volume", "left", "dry", "filled_at", "wetted_at")
GAS = ("time", "uptake", "gas_pv", "lost_pv", "filled_at", "state_time", "x", "full")
GAS += ("pressure", "gas_pressure", "gas_volume", "pocket")
#: Files of cases of the general oracle.
SETS = {
    "general": general_cases,
    "laws": law_cases,
    "bodies": body_cases,
    "moving": moving_cases,
    "heads": head_cases,
    "lifts": lift_cases,
    "swelling": swelling_cases,
    "drops": sitting_cases,
    "gas": gas_cases,
}


def names_of(case):
    """What ``row_of`` gives."""
    if case.traps:
        return GAS
    if case.lift or case.drop:
        return LIFTS if case.lift else DROPS
    return GENERAL if case.grains is None else GRAINS


def row_of(case, **more):
    """What is stored of a case, as ``names_of`` names it."""
    if case.traps:
        return gas_reference(case, **more)
    if case.drop:
        return sitting_reference(case, **more)
    return (lift_reference if case.lift else general_reference)(case, **more)


def _row(names, key, values):
    return {f"{key}/{n}": v for n, v in zip(names, values, strict=True)}


def make(what):
    """Write one file of references."""
    if what == "random":
        rows = {}
        for seed in range(GRAPHS):
            rows |= _row(RANDOM, seed, random_reference(seed))
        return "random", rows
    if "/" in what:
        file, name = what.split("/")
        case = SETS[file]()[name]
        kept = dict(np.load(DATA / f"{file}.npz"))
        return file, kept | _row(names_of(case), name, row_of(case))
    if what in SETS:
        rows = {}
        for name, case in SETS[what]().items():
            began = time.perf_counter()
            try:
                rows |= _row(names_of(case), name, row_of(case))
            except Exception as failure:  # the others are still wanted
                print(f"  {name} FAILED: {failure!r}", flush=True)
                continue
            print(f"  {name}: {time.perf_counter() - began:.0f} s", flush=True)
        return what, rows
    return f"lattice_{what}", reference(int(what))


def main(wanted):
    DATA.mkdir(exist_ok=True)
    for what in wanted:
        began = time.perf_counter()
        name, arrays = make(what)
        np.savez_compressed(DATA / f"{name}.npz", **arrays)
        print(f"{name}: {time.perf_counter() - began:.0f} s", flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
