"""The soak against the event-by-event oracle, at accuracies 1e-2, 1e-3 and 1e-4.

Asked of every soak: the time at 20, 40, 60 and 80 % of the final uptake is right to the accuracy,
and every tube fills at its time to accuracy * (its own time + a tenth of the whole soak).
The oracle's results are stored in tests/data; test_oracle_stored.py recomputes them.
"""

from __future__ import annotations

import functools
from dataclasses import replace

import numpy as np
import pytest
from oracle_data import (
    ANGLE_DEG,
    DATA,
    GRAPHS,
    SETS,
    SHARES,
    SPACING,
    TENSION,
    VISCOSITY,
    cubic,
)
from oracle_graphs import random_graph, soak_arguments

import poresim as ps

THIN = ps.Liquid(
    viscosity=ps.Newtonian(VISCOSITY),
    surface_tension=TENSION,
    contact_angle_deg=ANGLE_DEG,
    density=1005.0,
)
ACCURACIES = (1e-2, 1e-3, 1e-4)
SOAKED = ("general", "laws", "bodies", "moving", "heads", "swelling")
CASES = {name: case for file in SOAKED for name, case in SETS[file]().items()}
FILES = {name: file for file in SOAKED for name in SETS[file]()}

#: What the march does not hold yet, and why: work to do, not tolerances to loosen.
#: benchmarks/ACCURACY.md has the figures.
WEAK: dict[str, str] = {
    "grains": "flows change when a throat closes; between steps they count as what they were",
    "grains_waist": "the same",
    "swelling_gravity": "one tube fills after nearly all time, as its drive dies away: 4 times off",
    "grains_cake": "a cake is taken as at the middle of a next step that is longer than the last",
}
#: Long at 1e-2 already; another case with the same law or the same bodies is quick.
LONGEST = (
    "law_power",
    "law_carreau",
    "law_cross",
    "law_herschel",
    "law_measured",
    "waists_0.3",
    "waists_0.8",
    "law_herschel_waist_0.3",
    "law_herschel_waists",
    "law_cross_waists",
)
#: Looked at 1e-3 each time, the others at 1e-2: of every kind of physics the shortest.
FINE = (
    "thin",
    "gravity_tilt",
    "suction",
    "pressed_in",
    "power_0.6",
    "power_1.4",
    "bingham",
    "waist_yield",
    "hysteresis_gravity",
    "grains",
    "grains_cake",
    "body_hysteresis",
    "moving_gravity",
    "head",
    "head_between",
    "head_gravity",
    "swelling",
    "swelling_30",
)
#: Looked at 1e-4 each time.
QUICK = ("thin", "grains")
#: Random graphs looked at each time, at 1e-2 and at 1e-3: they differ in their draws alone.
QUICK_GRAPHS = {
    1e-2: (0, *range(2, 10), 14, 19, 27),
    1e-3: (0, *range(3, 8)),  # made anyway where errors are seen to fall
}


def marks(slow):
    """Of a case in a table of parameters."""
    return [pytest.mark.slow] * slow


@functools.cache
def stored(name):
    return dict(np.load(DATA / f"{name}.npz"))


def curve_error(soak, final, time_at):
    """Largest relative error of the time at 20, 40, 60 and 80 % of the final uptake."""
    taken = soak.uptake_m3 - soak.uptake_m3[0]  # bodies of inlets are full from the start
    found = np.interp(SHARES * final, taken, soak.time_s)
    return np.abs(found / time_at - 1).max()


def tube_error(found, expected, total):
    """Largest |error| of an event's time over (its own time + a tenth of the soak)."""
    if np.any(np.isnan(found) != np.isnan(expected)):
        return np.inf  # an event that never comes, or one that never should
    known = ~np.isnan(expected)
    if not known.any():
        return 0.0
    return (np.abs(found - expected)[known] / (expected[known] + 0.1 * total)).max()


def judge(soak, accuracy, final, time_at, filled_at, label):
    total = np.nanmax(filled_at)
    curve, tubes = (
        curve_error(soak, final, time_at),
        tube_error(soak.filled_at_s, filled_at, total),
    )
    words = f"{label}, accuracy {accuracy:g}: curve {curve:.2e}, tubes {tubes:.2e}"
    assert soak.volume_balance <= accuracy / 100, words
    assert not soak.ending.failed, words
    if label in WEAK and (curve > accuracy or tubes > accuracy):
        assert curve <= 20 * accuracy, words  # shown as not reached, and must not get much worse
        pytest.xfail(f"not reached: {words}. {WEAK[label]}")
    assert curve <= accuracy and tubes <= accuracy, words


