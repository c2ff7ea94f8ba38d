"""One job: one solid, one liquid, one soak. Runs in a worker process, on plain data."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from poresim.ensemble.workers import report
from poresim.liquid.liquid import Liquid
from poresim.outcome.faces import depth_below, inlet_of
from poresim.record.model import Repeat
from poresim.solid.network import Network
from poresim.solid.spec import SolidError, SolidSpec

_PARTICLES = 1  # purpose of a random stream; 0 is the geometry's, see solid.build
_GRAVITY = 9.80665  # m/s2, standard gravity
_LADDER = np.geomspace(1e-4, 10_000.0, 65)  # s, eight a decade

_kept: tuple[tuple[str, int], Network] | None = None  # in a worker: the solid built last


class RequestError(ValueError):
    """What is asked for cannot be built; found out only while building."""

    wrong_request = True


@dataclass(frozen=True)
class Job:
    """Soak number ``repeat`` of liquid number ``place``, with all that it takes.

    run : the key of the run that it belongs to.
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


def particle_seed(seed: int, repeat: int) -> int:
    """The seed of the grains of a repeat, the same for every liquid, machine and core.

    The run's own seed for repeat 0, so that ``ps.soak(..., seed=scenario.seed)`` repeats it.
    """
    if repeat == 0:
        return seed
    root = np.random.SeedSequence(seed, spawn_key=(_PARTICLES, repeat))
    return int(root.generate_state(1, np.uint64)[0] >> np.uint64(1))


def soak_one(number: int, job: Job) -> tuple[Repeat, Network]:
    """Build the solid, soak it, return what the record keeps, and the solid.

    ``number`` is the job's place in the progress report. Raises RequestError when the solid
    cannot be built or has no junction on a wetted face.
    """
    from poresim.uptake.march import soak

    try:
        network = _solid(job)
        inlet = inlet_of(network, job.faces)
    except SolidError as error:
        raise RequestError(f"solid, {error}") from None
    except ValueError as error:
        raise RequestError(str(error)) from None
    result = soak(
        network,
        job.liquid,
        inlet=inlet,
        until_s=job.until_s,
        until_saturation=job.until_saturation,
        accuracy=job.accuracy,
        gravity=(0.0, 0.0, -_GRAVITY if job.gravity else 0.0),
        seed=particle_seed(job.seed, job.repeat),
        snapshots=job.snapshots,
        depth_m=depth_below(network, job.faces),
        progress=lambda fraction, *_: report(number, fraction),
    )
    return Repeat.of(result, job.liquid.density), network


def snapshot_times(until_s: float | None, count: int) -> tuple[float, ...]:
    """When to keep the state of every tube, s: equally spaced in sqrt(time), as the front moves.

    Without a known end: eight a decade from 0.1 ms to three hours, as far as the soak goes.
    """
    if count < 1:
        return ()
    if until_s is None:
        return tuple(float(t) for t in _LADDER)
    return tuple(float(until_s * (i / count) ** 2) for i in range(1, count + 1))


def _solid(job: Job) -> Network:
    """The solid of a repeat; the one built last is kept, for the next liquid."""
    global _kept
    from poresim.solid.build import build_solid, geometry_seed

    key = (job.run, job.repeat)
    if _kept is None or _kept[0] != key:
        _kept = (key, build_solid(job.solid, geometry_seed(job.seed, job.repeat)))
    return _kept[1]
