"""Large networks, where a step holds many events: against steps that end on every event."""

from __future__ import annotations

import dataclasses
import threading
from itertools import product

import numpy as np
import pytest
from oracle_data import ANGLE_DEG, DATA, SHARES, TENSION, VISCOSITY
from oracle_data import SPACING as OF_LATTICE

import poresim as ps
from poresim.solid.sizes import Lognormal
from poresim.solid.spec import SolidSpec
from poresim.uptake import march as march_module
from poresim.uptake import step
from poresim.uptake.march import march
from poresim.uptake.state import TOP
from poresim.uptake.step import Stepper

SPACING = 200e-6
LEVELS = np.array([0.2, 0.4, 0.6, 0.79])


def block(
    side: int,
    seed: int = 1,
    log_sd: float = 0.5,
    neighbours: float | None = None,
    waist: float = 1.0,
) -> ps.Network:
    size = ((side - 1) * SPACING,) * 3
    radii = Lognormal(15e-6, log_sd)
    spec = SolidSpec(
        size=size,
        lattice="cubic",
        radii=radii,
        spacing=SPACING,
        neighbours=neighbours,
        waist=waist,
    )
    return ps.build_solid(spec, seed)


def soaked(solid: ps.Network, liquid: ps.Liquid, accuracy: float, **options: object) -> ps.Soak:
    *_, course = march(
        solid, liquid, solid.faces["bottom"], None, 0.8, accuracy=accuracy, **options
    )
    return course.result()


def soak_to(
    solid: ps.Network, inlet: np.ndarray, share: float, accuracy: float, **options: object
) -> ps.Soak:
    *_, course = march(solid, WATER, inlet, None, share, accuracy=accuracy, **options)
    return course.result()


def times(soak: ps.Soak) -> np.ndarray:
    return np.interp(LEVELS, soak.saturation, soak.time_s)


WATER = ps.Liquid(ps.Newtonian(1e-3), surface_tension=0.072, contact_angle_deg=40, density=998)
LIQUIDS = {
    "Newtonian": WATER,
    "power law": ps.Liquid(ps.PowerLaw(0.02, 0.6), 0.072, 40, 998),
    "yield": ps.Liquid(ps.HerschelBulkley(0.02, 0.05, 0.6), 0.072, 40, 998),
    "hysteresis": ps.Liquid(ps.Newtonian(1e-3), 0.072, 40, 998, receding_angle_deg=20),
}


@pytest.fixture
def halves(monkeypatch) -> None:
    """Cut networks in two that are small enough for a test."""
    monkeypatch.setattr(march_module, "HALVES_FROM", 100)


@pytest.mark.parametrize(
    ("parts", "accuracy", "side"),
    [
        pytest.param(*one, marks=[pytest.mark.slow] * (one == (2, 1e-3, 12)))
        for one in product((1, 2), (1e-2, 1e-3), (8, 12))
    ],
)
def test_many_events_in_a_step_keep_the_accuracy(
    monkeypatch, side: int, accuracy: float, parts: int
) -> None:
    """Against the stored results of the event-by-event oracle."""
    monkeypatch.setattr(march_module, "HALVES_FROM", 100 if parts == 2 else 10**9)
    data = dict(np.load(DATA / f"lattice_{side}.npz"))
    solid = ps.Network(data["points"], data["ends"], data["radius"], OF_LATTICE)
    liquid = ps.Liquid(ps.Newtonian(VISCOSITY), TENSION, ANGLE_DEG, 1005.0)
    *_, course = march(
        solid, liquid, data["inlet"], 2 * np.nanmax(data["filled_at"]), accuracy=accuracy,
        one_by_one=False,
    )  # fmt: skip
    many = course.result()
    found = np.interp(SHARES * solid.tube_volume.sum(), many.uptake_m3, many.time_s)
    np.testing.assert_allclose(found, data["time_at"], rtol=accuracy)
    assert many.steps < 1000 < solid.tubes
    assert many.volume_balance <= accuracy / 100


