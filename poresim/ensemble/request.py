"""From a scenario to the header of its record and the list of jobs."""

from __future__ import annotations

import hashlib
import math
import pickle
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from poresim import __version__
from poresim.ensemble.jobs import Job, snapshot_times
from poresim.exposure.dip import Dip, area_below, faces_below
from poresim.record.layout import FORMAT
from poresim.record.model import GrainsOf
from poresim.record.writing import Header
from poresim.scenario import schema
from poresim.scenario.build import build_cup, build_dip
from poresim.scenario.offering import present_faces
from poresim.solid.fitting import fit

if TYPE_CHECKING:
    from poresim.scenario.build import LiquidSpec
    from poresim.scenario.reading import Scenario


def header_of(scenario: Scenario) -> Header:
    """What the record says of the run, with the key that tells whether work can be reused."""
    digest = hashlib.sha256(f"{FORMAT} {__version__}\n".encode())
    digest.update(scenario.text.encode())
    folder = scenario.path.parent if scenario.path else Path()
    for name in files_named(tomllib.loads(scenario.text)):
        digest.update(b"\0" + (folder / name).read_bytes())
    dip = _dip_of(scenario)
    return Header(
        title=scenario.title,
        scenario=scenario.text,
        seed=scenario.seed,
        key=digest.hexdigest(),
        faces=faces_of(scenario),
        area_m2=_area_of(scenario),
        lift_s=() if dip is None else dip.lifts,
        liquids=[(liquid.name, liquid.density) for liquid in scenario.liquids],
        repeats=scenario.run.repeats,
        lines=[liquid.log_length_ratio for liquid in scenario.liquids],
        grains=_grains_of(scenario),
        double_precision=scenario.run.double_precision,
    )


def faces_of(scenario: Scenario) -> tuple[str, ...]:
    """The faces that touch the liquid, or a part of which does."""
    exposure, dip = scenario.exposure, _dip_of(scenario)
    if dip is not None:
        present, _ = present_faces(scenario.solid)
        return faces_below(_size(scenario), present, dip)
    if isinstance(exposure, schema.Dropped):
        return (exposure.face,)
    assert isinstance(exposure, schema.OnFaces)
    return tuple(exposure.faces)


def _area_of(scenario: Scenario) -> float:
    """Of the parts of faces that touch the liquid, m2; NaN where these are whole."""
    dip = _dip_of(scenario)
    if dip is None or dip.depth is None:
        return math.nan
    present, _ = present_faces(scenario.solid)
    return area_below(_size(scenario), present, dip)


def _dip_of(scenario: Scenario) -> Dip | None:
    """How the block is dipped, if it is."""
    exposure = scenario.exposure
    return build_dip(exposure) if isinstance(exposure, schema.Dipped) else None


def _size(scenario: Scenario) -> NDArray[np.float64]:
    """Of the block that will be built, a whole number of cells; zeros of a network file."""
    solid = scenario.solid
    return np.zeros(3) if solid.network is not None else np.array(fit(solid).size)


def _grains_of(scenario: Scenario) -> list[GrainsOf]:
    """What liquids carry, and which differ in that alone, or in how long they have stood."""

    def key(liquid: LiquidSpec, **change: Any) -> bytes:
        return pickle.dumps(replace(liquid, name="", worked_out=False, stood=0.0, **change))

    kinds: dict[bytes, str] = {}
    for liquid in scenario.liquids:
        kinds.setdefault(key(liquid), liquid.name)
    return [
        GrainsOf(
            liquid.grains.volume_fraction if liquid.grains is not None else 0.0,
            liquid.stood,
            kinds[key(liquid)],
            kinds.get(key(liquid, grains=None), ""),
        )
        for liquid in scenario.liquids
    ]


def files_named(table: Any) -> Iterator[str]:
    """Files that a scenario reads: size tables and networks. Their contents count as text."""
    if isinstance(table, list):
        for member in table:
            yield from files_named(member)
    elif isinstance(table, dict):
        for key, value in table.items():
            if key in ("file", "network") and isinstance(value, str):
                yield value
            else:
                yield from files_named(value)


def jobs_of(scenario: Scenario, key: str, finished: set[tuple[int, int]]) -> list[Job]:
    """What is left to do, solid by solid. Only the first solid keeps snapshots."""
    from poresim.scenario.build import build_liquid

    run = scenario.run
    dip = _dip_of(scenario)
    times = snapshot_times(run.until_s, run.snapshots, () if dip is None else dip.lifts)
    template = job_of(scenario, key)
    liquids = [(one, build_liquid(one)) for one in scenario.liquids]
    return [
        replace(
            template,
            place=k,
            repeat=n,
            name=one.name,
            liquid=liquid,
            snapshots=times if n == 0 else (),
            cup=build_cup(scenario.exposure, one.stood),
        )
        for n in range(run.repeats)
        for k, (one, liquid) in enumerate(liquids)
        if (k, n) not in finished
    ]


def job_of(scenario: Scenario, key: str = "") -> Job:
    """The soak of the first solid by the first liquid, without snapshots."""
    from poresim.scenario.build import build_liquid, build_softening

    run, exposure = scenario.run, scenario.exposure
    first = scenario.liquids[0]
    drop: float | None = None
    further: tuple[float, ...] = ()
    if isinstance(exposure, schema.Dropped):
        drop, further = exposure.volume_uL * 1e-9, drop_times(exposure)
    soft = scenario.softening
    return Job(
        run=key,
        place=0,
        repeat=0,
        name=first.name,
        solid=scenario.solid,
        liquid=build_liquid(first),
        faces=faces_of(scenario),
        gravity=exposure.gravity,
        until_s=run.until_s,
        until_saturation=run.until_saturation,
        accuracy=run.accuracy,
        seed=scenario.seed,
        snapshots=(),
        double_precision=run.double_precision,
        cup=build_cup(exposure, first.stood),
        softening=None if soft is None else build_softening(soft, scenario.solid),
        dip=_dip_of(scenario),
        drop_m3=drop,
        drops_s=further,
        air=exposure.air,
        vents=None if exposure.vents is None else tuple(exposure.vents),
    )


def drop_times(exposure: schema.Dropped) -> tuple[float, ...]:
    """When drops after the first are set down, s."""
    every = exposure.every_s or 0.0
    return tuple(every * k for k in range(1, exposure.drops))


def fit_in_memory(scenario: Scenario) -> int:
    """How many soaks there is memory for at once; at least 1."""
    from poresim.scenario.plan import plan_soak
    from poresim.solid.memory import available_bytes

    return max(1, available_bytes() // plan_soak(scenario).memory_bytes)
