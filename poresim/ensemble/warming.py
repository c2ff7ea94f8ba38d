"""Compile every kernel ahead: small soaks and flows that between them use all there is.

numba compiles a kernel when it is first called, so the kernels of a soak are compiled by a soak.
Which ones it calls depends on the liquid's law, on tubes with a waist or without, on how many
junctions there are and on the accuracy; the list below takes every such case once. What is there
for each kernel is kept on disk (:mod:`poresim.tube.jit`), and a marker written in the end says
that it is all there: a cache that was broken off half way has none.

The kernel that balances all junctions takes half of the time. Where there is a second core, a
second process compiles meanwhile what is called beside it, and the first finds that on disk.
"""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np

from poresim.liquid.laws import HerschelBulkley, Newtonian, PowerLaw, ViscosityLaw
from poresim.liquid.liquid import Liquid
from poresim.liquid.particles import Particles
from poresim.record.files import locked, write_text
from poresim.record.layout import RecordError
from poresim.solid.build import build_solid
from poresim.solid.network import Network
from poresim.solid.sizes import Lognormal
from poresim.solid.spec import SolidSpec
from poresim.solid.swelling import Swelling
from poresim.tube.jit import CACHE_FOLDER

Tell = Callable[[str], None]

_LOOK_S = 0.2  # how often a process that waits for another looks again
_STEPS_BESIDE = 12  # of a march without solves: enough to call all that a step does
_SPACING, _RADIUS = 1e-4, 1e-5  # m
_LAWS: dict[str, ViscosityLaw] = {
    "Newtonian": Newtonian(1e-3),
    "power-law": PowerLaw(0.01, 0.6),
    "yielding": HerschelBulkley(0.5, 0.01, 0.6),
}
#: Cells along an edge, waist, accuracy, and how full the solid gets. Few junctions are followed
#: event by event, many in another way, in which balances around an event reach farther when it is
#: fine; waisted ones are many sooner where it is coarse. Each meets what its case brings with it.
_CASES = (
    (2, 1.0, 5e-2, 0.6),
    (2, 1.0, 1e-3, 0.3),
    (2, 0.5, 5e-2, 0.6),
    (2, 0.5, 1e-3, 0.1),
    (5, 0.5, 1e-2, 0.4),
    (15, 1.0, 5e-2, 0.3),
    (15, 1.0, 1e-3, 0.3),
    (15, 0.5, 5e-2, 0.3),
    (15, 0.5, 4e-3, 0.03),
)


def compiled_already() -> bool:
    """True when every kernel is in the cache, so that nothing has to be waited for."""
    try:
        listed = _marker().read_text(encoding="utf-8").splitlines()
    except OSError:
        return False
    return bool(listed) and all((CACHE_FOLDER / name).is_file() for name in listed)


def warm(tell: Tell) -> bool:
    """Compile what is not in the cache yet; whether there was anything to compile.

    ``tell`` is called with what is being waited for. Two processes that are asked at once do not
    do the work twice: one waits for the other.
    """
    if compiled_already():
        return False
    with _alone(tell):
        if compiled_already():
            return False
        tell("compiling the numerical kernels: once after installing, a minute or two")
        for what, work in _work():
            tell(f"  compiling: {what}")
            work()
        kept = [
            path.relative_to(CACHE_FOLDER).as_posix() for path in CACHE_FOLDER.rglob("*.nb[ci]")
        ]
        write_text(_marker(), "\n".join(sorted(kept)))
    return True


def _marker() -> Path:
    """Where it is noted what a whole cache holds; another list of soaks has another marker."""
    return CACHE_FOLDER / f"whole-{hashlib.sha256(Path(__file__).read_bytes()).hexdigest()[:8]}"


@contextmanager
def _alone(tell: Tell) -> Iterator[None]:
    """Hold the cache, once no other process compiles into it."""
    told = False
    with ExitStack() as stack:
        while True:
            try:
                stack.enter_context(locked(CACHE_FOLDER / ".lock"))
                break
            except RecordError:
                if not told:
                    tell("another process compiles the numerical kernels: waiting for it")
                told = True
                time.sleep(_LOOK_S)
            except OSError:  # no locks on this disk: at worst the work is done twice
                break
        yield


def _work() -> Iterator[tuple[str, Callable[[], None]]]:
    """What is compiled, in words, and what compiles it."""
    with _helper():
        for name, law in _LAWS.items():
            yield f"soaks of a {name} liquid", lambda law=law: _soak_all(law)  # type: ignore[misc]
        yield "a solid that is lifted out", _lifted
        yield "trapped air", _trapped
        yield "walls that swell", _swollen
        yield "saturated flow", _flows
        yield "curves of a solid", _curves
        yield "how likely measurements are", _densities
        yield "frames of films", _frames


@contextmanager
def _helper() -> Iterator[None]:
    """A second process at :func:`compile_beside`, while it is of use; nothing rests on it."""
    code = f"from {__name__} import compile_beside; compile_beside()"
    nowhere = {name: subprocess.DEVNULL for name in ("stdin", "stdout", "stderr")}
    process = None
    if (os.cpu_count() or 1) > 1 and sys.executable:
        # -P: what lies in the folder one works in is not to be run
        call = [sys.executable, "-P", "-c", code]
        with suppress(OSError):
            process = subprocess.Popen(call, **nowhere)  # type: ignore[call-overload]
    try:
        yield
    finally:
        if process is not None:
            process.kill()
            process.wait()