@pytest.mark.parametrize(
    "name",  # a yield stress holds all that a power law does
    [pytest.param(n, marks=[pytest.mark.slow] * (n == "power law")) for n in LIQUIDS],
)
def test_a_coarse_march_agrees_with_a_fine_one(name: str) -> None:
    """From 3000 junctions on a step holds many events whatever is asked for."""
    solid = block(15)
    assert solid.junctions > 3000
    fine, coarse = (soaked(solid, LIQUIDS[name], accuracy) for accuracy in (1e-3, 1e-2))
    np.testing.assert_allclose(times(coarse), times(fine), rtol=1e-2)


CUT = {
    "plain": (WATER, {}, {}),
    "hysteresis": (LIQUIDS["hysteresis"], {}, {}),
    "gravity": (WATER, {}, {"gravity": (3.0, 0.0, -9.8)}),
    "wide": (WATER, {"log_sd": 1.0}, {}),
    "thin": (WATER, {"neighbours": 3.2}, {}),
    "waisted": (WATER, {"waist": 0.5}, {}),
    "moving line": (dataclasses.replace(WATER, log_length_ratio=10.0), {"waist": 0.5}, {}),
}


@pytest.mark.usefixtures("halves")
@pytest.mark.parametrize(
    "name",
    [
        pytest.param(n, marks=[pytest.mark.slow] * (n in ("wide", "thin", "waisted")))
        for n in CUT  # moving lines have waists, too
    ],
)
def test_two_cores_make_the_same_soak_as_one(name: str) -> None:
    """Bit for bit, whatever the liquid and the solid; and the halves the same as the whole."""
    liquid, shape, options = CUT[name]
    solid = block(8, **shape)
    one, two = (
        soaked(solid, liquid, 1e-2, one_by_one=False, cores=cores, **options) for cores in (1, 2)
    )
    for field in dataclasses.fields(one):
        np.testing.assert_array_equal(getattr(one, field.name), getattr(two, field.name))
    march_module.HALVES_FROM = 10**9
    whole = soaked(solid, liquid, 1e-2, one_by_one=False, **options)
    assert not np.array_equal(whole.filled_at_s, one.filled_at_s, equal_nan=True)
    np.testing.assert_allclose(times(one), times(whole), rtol=1e-2)


@pytest.mark.usefixtures("halves")
@pytest.mark.parametrize("join", ["bridged", "apart", "one side wet"])
def test_halves_that_few_tubes_join(join: str) -> None:
    """Two blocks beside one another, joined by a tube or none; liquid comes to both, or to one."""
    left = block(8)
    beside = left.points + [3e-3, 0.0, 0.0]
    n = left.junctions
    at_top = int(np.argmax(left.points.sum(axis=1)))
    bridge = [[at_top, n + at_top]] if join != "apart" else np.empty((0, 2), int)
    solid = ps.Network(
        np.concatenate([left.points, beside]),
        np.concatenate([left.ends, left.ends + n, bridge]),
        np.concatenate([left.radius, left.radius, np.full(len(bridge), 2e-5)]),
    )
    inlet = left.faces["bottom"]
    if join != "one side wet":
        inlet = np.concatenate([inlet, inlet + n])
    share = 0.4 if join == "one side wet" else 0.8
    soaks = [
        soak_to(solid, inlet, share, accuracy, one_by_one=False, cores=cores)
        for accuracy, cores in ((1e-3, 1), (1e-2, 1), (1e-2, 2))
    ]
    fine, one, two = soaks
    np.testing.assert_array_equal(one.filled_at_s, two.filled_at_s)
    levels = share * np.array([0.25, 0.5, 0.75, 0.99])
    found, right = (np.interp(levels, s.saturation, s.time_s) for s in (one, fine))
    np.testing.assert_allclose(found, right, rtol=1e-2)


@pytest.mark.usefixtures("halves")
def test_a_march_that_is_interrupted_lets_its_other_thread_go(monkeypatch) -> None:
    """Else that would wait for ever, and the program never end."""
    solve, calls = step.solve_all, []

    def interrupt(*arguments: object) -> object:
        calls.append(threading.current_thread() is threading.main_thread())
        if calls.count(True) > 3 and calls[-1]:
            raise KeyboardInterrupt
        return solve(*arguments)

    monkeypatch.setattr(step, "solve_all", interrupt)
    with pytest.raises(KeyboardInterrupt):
        soaked(block(12), WATER, 1e-2, one_by_one=False, cores=2)
    assert step._helper().submit(lambda: True).result(timeout=60)
    monkeypatch.undo()
    assert soaked(block(12), WATER, 1e-2, one_by_one=False, cores=2).steps > 10