@functools.cache
def random_soak(seed, accuracy):
    g = random_graph(seed)
    solid = ps.Network(g.points, g.ends, g.radius, g.length)
    data = {k: stored("random")[f"{seed}/{k}"] for k in ("filled_at", "time_at")}
    # twice the oracle's whole time: ends by itself, when all that can be reached is full
    soak = ps.soak(
        solid, THIN, g.inlet, until_s=2 * np.nanmax(data["filled_at"]), accuracy=accuracy
    )
    final = g.volume[~np.isnan(data["filled_at"])].sum()
    return soak, final, data["time_at"], data["filled_at"]


@pytest.mark.parametrize(
    ("seed", "accuracy"),
    [
        pytest.param(seed, a, marks=marks(seed not in QUICK_GRAPHS[a]))
        for a in (1e-2, 1e-3)
        for seed in range(GRAPHS)
    ],
)
def test_random_graphs(seed, accuracy):
    judge(*_ordered(random_soak(seed, accuracy), accuracy), f"random graph {seed}")


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(GRAPHS))
def test_random_graphs_closely(seed):
    judge(*_ordered(random_soak(seed, 1e-4), 1e-4), f"random graph {seed}")


def _ordered(result, accuracy):
    soak, final, time_at, filled_at = result
    return soak, accuracy, final, time_at, filled_at


def test_error_falls_as_accuracy_tightens():
    """Root mean square over six graphs of the errors of the curve and of the tubes."""
    errors = []
    for accuracy in (1e-1, 1e-2, 1e-3):
        rows = []
        for seed in (0, *range(3, 8)):
            soak, final, time_at, filled_at = random_soak(seed, accuracy)
            total = np.nanmax(filled_at)
            rows.append(
                (
                    curve_error(soak, final, time_at),
                    tube_error(soak.filled_at_s, filled_at, total),
                )
            )
        errors.append(np.sqrt(np.mean(np.square(rows), axis=0)))
    curve, tubes = np.array(errors).T
    assert np.all(curve[1:] < curve[:-1]) and curve[-1] < 0.1 * curve[0], errors
    assert np.all(tubes[1:] < tubes[:-1]) and tubes[-1] < 0.1 * tubes[0], errors


def lattice_soak(side, accuracy):
    data = stored(f"lattice_{side}")
    points, ends, radius, inlet = (data[k] for k in ("points", "ends", "radius", "inlet"))
    solid = ps.Network(points, ends, radius, SPACING)
    total = np.nanmax(data["filled_at"])
    soak = ps.soak(solid, THIN, inlet, until_s=2 * total, accuracy=accuracy)
    return soak, solid.tube_volume.sum(), data["time_at"], data["filled_at"]


@pytest.mark.parametrize(
    ("side", "accuracy"),
    [
        # quick with many events a step: test_many_events_in_a_step_keep_the_accuracy
        pytest.param(8, 1e-2, marks=pytest.mark.slow),
        pytest.param(8, 1e-3, marks=pytest.mark.slow),
        pytest.param(8, 1e-4, marks=pytest.mark.slow),
        pytest.param(12, 1e-2, marks=pytest.mark.slow),
        pytest.param(12, 1e-3, marks=pytest.mark.slow),
        pytest.param(12, 1e-4, marks=pytest.mark.slow),
    ],
)
def test_cubic_lattices(side, accuracy):
    judge(*_ordered(lattice_soak(side, accuracy), accuracy), f"{side}^3")


@pytest.mark.parametrize("side", [8, 12])
def test_stored_lattice_is_the_stated_one(side):
    data = stored(f"lattice_{side}")
    for value, key in zip(cubic(side), ("points", "ends", "radius", "inlet"), strict=True):
        # exponentials differ by a rounding from processor to processor
        np.testing.assert_allclose(value, data[key], rtol=1e-14)


