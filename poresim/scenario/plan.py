"""What a scenario will build and what it will cost, without building it."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from poresim import machine
from poresim.scenario.cost import (
    STARTING_SECONDS,
    TWO_CORES,
    shared_by_two,
    soak_seconds,
)
from poresim.solid.files import network_extent
from poresim.solid.fitting import Fit, fit
from poresim.solid.memory import needed_bytes
from poresim.solid.spec import SolidSpec

if TYPE_CHECKING:
    from poresim.scenario.build import LiquidSpec
    from poresim.scenario.reading import Scenario


@dataclass(frozen=True)
class LayerPlan:
    """What one layer will be. SI units.

    pore_share : its share of the volume of all tubes and bodies.
    """

    name: str
    thickness: float
    median_radius: float
    porosity: float
    pore_share: float


@dataclass(frozen=True)
class SolidPlan:
    """What one solid will be. SI units; None where a network file does not say.

    wide_share : share of the tubes expected to be wider than long. memory_bytes : of one soak.
    layers : as listed in the scenario; none where the block has none.
    """

    junctions: int
    tubes: int
    porosity: float | None
    spacing: float | None
    size: tuple[float, float, float] | None
    wide_share: float | None
    memory_bytes: int
    layers: tuple[LayerPlan, ...] = ()


@dataclass(frozen=True)
class Plan:
    """What a run will be: soaks = liquids x repeats; seconds without compiling, roughly.

    seconds : until all is done, with the start of the processes. soak_seconds : of one soak.
    """

    solid: SolidPlan
    soaks: int
    seconds: float
    soak_seconds: float
    cores: int


def plan_solid(spec: SolidSpec, snapshots: int = 0, classes: int = 0) -> SolidPlan:
    """Counts by formula: exact for lattices, within about 2 % for scattered junctions.

    snapshots : how many a soak keeps. classes : of the grains' sizes, at most.

    Raises SolidError for a block that cannot be built, ValueError for a bad network file.
    """
    if spec.network is not None:
        known = network_extent(spec.network)
        return SolidPlan(
            known.junctions,
            known.tubes,
            known.porosity,
            None,
            known.size,
            None,
            needed_bytes(known.junctions, known.tubes, snapshots, classes),
        )
    found = fit(spec)
    return SolidPlan(
        found.junctions,
        found.tubes,
        found.porosity,
        found.spacing,
        found.size,
        found.wide_share,
        needed_bytes(found.junctions, found.tubes, snapshots, classes),
        _layers(spec, found),
    )


def plan_soak(scenario: Scenario) -> SolidPlan:
    """As :func:`plan_solid`, with all that the largest soak of a scenario takes."""
    return plan_solid(scenario.solid, scenario.run.snapshots, most_classes(scenario.liquids))


def most_classes(liquids: Iterable[LiquidSpec]) -> int:
    """Size classes of the grains of the liquid that has most of them, at most."""
    from poresim.scenario.build import most_size_classes

    sizes = [one.grains.sizes for one in liquids if one.grains is not None]
    return max((most_size_classes(law) for law in sizes), default=0)


def _layers(spec: SolidSpec, found: Fit) -> tuple[LayerPlan, ...]:
    if not spec.layers:
        return ()
    pores = sum(layer.volume for layer in found.layers)
    return tuple(
        LayerPlan(
            asked.name,
            layer.thickness,
            float(asked.radii.quantile(0.5)),
            layer.porosity,
            layer.volume / pores,
        )
        for asked, layer in zip(spec.layers, found.layers, strict=True)
    )


def plan(scenario: Scenario, cores: int | None = None) -> Plan:
    """The cost of a run on a number of cores (all of the machine's when None)."""
    cores = cores or machine.cores()
    solid = plan_soak(scenario)
    soaks = len(scenario.liquids) * scenario.run.repeats
    one = soak_seconds(scenario, solid.junctions, solid.tubes)
    if shared_by_two(scenario, solid.junctions) and cores >= 2 * soaks:
        one /= TWO_CORES
    rounds = math.ceil(soaks / min(cores, soaks))
    return Plan(solid, soaks, STARTING_SECONDS + one * rounds, one, cores)
