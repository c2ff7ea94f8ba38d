"""One job: one solid, one liquid, one soak. Runs in a worker process, on plain data.

A job packs its own results: what comes back is the parts of the record, as bytes.
"""

from __future__ import annotations

import math
import pickle
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.ensemble.workers import report
from poresim.exposure.dip import Dip, film_of, heads, immersed
from poresim.liquid.cup import Cup, Stirred
from poresim.liquid.liquid import Liquid
from poresim.liquid.suspension import GRAVITY
from poresim.outcome.asked import Outcome, outcome_of
from poresim.outcome.faces import depth_below, inlet_of, wetted_area
from poresim.outcome.summary import AT_REST
from poresim.record.model import Repeat
from poresim.softening.asked import Bar, Walls
from poresim.solid.network import Network
from poresim.solid.spec import SolidError, SolidSpec

if TYPE_CHECKING:
    from poresim.drop.film import Film
    from poresim.uptake.result import Soak

_PARTICLES = 1  # purpose of a random stream; 0 is the geometry's, see solid.build
_LADDER = np.geomspace(1e-4, 10_000.0, 65)  # s, eight a decade

#: In a worker: what the solid built last was built from, and the solid; and its file, with the run
#: that this belongs to. Read and replaced as a whole, since threads may work on different jobs.
_built: tuple[tuple[Any, ...], Network] | None = None
_packed: tuple[str, Network, bytes] | None = None


class RequestError(ValueError):
    """What is asked for cannot be built; found out only while building."""

    wrong_request = True


@dataclass(frozen=True)
class Job:
    """Soak number ``repeat`` of liquid number ``place``, with all that it takes.

    run : the key of the run that it belongs to. double_precision : of what the record keeps.
    faces : that touch the liquid; with a ``dip`` that says which parts of them do, and when.
    cores : that it may use. air : "free" or "trapped". vents : faces by which trapped air gets out;
    None: all of a block, all junctions but the inlets of a network file. cup : where the liquid
    stands. softening : None: walls do not soften.
    """

    run: str
    place: int
    repeat: int
    name: str
    solid: SolidSpec
    liquid: Liquid
    faces: tuple[str, ...]
    gravity: bool
    until_s: float | None
    until_saturation: float | None
    accuracy: float
    seed: int
    snapshots: tuple[float, ...]
    double_precision: bool = False
    cores: int = 1
    cup: Cup | Stirred = Stirred()
    softening: tuple[Walls, Bar] | None = None
    dip: Dip | None = None
    drop_m3: float | None = None
    drops_s: tuple[float, ...] = ()
    air: str = "free"
    vents: tuple[str, ...] | None = None


class Done(NamedTuple):
    """What a job hands over: the files of its soak and of its solid."""

    soak: bytes
    solid: bytes


def particle_seed(seed: int, repeat: int) -> int:
    """The seed of the grains of a repeat, the same for every liquid, machine and core.

    The run's own seed for repeat 0, so that ``ps.soak(..., seed=scenario.seed)`` repeats it.
    """
    if repeat == 0:
        return seed
    root = np.random.SeedSequence(seed, spawn_key=(_PARTICLES, repeat))
    return int(root.generate_state(1, np.uint64)[0] >> np.uint64(1))


def soak_one(number: int, job: Job) -> Done:
    """Build the solid, soak it, return what the record keeps of both.

    ``number`` is the job's place in the progress report. Raises RequestError when the solid
    cannot be built or has no junction on a wetted face.
    """
    from poresim.record.writing import soak_image

    repeat, network = _soaked(number, job)
    return Done(soak_image(job.run, repeat, job.double_precision), _solid_file(job.run, network))


def outcome_one(number: int, job: Job) -> Outcome:
    """As :func:`soak_one`, of which only a few curves and figures are kept."""
    repeat, network = _soaked(number, job)
    dip = job.dip
    if dip is None or dip.depth is None:
        area, density = wetted_area(network, job.faces), job.liquid.density
    else:
        area, density = immersed(network, dip).area, math.nan
    return outcome_of(repeat, network, area, () if dip is None else dip.lifts, density)


def _soaked(number: int, job: Job) -> tuple[Repeat, Network]:
    from poresim.uptake.begin import carried_viscosity
    from poresim.uptake.march import soak

    try:
        network = _solid(job)
        offered = _offered(network, job)
    except SolidError as error:
        raise RequestError(f"solid, {error}") from None
    except ValueError as error:
        raise RequestError(str(error)) from None
    soaks = 2 if job.air == "trapped" else 1

    def one(air: dict[str, Any], snapshots: tuple[float, ...], before: int) -> Soak:
        return soak(
            network,
            job.liquid,
            **offered,
            **air,
            until_s=job.until_s,
            until_saturation=job.until_saturation,
            accuracy=job.accuracy,
            seed=particle_seed(job.seed, job.repeat),
            snapshots=snapshots,
            cores=job.cores,
            swelling=job.solid.swelling,
            cup=None if job.drop_m3 is not None else job.cup,
            progress=lambda fraction, *_: report(number, (before + fraction) / soaks),
        )

    result = one(_air(network, job), job.snapshots, 0)
    density = job.liquid.density
    repeat = Repeat.of(result, density, carried_viscosity(job.liquid))
    if job.air == "trapped":
        free = one({}, (), 1)
        repeat = repeat.without_air(free.time_s, free.uptake_m3 * density)
    if job.softening is not None:
        repeat = _softening(repeat, network, density, *job.softening)
    return repeat, network