def check_order(s, solid, accuracy, gravity):
    """What every soak of tubes alone must obey, whatever the oracle says."""
    assert s.volume_balance <= accuracy / 100
    assert s.time_s[0] == 0 and np.all(np.diff(s.time_s) > 0)
    full = ~np.isnan(s.filled_at_s)
    assert s.uptake_m3[-1] >= solid.tube_volume[full].sum() * (1 - accuracy / 100)
    assert s.uptake_m3[-1] <= solid.tube_volume.sum() * (1 + 1e-9)
    np.testing.assert_allclose(s.saturation, s.uptake_m3 / solid.tube_volume.sum(), rtol=1e-9)
    assert np.nanmax(s.filled_at_s) <= s.time_s[-1] * (1 + 1e-12)
    # a tube fills after at least one of its ends got wet, and wets the other
    ends = s.wetted_at_s[solid.ends][full]
    assert np.all(np.nanmin(ends, axis=1) <= s.filled_at_s[full])
    assert np.all(ends <= s.filled_at_s[full][:, None] * (1 + 1e-12))
    if not gravity:
        # an ebb can only be what the volume balance leaves open
        assert np.all(np.diff(s.uptake_m3) >= -accuracy / 100 * s.uptake_m3[-1])


def check_case(name, accuracy):
    case, data = CASES[name], stored(FILES[name])
    filled, blocked, time_at, final = (
        data[f"{name}/{k}"] for k in ("filled_at", "blocked_at", "time_at", "final")
    )
    until = case.until if np.isfinite(case.until) else 2 * np.nanmax(filled)
    solid, liquid, inlet, more = soak_arguments(case)
    soak = ps.soak(solid, liquid, inlet, until_s=until, accuracy=accuracy, **more)
    if FILES[name] in ("general", "laws"):
        check_order(soak, solid, accuracy, gravity=any(more["gravity"]))
    judge(soak, accuracy, final[0], time_at, filled, name)
    assert soak.uptake_m3[-1] - soak.uptake_m3[0] == pytest.approx(final[0], rel=accuracy)
    closing = tube_error(soak.blocked_at_s, blocked, np.nanmax(filled))
    if name in WEAK and closing > accuracy:
        pytest.xfail(f"{name}: throats close {closing:.2e} off. {WEAK[name]}")
    assert closing <= accuracy, f"{name}: throats close {closing:.2e} off"
    if case.grains is not None:
        caught = data[f"{name}/captured"] + data[f"{name}/caked"]
        for key, found in (
            ("captured", soak.captured_m3[-1]),
            ("suspended", soak.suspended_m3[-1]),
            ("caked", soak.cake_m3[-1]),
        ):
            apart = np.abs(found - data[f"{name}/{key}"]).max() / caught.sum()
            assert apart <= accuracy, f"{name}: {key} {apart:.2e} of all that is caught off"


@pytest.mark.parametrize(
    ("name", "accuracy"),
    [
        pytest.param(
            name, a, marks=marks(name in FINE + LONGEST if a == 1e-2 else name not in FINE)
        )
        for a, passed_over in ((1e-2, FINE + LONGEST), (1e-3, set(CASES) - set(FINE)))
        for name in CASES
    ],
)
def test_other_physics(name, accuracy):
    check_case(name, accuracy)


@pytest.mark.parametrize("name", [pytest.param(n, marks=marks(n not in QUICK)) for n in CASES])
def test_other_physics_closely(name):
    check_case(name, 1e-4)


@pytest.mark.parametrize("name", [n for n in CASES if n.startswith("grains")])
def test_grains_close_something(name):
    """The filtration cases would prove nothing if no throat closed."""
    assert np.isfinite(stored("general")[f"{name}/blocked_at"]).sum() >= 3


def test_a_cake_slows_something():
    """The cake case would prove little if its cake did not hold much back."""
    case, taken = CASES["grains_cake"], []
    for face in (case.face_m2, 1e3 * case.face_m2):
        solid, liquid, inlet, more = soak_arguments(replace(case, face_m2=face))
        soak = ps.soak(solid, liquid, inlet, until_saturation=0.9, accuracy=1e-2, **more)
        taken.append(soak.time_s[-1])
    assert taken[0] > 1.5 * taken[1]


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(100, 130))
def test_fresh_random_graphs(seed):
    """Graphs that nobody has tuned against: the oracle runs here and now."""
    import oracle
    from oracle_data import GAMMA_COS

    g = random_graph(seed, log_sd=0.8 if seed % 2 else 0.5)
    ref = oracle.soak(len(g.points), g.ends, g.radius, g.length, g.inlet, GAMMA_COS, VISCOSITY)
    solid = ps.Network(g.points, g.ends, g.radius, g.length)
    for accuracy in ACCURACIES:
        soak = ps.soak(solid, THIN, g.inlet, until_s=2 * ref.time[-1], accuracy=accuracy)
        final = g.volume[~np.isnan(ref.filled_at)].sum()
        judge(soak, accuracy, final, ref.time_at, ref.filled_at, f"fresh graph {seed}")
