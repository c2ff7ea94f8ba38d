"""Random graphs and the cases on which soak is held against the oracle. Invented throughout."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from oracle_curves import Curve
from oracle_grains import Grains
from oracle_tubes import Fluid

THIN = Fluid(gamma=0.052, angle=48.0, consistency=1.2e-3, density=1005.0)

#: INVENTED: a gum of some 0.25 %, rates in 1/s and viscosities in Pa s.
GUM = (
    np.array([0.1, 0.215, 0.464, 1, 2.15, 4.64, 10, 21.5, 46.4, 100, 215, 464, 1000]),
    np.array([957, 852, 636, 421, 272, 171, 111, 72.3, 44.5, 28.6, 19, 12.5, 8.41]) * 1e-3,
)


@dataclass
class Graph:
    points: np.ndarray
    ends: np.ndarray
    radius: np.ndarray
    length: np.ndarray
    inlet: np.ndarray

    @property
    def volume(self):
        return np.pi * self.radius**2 * self.length


def random_graph(seed, junctions=None, log_sd=0.5, median=15e-6, spacing=300e-6):
    """20 to 200 junctions: random points and their nearest neighbours, or a random 4-regular
    graph; some with dead ends, several inlets, or lengths that have nothing to do with space."""
    rng = np.random.default_rng([2024, seed])
    n = int(rng.integers(20, 201)) if junctions is None else junctions
    points = rng.random((n, 3)) * spacing * n ** (1 / 3)
    pairs = _near(points, 3) if rng.random() < 0.6 else _regular(n, 4, rng)
    if rng.random() < 0.5:  # dead ends hang on a tenth of the junctions
        holders = rng.choice(n, max(1, n // 10), replace=False)
        for k, holder in enumerate(holders):
            pairs.append((int(holder), n + k))
        points = np.vstack([points, points[holders] + rng.normal(0, spacing, (len(holders), 3))])
    ends = np.array(sorted(set(pairs)))
    flip = rng.random(len(ends)) < 0.5
    ends[flip] = ends[flip, ::-1]
    length = np.linalg.norm(points[ends[:, 0]] - points[ends[:, 1]], axis=1)
    if rng.random() < 0.4:
        length = spacing * np.exp(0.6 * rng.standard_normal(len(ends)))
    radius = median * np.exp(log_sd * rng.standard_normal(len(ends)))
    inlet = np.argsort(points[:, 2])[: int(rng.integers(1, 2 + n // 12))]
    return Graph(points, ends, radius, length, inlet)


def _near(points, k):
    """Edges to the k nearest neighbours, and a chain in z so that the graph hangs together."""
    gap = np.linalg.norm(points[:, None] - points[None], axis=-1)
    np.fill_diagonal(gap, np.inf)
    near = np.argsort(gap, axis=1)[:, :k]
    pairs = {tuple(sorted((i, int(j)))) for i in range(len(points)) for j in near[i]}
    order = np.argsort(points[:, 2])
    for rank in range(1, len(order)):
        below = order[:rank]
        nearest = below[np.argmin(gap[order[rank], below])]
        pairs.add(tuple(sorted((int(order[rank]), int(nearest)))))
    return sorted(pairs)


def _regular(n, degree, rng):
    stubs = rng.permutation(np.repeat(np.arange(n), degree))[: n * degree // 2 * 2]
    pairs = {tuple(sorted((int(a), int(b)))) for a, b in stubs.reshape(-1, 2) if a != b}
    return sorted(pairs)


@dataclass
class Case:
    """One case of the general oracle; ``grains`` = (volume fraction, diameters, shares, leak)."""

    graph: Graph
    fluid: Fluid
    waist: float | np.ndarray = 1.0
    gravity: tuple = (0.0, 0.0, 0.0)
    until: float = np.inf
    grains: tuple | None = None
    seed: int = 0
    body: float | np.ndarray = 0.0  # (n,) m3
    face_m2: float | None = None
    inlet_pressure: float | tuple = 0.0
    lift: tuple = ()  # times, s: out of the liquid, back in, ...
    exposed: tuple | None = None  # junctions on the outside; None: the inlets
    swelling: tuple | None = None  # share of its radius that a full tube loses, in what time, s
    at: tuple = ()  # times (from the first lift on) of which states are kept, s
    drop: float = 0.0  # m3 of a drop that is all the liquid there is; then ``at`` from 0 s on
    drops: tuple = ()  # times of further ones, s
    traps: bool = False  # whether air can be trapped
    vents: tuple | None = None  # then: junctions open to free air; None: all


def general_cases():
    """name -> Case. Small graphs, one mechanism each, then mixtures."""
    down, tilt = (0.0, 0.0, -9.80665), (5.0, 0.0, -8.0)
    wide = dict(median=150e-6, spacing=10e-3, log_sd=0.4)
    gum = Fluid(0.052, 48.0, 0.05, 0.6)
    thin_yield = Fluid(0.052, 48.0, 3e-3, 1.0, yield_stress=1.0)
    pudding = Fluid(0.052, 48.0, 0.05, 0.6, yield_stress=1.0)
    stiff = Fluid(0.052, 48.0, 0.05, 0.6, yield_stress=30.0)
    caught = Fluid(0.052, 48.0, 1.2e-3, receding=20.0, density=1005.0)
    grains = (0.02, np.array([8e-6, 14e-6, 22e-6, 34e-6]), np.array([0.2, 0.4, 0.3, 0.1]), 0.05)
    wider = (0.06, np.array([8e-6, 16e-6, 30e-6, 42e-6]), np.array([0.05, 0.05, 0.1, 0.8]), 0.5)
    long = random_graph(44, 14, spacing=1.5e-3)  # 42 um fits neither inlet, 30 um fits one of two
    return {
        "thin": Case(random_graph(1, 20), THIN),
        "power_0.6": Case(random_graph(2, 16), gum),
        "power_0.35": Case(random_graph(3, 12), Fluid(0.052, 48.0, 0.3, 0.35)),
        "power_1.4": Case(random_graph(4, 12), Fluid(0.052, 48.0, 3e-4, 1.4)),
        "bingham": Case(random_graph(5, 14), thin_yield, until=0.2),
        "yield": Case(random_graph(6, 14), pudding, until=0.2),
        "yield_stops": Case(random_graph(19, 14), stiff, until=0.5),
        "waist_0.5": Case(random_graph(7, 14), THIN, waist=0.5),
        "waist_0.3": Case(random_graph(8, 12), THIN, waist=0.3),
        "waist_power": Case(random_graph(9, 12), gum, waist=0.5),
        "waist_yield": Case(random_graph(10, 9), pudding, waist=0.6, until=0.2),
        "gravity": Case(random_graph(11, 20, **wide), THIN, gravity=down, until=20.0),
        "gravity_tilt": Case(random_graph(12, 16, **wide), THIN, gravity=tilt, until=20.0),
        "gravity_waist": Case(random_graph(13, 12, **wide), THIN, 0.6, down, until=20.0),
        "hysteresis": Case(random_graph(14, 20, log_sd=0.8), caught),
        "hysteresis_gravity": Case(random_graph(15, 14, **wide), caught, 1.0, down, until=20.0),
        "hysteresis_waist": Case(random_graph(16, 12, log_sd=0.7), caught, 0.5),
        "grains": Case(random_graph(17, 20), THIN, grains=grains, seed=3),
        "grains_waist": Case(random_graph(18, 14), THIN, 0.5, grains=grains, seed=4),
        "grains_cake": Case(long, THIN, grains=wider, seed=5, face_m2=2e-9),
    }


def law_cases():
    """name -> Case: every flow law on a straight and a waisted graph, then waists on their own."""
    wide = dict(median=60e-6, spacing=5e-3)  # slow enough for rates that were measured
    own = random_graph(53, 40)
    waists = np.random.default_rng(53).uniform(0.3, 1.0, len(own.ends))
    waists[::5] = 1.0
    thick = random_graph(55, 20)
    several = np.random.default_rng(55).uniform(0.3, 1.0, len(thick.ends))
    several[::5] = 1.0
    laws = {
        "power": Fluid(0.052, 48.0, 0.2, 0.45),
        "bingham": Fluid(0.052, 48.0, 3e-3, yield_stress=5.0),
        "herschel": Fluid(0.052, 48.0, 0.05, 0.6, yield_stress=5.0),
        "cross": _curve("Cross", 0.05, 0.0015, 1e-3, 0.8),
        "carreau": _curve("Carreau", 0.3, 0.0, 0.01, 0.5),
        "measured": _curve("MeasuredFlow", *GUM),
    }
    sizes = dict(zip(laws, (120, 60, 40, 60, 40, 50), strict=True))
    cases = {}
    for k, (name, fluid) in enumerate(laws.items()):
        until = 1.0 if fluid.yield_stress else np.inf
        size = wide if name == "measured" else {}
        cases[f"law_{name}"] = Case(random_graph(40 + k, sizes[name], **size), fluid, until=until)
        graph = random_graph(60 + k, 24, **size)
        cases[f"law_{name}_waist"] = Case(graph, fluid, 0.5, until=until)
    return cases | {
        "waists_0.3": Case(random_graph(50, 30), THIN, 0.3),
        "waists_0.8": Case(random_graph(51, 60), THIN, 0.8),
        "waists_own": Case(own, THIN, waists),
        "law_herschel_waist_0.3": Case(random_graph(54, 24), laws["herschel"], 0.3, until=1.0),
        "law_herschel_waists": Case(thick, laws["herschel"], several, until=1.0),
        "law_cross_waists": Case(thick, laws["cross"], several),
    }


def body_cases():
    """name -> Case: junctions that hold a volume, 1 to 2 times as wide as their widest tube."""
    gum = Fluid(0.052, 48.0, 0.05, 0.6)
    caught = Fluid(0.052, 48.0, 1.2e-3, receding=20.0, density=1005.0)
    rows = {
        "body_1": (random_graph(70, 30), THIN, 1.0, 1.0, 0.0),
        "body_1_to_2": (random_graph(71, 24), THIN, 1.0, 2.0, 0.0),
        "body_some": (random_graph(72, 40), THIN, 1.2, 1.8, 0.5),
        "body_power": (random_graph(73, 24), gum, 1.0, 2.0, 0.0),
        "body_hysteresis": (random_graph(74, 24, log_sd=0.7), caught, 1.0, 2.0, 0.2),
    }
    return {
        name: Case(graph, fluid, body=_bodies(graph, low, high, without))
        for name, (graph, fluid, low, high, without) in rows.items()
    }


def moving_cases():
    """name -> Case: angles that depend on the speed of the line."""
    wide = dict(median=150e-6, spacing=10e-3, log_sd=0.4)
    slow = replace(THIN, log_ratio=10.0)
    caught = replace(slow, receding=20.0)
    grains = (0.02, np.array([8e-6, 14e-6, 22e-6, 34e-6]), np.array([0.2, 0.4, 0.3, 0.1]), 0.05)
    down = (5.0, 0.0, -8.0)
    return {
        "moving": Case(random_graph(1, 20), slow),
        "moving_gravity": Case(random_graph(12, 16, **wide), slow, gravity=down, until=20.0),
        "moving_hysteresis": Case(random_graph(14, 16, log_sd=0.8), caught),
        "moving_waist": Case(random_graph(7, 12), slow, 0.6),
        "moving_grains": Case(random_graph(17, 16), slow, grains=grains, seed=3),
    }


def head_cases():
    """name -> Case: inlets under pressure, under suction, and apart from one another."""
    wide = dict(median=150e-6, spacing=10e-3, log_sd=0.4)
    down = (0.0, 0.0, -9.80665)
    gum = Fluid(0.052, 48.0, 0.05, 0.6)
    caught = Fluid(0.052, 48.0, 1.2e-3, receding=20.0, density=1005.0)
    dry = Fluid(0.052, 105.0, 1.2e-3, density=1005.0)
    return {
        "head": Case(random_graph(1, 20), THIN, inlet_pressure=6000.0),
        "head_between": Case(random_graph(60, 16), THIN, inlet_pressure=(3000.0, -500.0)),
        "head_gum_waist": Case(random_graph(62, 12), gum, 0.6, inlet_pressure=(0.0, 4000.0)),
        "head_gravity": Case(
            random_graph(63, 20, **wide), THIN, 1.0, down, 20.0, inlet_pressure=(300.0, 200.0)
        ),
        "suction": Case(
            random_graph(14, 20, log_sd=0.8), caught, until=0.5, inlet_pressure=-2500.0
        ),
        "pressed_in": Case(random_graph(2, 16), dry, until=0.5, inlet_pressure=1800.0),
    }


def swelling_cases():
    """name -> Case: full tubes narrow; by so much, and so soon, that it shows."""
    wide = dict(median=150e-6, spacing=10e-3, log_sd=0.4)
    down = (0.0, 0.0, -9.80665)
    gum = Fluid(0.052, 48.0, 0.05, 0.6)
    caught = Fluid(0.052, 48.0, 1.2e-3, receding=20.0, density=1005.0)
    return {
        "swelling": Case(random_graph(1, 20), THIN, swelling=(0.5, 5e-3)),
        "swelling_30": Case(random_graph(65, 30), THIN, swelling=(0.3, 3e-3)),
        "swelling_gum": Case(random_graph(2, 16), gum, swelling=(0.4, 10e-3)),
        "swelling_waist": Case(random_graph(7, 14), THIN, 0.5, swelling=(0.5, 0.05)),
        "swelling_gravity": Case(
            random_graph(11, 20, **wide), THIN, 1.0, down, 20.0, swelling=(0.6, 1.0)
        ),
        "swelling_hysteresis": Case(random_graph(14, 20, log_sd=0.8), caught, swelling=(0.5, 5e-3)),
    }


def star(radii, stem, length=1e-3):
    """A stem from the inlet to a junction, from where tubes of these radii go on."""
    count = len(radii)
    turn = 2 * np.pi * np.arange(count) / count
    tips = length * np.stack([np.cos(turn), np.sin(turn), np.ones(count)], 1)
    points = np.vstack([[0, 0, 0], [0, 0, length], tips])
    ends = np.array([[0, 1], *([1, 2 + k] for k in range(count))])
    radius = np.array([stem, *radii])
    return Graph(points, ends, radius, np.full(count + 1, length), np.array([0]))


def lift_cases():
    """name -> Case: the solid is lifted out of its liquid, which goes on moving in it."""
    wide = dict(median=150e-6, spacing=10e-3, log_sd=0.4)
    down = (0.0, 0.0, -9.80665)
    gum = Fluid(0.052, 48.0, 0.05, 0.6)
    caught = Fluid(0.052, 48.0, 1.2e-3, receding=30.0, density=1005.0)
    thin_yield = Fluid(0.052, 48.0, 3e-3, 1.0, yield_stress=1.0)
    arms = star(np.array([12e-6, 20e-6, 8e-6, 15e-6, 10e-6]), 24e-6)
    faces = random_graph(8, 16)
    order = np.argsort(faces.points[:, 2])
    both = replace(faces, inlet=np.concatenate([order[:2], order[-2:]]))
    far = tuple(int(i) for i in order[[0, 1, -2, -1]])
    rows = {  # graph, liquid, lifts, until, more
        "lift_star": (arms, THIN, (0.0043,), 1.0, {}),
        "lift_random": (random_graph(4, 16), THIN, (0.002,), 0.5, {}),
        "lift_random_20": (random_graph(6, 20), THIN, (0.008,), 10.0, {}),
        "lift_two_faces": (both, THIN, (0.0003,), 10.0, {}),
        "lift_again": (both, THIN, (0.0003, 0.0009), 0.1, {}),
        "lift_thrice": (faces, THIN, (0.006, 0.01, 0.015), 1.0, {"exposed": far}),
        "lift_gravity": (random_graph(11, 14, **wide), THIN, (0.74,), 40.0, {"gravity": down}),
        "lift_hysteresis": (random_graph(14, 14, log_sd=0.8), caught, (0.0006,), 100.0, {}),
        "lift_power": (random_graph(2, 14), gum, (0.003,), 100.0, {}),
        "lift_yield": (random_graph(5, 12), thin_yield, (0.04,), 0.5, {}),
        "lift_waist": (random_graph(8, 12), THIN, (0.0012,), 0.5, {"waist": 0.6}),
        "lift_box": (random_graph(9, 18), THIN, (0.0067,), 0.5, {}),
    }
    cases = {}
    for name, (graph, fluid, lift, until, more) in rows.items():
        steps = np.array([0.0, 0.01, 0.1, 0.3, 1.0, 3.0])
        at = tuple(float(t) for t in lift[0] * (1 + steps))
        cases[name] = Case(graph, fluid, lift=lift, until=until, at=at, **more)
    return cases


def sitting_cases():
    """name -> Case: drops on the lowest junctions of a graph are all the liquid there is."""
    wide = dict(median=150e-6, spacing=2.5e-3, log_sd=0.4)
    high = dict(median=150e-6, spacing=20e-3, log_sd=0.4)
    down, up = (0.0, 0.0, -9.80665), (0.0, 0.0, 9.80665)
    pinned, slides = replace(THIN, receding=0.0), replace(THIN, receding=20.0)
    rows = {  # graph, inlets, drop over the room in the tubes, liquid, seconds, more
        "sit_one": (random_graph(4, 16), 1, 0.5, pinned, (1e-4, 0.03), {}),
        "sit_pinned": (random_graph(10, 24), 12, 0.5, pinned, (1e-4, 0.03), {}),
        "sit_slides": (random_graph(3, 24), 12, 0.34, slides, (1e-5, 0.03), {}),
        "sit_slides_at_once": (random_graph(16, 24), 12, 0.4, THIN, (1e-5, 0.03), {}),
        "sit_full": (random_graph(4, 14), 1, 1.5, slides, (1e-4, 0.1), {}),
        "sit_rests": (
            random_graph(12, 14, **high), 1, 0.8, slides, (0.1, 400.0), {"gravity": down}
        ),
        "sit_gravity": (
            random_graph(12, 24, **wide), 12, 0.65, slides, (1e-3, 0.3), {"gravity": up}
        ),
    }  # fmt: skip
    several = {
        "sit_twice": (random_graph(3, 24), 12, 0.34, slides, (1e-5, 0.03), {"drops": (2e-3,)}),
        "sit_again": (
            random_graph(10, 24), 12, 0.25, pinned, (1e-4, 0.03), {"drops": (0.01, 0.0102)}
        ),
    }  # fmt: skip
    cases = {}
    for name, (graph, inlets, share, fluid, (first, last), more) in (rows | several).items():
        graph = replace(graph, inlet=np.sort(np.argsort(graph.points[:, 2])[:inlets]))
        at = tuple(float(t) for t in np.geomspace(first, last, 16))
        drop = share * float(graph.volume.sum())
        cases[name] = Case(graph, fluid, at=at, until=at[-1], drop=drop, **more)
    return cases


def gas_cases():
    """name -> Case: air is trapped. ``at``: a time on the way.

    No case has air alone about a waist between ends at equal pressure: there it stands on a knife's
    edge, as the meniscus that goes on gains suction, and rounding says when it goes, and where.
    """
    wide = dict(median=150e-6, spacing=10e-3, log_sd=0.4)
    down = (0.0, 0.0, -9.80665)
    caught = Fluid(0.052, 48.0, 1.2e-3, receding=20.0, density=1005.0)
    line = np.array([[0, 0, 0], [0, 0, 1e-2]])
    one = Graph(line, np.array([[0, 1]]), np.array([10e-6]), np.array([1e-2]), np.array([0]))
    block = Graph(
        1e-2 * np.array([[0, 0, 0], [0.1, 0, 0], [0, 0, 1]]), np.array([[0, 2], [1, 2]]),
        np.array([30e-6, 8e-6]), np.full(2, 1e-2), np.array([0, 1]),
    )  # fmt: skip
    rows = {  # graph, liquid, vents, at, until, more
        "gas_closed": (one, THIN, (), 0.005, 10.0, {}),
        "gas_between": (
            replace(one, inlet=np.array([0, 1])), THIN, None, 2.0, 10.0,
            {"inlet_pressure": (1000.0, 0.0)},
        ),
        "gas_block": (block, THIN, (), 0.4, 10.0, {}),
        "gas_random": (random_graph(2, 12), THIN, (), 4e-4, 10.0, {}),
        "gas_few_vents": (random_graph(3, 12), THIN, (0, 5), 0.001, 10.0, {}),
        "gas_hysteresis": (random_graph(14, 12, log_sd=0.8), caught, (3,), 4e-4, 10.0, {}),
        "gas_heads": (
            random_graph(63, 12, **wide), THIN, (4, 9), 0.1, 20.0,
            {"gravity": down, "inlet_pressure": (300.0, 200.0)},
        ),
        "gas_waist": (random_graph(22, 11), THIN, (2, 7), 6e-4, 10.0, {"waist": 0.7}),
    }  # fmt: skip
    return {
        name: Case(graph, fluid, traps=True, vents=vents, at=(at,), until=until, **more)
        for name, (graph, fluid, vents, at, until, more) in rows.items()
    }


def _bodies(graph, low, high, without):
    """(n,) m3: balls low to high times as wide as the widest tube; a share ``without`` has none."""
    rng = np.random.default_rng(len(graph.ends))
    widest = np.zeros(len(graph.points))
    for end in (0, 1):
        np.maximum.at(widest, graph.ends[:, end], graph.radius)
    ball = widest * rng.uniform(low, high, len(widest))
    return 4 / 3 * np.pi * ball**3 * (rng.random(len(widest)) >= without)


def _curve(law, *arguments):
    return Fluid(0.052, 48.0, np.nan, curve=Curve(law, arguments))


def march_arguments(case):
    """Arguments of oracle_march.soak for a case."""
    g = case.graph
    more = {
        "waist": case.waist,
        "gravity": case.gravity,
        "until": case.until,
        "body": case.body,
        "face_m2": case.face_m2,
        "inlet_pressure": case.inlet_pressure,
        "swelling": case.swelling,
    }
    if case.lift:
        more |= {"lift": case.lift, "exposed": case.exposed, "at": case.at}
    if case.grains is not None:
        stream = np.random.SeedSequence(case.seed, spawn_key=(1,))
        draws = np.random.default_rng(stream).exponential(size=len(g.ends))
        fraction, sizes, shares, leak = case.grains
        more["grains"] = Grains(fraction, sizes, shares, draws, leak)
    return (g.points, g.ends, g.radius, g.length, g.inlet, case.fluid), more


def soak_arguments(case):
    """(solid, liquid, inlet, keywords) of ps.soak for a case."""
    import poresim as ps

    g, f = case.graph, case.fluid
    if f.curve is not None:
        law = getattr(ps, f.curve.law)(*f.curve.arguments)
    elif f.yield_stress > 0:
        law = ps.HerschelBulkley(f.yield_stress, f.consistency, f.index)
        if f.index == 1:
            law = ps.Bingham(f.yield_stress, f.consistency)
    else:
        law = ps.Newtonian(f.consistency) if f.index == 1 else ps.PowerLaw(f.consistency, f.index)
    grains = None
    if case.grains is not None:
        fraction, sizes, shares, leak = case.grains
        grains = ps.Particles(fraction, sizes, shares, leak=leak)
    liquid = ps.Liquid(
        viscosity=law,
        surface_tension=f.gamma,
        contact_angle_deg=f.angle,
        density=f.density,
        receding_angle_deg=f.receding,
        particles=grains,
        log_length_ratio=f.log_ratio,
    )
    solid = ps.Network(
        g.points, g.ends, g.radius, g.length, waist=case.waist, body_volume=case.body
    )
    more = {
        "gravity": case.gravity,
        "seed": case.seed,
        "face_m2": case.face_m2,
        "inlet_pressure": case.inlet_pressure,
        "swelling": None if case.swelling is None else ps.Swelling(*case.swelling),
    }
    if case.lift:
        more |= {"lift_s": case.lift, "outside": case.exposed}
    if case.drop:
        more |= {"drop_m3": case.drop}
    if case.drops:
        more |= {"drops_s": case.drops}
    if case.traps:
        more |= {"air": "trapped", "vents": case.vents}
    return solid, liquid, g.inlet, more