def _offered(network: Network, job: Job) -> dict[str, Any]:
    """Where and when the liquid is offered, as arguments of a soak. ValueError: nowhere."""
    down = -GRAVITY if job.gravity else 0.0
    if job.dip is None:
        area = wetted_area(network, job.faces)
        known = area if math.isfinite(area) else None
        inlet = inlet_of(network, job.faces)
        if job.drop_m3 is not None:
            _refuse_drop(network, inlet, job.drop_m3, job.liquid)
        return {
            "inlet": inlet,
            "depth_m": depth_below(network, job.faces),
            "face_m2": known,
            "gravity": (0.0, 0.0, down),
            "drop_m3": job.drop_m3,
            "drops_s": job.drops_s,
            "outside": None if job.drop_m3 is None else _faces(network),
        }
    found = immersed(network, job.dip)
    return {
        "inlet": found.junctions,
        "inlet_pressure": heads(found.below, job.liquid.density),
        "face_m2": found.area if math.isfinite(found.area) else None,
        "gravity": tuple(down * job.dip.up),
        "lift_s": job.dip.lifts,
        "film": _film(network, job, found.area),
        "outside": _faces(network),
    }


def _film(network: Network, job: Job, area: float) -> Film | None:
    """What hangs on the solid when it is lifted out."""
    from poresim.uptake.begin import carried_viscosity

    assert job.dip is not None
    law, liquid = carried_viscosity(job.liquid), job.liquid
    return film_of(network, job.dip, area, law, liquid.surface_tension, liquid.density)


def _air(network: Network, job: Job) -> dict[str, Any]:
    """What becomes of the air, as arguments of a soak. A block's open faces let it out."""
    if job.air == "free":
        return {}
    if job.vents is not None:
        return {"air": job.air, "vents": _faces(network, job.vents)}
    if job.solid.network is not None:
        return {"air": job.air}
    return {"air": job.air, "vents": _faces(network)}


def _refuse_drop(network: Network, inlet: NDArray[np.int64], volume: float, liquid: Liquid) -> None:
    """ValueError: a drop that is too wide for these junctions, or lies between them."""
    from poresim.uptake.sitting import covered_by, set_down

    try:
        covered_by(set_down(volume, liquid), network.points, inlet)
    except ValueError as error:
        said = str(error).removeprefix("drop_m3: ")
        raise ValueError(f"exposure.volume_uL: {said}") from None


def _faces(network: Network, names: Sequence[str] | None = None) -> NDArray[np.int64]:
    """All junctions on faces, or on those of these names."""
    named = network.faces if names is None else names
    on = [np.asarray(network.faces[name], dtype=np.int64) for name in named]
    return np.unique(np.concatenate([np.zeros(0, np.int64), *on]))


def _softening(repeat: Repeat, network: Network, density: float, walls: Walls, bar: Bar) -> Repeat:
    """The same with what its walls do, also while the liquid is at rest."""
    from poresim.softening.bar import soften, times_of_waiting

    if repeat.ending in AT_REST:
        moved = np.flatnonzero(np.diff(repeat.uptake_kg))
        rest = float(repeat.time_s[moved[-1] + 1]) if len(moved) else float(repeat.time_s[0])
        repeat = repeat.with_times(times_of_waiting(rest, float(repeat.time_s[-1]), walls))
    mass = repeat.uptake_kg
    if len(repeat.film_m3):
        mass = mass + density * repeat.film_m3
    course = repeat.filled_at_s, repeat.time_s, mass
    return repeat.softening(soften(network, *course, walls, bar))


def snapshot_times(
    until_s: float | None, count: int, lifts: tuple[float, ...] = ()
) -> tuple[float, ...]:
    """When to keep the state of every tube, s: equally spaced in sqrt(time), as the front moves.

    And when the solid is lifted out or put back. Without a known end: eight a decade from 0.1 ms
    to three hours, as far as the soak goes.
    """
    if count < 1:
        return ()
    if until_s is None:
        return tuple(sorted({*(float(t) for t in _LADDER), *lifts}))
    times = (float(until_s * (i / count) ** 2) for i in range(1, count + 1))
    return tuple(sorted({*times, *lifts}))


def _solid(job: Job) -> Network:
    """The solid of a repeat; the one built last is kept, for the next liquid or the next run."""
    global _built
    from poresim.solid.build import build_solid, geometry_seed

    file = job.solid.network.stat() if job.solid.network is not None else None
    stamp = None if file is None else (file.st_mtime_ns, file.st_size)
    source = (pickle.dumps(job.solid), stamp, job.seed, job.repeat)
    last = _built
    if last is None or last[0] != source:
        last = _built = (source, build_solid(job.solid, geometry_seed(job.seed, job.repeat)))
    return last[1]


def _solid_file(run: str, network: Network) -> bytes:
    """The solid's part of the record; packed once for all liquids."""
    global _packed
    from poresim.record.writing import solid_image

    last = _packed
    if last is None or last[0] != run or last[1] is not network:
        last = _packed = (run, network, solid_image(run, network))
    return last[2]