def compile_beside() -> None:
    """Compile all but the balancing of all junctions.

    It is taken out of this process, whose soaks are wrong from then on.
    """
    from poresim.uptake.march import march
    from poresim.uptake.step import Stepper

    _flows()
    _curves()
    Stepper._solve = lambda *_: (0.0, 1.0, 1)  # type: ignore[method-assign]  # nothing is owed
    for asked in _soaks(_LAWS["Newtonian"]):
        with suppress(ArithmeticError, ValueError):  # pressures that nobody found
            for _ in islice(march(**asked), _STEPS_BESIDE):
                pass


def _soak_all(law: ViscosityLaw) -> None:
    from poresim.uptake.march import soak

    for asked in _soaks(law):
        soak(**asked)


def _lifted() -> None:
    """Liquid that is left to itself, and is then joined to a reservoir again."""
    from poresim.uptake.march import soak

    solid = _block(3, 1.0)
    plain = _liquids(Newtonian(1e-3))[0]
    begun = soak(solid, plain, solid.faces["bottom"], until_saturation=0.5, accuracy=5e-2)
    lift = float(begun.time_s[-1])
    soak(
        solid, plain, solid.faces["bottom"], until_s=4 * lift, accuracy=5e-2,
        lift_s=[lift, 2 * lift, 3 * lift],
    )  # fmt: skip


def _trapped() -> None:
    """Air that liquid cuts off."""
    from poresim.uptake.march import soak

    solid = _block(2, 1.0)
    plain = _liquids(Newtonian(1e-3))[0]
    soak(solid, plain, solid.faces["bottom"], until_s=1e-3, accuracy=0.1, air="trapped")


def _swollen() -> None:
    """Full tubes of a liquid that is not Newtonian, whose tangents are laid anew."""
    from poresim.uptake.march import soak

    solid = _block(2, 1.0)
    thin = _liquids(PowerLaw(0.1, 0.5))[0]
    swells = Swelling(0.2, 1e-3)
    soak(solid, thin, solid.faces["bottom"], until_s=1e-3, accuracy=0.1, swelling=swells)


def _soaks(law: ViscosityLaw) -> Iterator[dict[str, Any]]:
    """What is asked of a march in each case, with liquids of that law."""
    for cells, waist, accuracy, share in _CASES:
        solid = _block(cells, waist)
        for liquid in _liquids(law):
            yield {
                "solid": solid,
                "liquid": liquid,
                "inlet": solid.faces["bottom"],
                "until_saturation": share,
                "accuracy": accuracy,
                "gravity": (0.0, 0.0, 0.0 if liquid.particles is None else -9.8),
            }


def _liquids(law: ViscosityLaw) -> list[Liquid]:
    """The plainest, and one with grains and another angle when it recedes."""
    grains = Particles(0.01, np.array([1e-5]))
    return [
        Liquid(law, 0.05, 60.0, 1000.0),
        Liquid(law, 0.05, 60.0, 1000.0, receding_angle_deg=30.0, particles=grains),
    ]


def _flows() -> None:
    """Networks that are solved directly and by iteration, and one whose books need closing."""
    from poresim.uptake.flow import flow

    for law in _LAWS.values():
        liquid = _liquids(law)[0]
        law.tube_flow_rate(1.0, _RADIUS, _SPACING)
        for solid in (_row(), _block(3, 0.5), _block(27, 1.0)):
            flow(solid, liquid, {0: 1e5, solid.junctions - 1: 0.0}, gravity=(0.0, 0.0, -9.8))


def _densities() -> None:
    from poresim.inference.normals import log_densities
    from poresim.why.weighing.features import LEVELS
    from poresim.why.weighing.filled import by_odds, by_times

    log_densities(np.zeros((1, 1, 2)), np.eye(2)[None])
    times = np.log(LEVELS)[None, :]
    by_times(times, np.ones(1), 0.0).along(np.eye(len(LEVELS)))
    by_odds(times, times, np.ones(1)).along(np.eye(len(LEVELS)))


def _frames() -> None:
    from poresim.show.films.raster import bar_map, paint, tube_map
    from poresim.show.films.solid_shapes import draw_rods

    picture = np.zeros((4, 4, 4), np.uint8)[1:, 1:]  # a part of a frame, as panels are
    ends, one = np.array([[0.0, 0.0], [2.0, 2.0]]), np.ones(1)
    fill, shades = np.zeros((1, 2), np.float32), np.zeros((5, 4), np.uint8)
    seen = tube_map(ends[:1], ends[1:], one, one, 3, 3)
    bars = bar_map(ends[None], 1.0, 2.0, 3, 3)
    paint(seen, fill, bars, np.zeros(1, np.bool_), shades, picture)
    places = np.zeros((1, 3)), np.ones((1, 3))
    draw_rods(places, one, one, fill, np.zeros((3, 3)), 1.0, picture)


def _curves() -> None:
    from poresim.curves.summary import solid_curves

    solid = _block(3, 0.5)
    solid_curves(solid, {"liquid": _liquids(Newtonian(1e-3))[0]}, solid.faces["bottom"])


def _row() -> Network:
    """Wide tubes behind a fine one: rounding of the pressures alone moves the wide ones' rates."""
    points = np.zeros((4, 3))
    points[:, 2] = _SPACING * np.arange(4)
    return Network(points, [[0, 1], [1, 2], [2, 3]], [1e-3 * _RADIUS, _RADIUS, _RADIUS])


def _block(cells: int, waist: float) -> Network:
    edge = cells * _SPACING
    spec = SolidSpec((edge,) * 3, "cubic", Lognormal(_RADIUS, 0.3), _SPACING, waist=waist)
    return build_solid(spec)


__all__ = ["compiled_already", "warm"]