WIDE = {"log_sd": 1.0}
THIN = {"neighbours": 3.2}


@pytest.mark.parametrize("shape", [WIDE, THIN], ids=["wide", "thin"])
def test_hard_solids_keep_the_accuracy(shape: dict[str, float]) -> None:
    """Conductances over ten decades; a lattice that hangs together by few tubes."""
    solid = block(15, **shape)
    fine, coarse = (soaked(solid, WATER, accuracy) for accuracy in (1e-3, 1e-2))
    np.testing.assert_allclose(times(coarse), times(fine), rtol=1e-2)


def test_wide_radii_take_few_more_solves() -> None:
    """A wide tube is all but a wall to a tangent: damped steps took six times as many."""
    plain, wide = (soaked(block(15, **shape), WATER, 1e-2) for shape in ({}, WIDE))
    assert wide.solves <= 4 * plain.solves


GRAINS = ps.Particles(1e-6, np.array([2e-5]))


@pytest.mark.parametrize(
    ("particles", "parts"), [(None, 1), (GRAINS, 1), (None, 2)], ids=["plain", "grains", "halves"]
)
def test_steps_undone_leave_nothing_behind(
    monkeypatch, particles: ps.Particles | None, parts: int
) -> None:
    """Every step is taken, undone, and taken shorter: the answer stays right."""
    monkeypatch.setattr(march_module, "HALVES_FROM", 100 if parts == 2 else 10**9)
    attempt, tried = Stepper._try, []

    def refuse_every_other(self, now, until, liquid, fresh):
        reached, held, moved, left = attempt(self, now, until, liquid, fresh)
        tried.append(now)
        again = liquid > 0.0 and tried.count(now) == 1
        return reached, held, np.inf if again else moved, left

    monkeypatch.setattr(Stepper, "_try", refuse_every_other)
    data = dict(np.load(DATA / "lattice_8.npz"))
    solid = ps.Network(data["points"], data["ends"], data["radius"], OF_LATTICE)
    liquid = ps.Liquid(ps.Newtonian(VISCOSITY), TENSION, ANGLE_DEG, 1005.0, particles=particles)
    for course in march(
        solid, liquid, data["inlet"], 2 * np.nanmax(data["filled_at"]), accuracy=1e-2,
        one_by_one=False,
    ):  # fmt: skip
        graph, begin = course._state.graph, course._state.log.begin[:, TOP]
        count = 0
        for start, slots in zip(begin, course._state.slots_by_half, strict=True):
            live = np.flatnonzero(slots["live"])
            np.testing.assert_array_equal(graph.slot[slots["number"][live]], start + live)
            count += len(live)
        assert np.count_nonzero(graph.slot >= 0) == count
    soak = course.result()
    assert len(tried) > 1.9 * soak.steps
    found = np.interp(SHARES * solid.tube_volume.sum(), soak.uptake_m3, soak.time_s)
    np.testing.assert_allclose(found, data["time_at"], rtol=1e-2)
    np.testing.assert_allclose(soak.uptake_m3[-1], solid.tube_volume.sum(), rtol=1e-4)


def test_a_junction_that_no_liquid_has_reached_owes_none() -> None:
    """Grains that close a tube on its way to a dry junction call for a balance, but not there."""
    grains = ps.Particles(0.02, np.array([2e-5]))
    liquid = ps.Liquid(ps.Newtonian(1e-3), 0.05, 60.0, 1000.0, particles=grains)
    solid = block(8)
    for course in march(
        solid, liquid, solid.faces["bottom"], 1.0, accuracy=0.05, one_by_one=False, seed=3
    ):
        junctions = course._state.junctions
        assert np.all(junctions["owed"][junctions["wet"] == 0] == 0.0)
    closed = np.isfinite(course.result().blocked_at_s).sum()
    assert closed > 20
    assert not course.result().ending.failed
