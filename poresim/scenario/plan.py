"""What a scenario will build and what it will cost, without building it."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from poresim import machine
from poresim.liquid.laws import Newtonian
from poresim.solid.files import network_extent
from poresim.solid.fitting import Fit, fit
from poresim.solid.memory import needed_bytes
from poresim.solid.spec import SolidSpec
from poresim.solid.waists import WaistLaw

if TYPE_CHECKING:
    from poresim.scenario.build import LiquidSpec
    from poresim.scenario.reading import Scenario

#: Time of one soak of a large network: SECONDS * (tubes / 1e5)^GROWTH * (0.01 /
#: accuracy)^ACCURACY_GROWTH, times WAISTED or else THICK and LADEN, over TWO_CORES where both share
#: it. Measured on one core of a two-core machine: straight 24^3 and 46^3 junctions at accuracy 0.01
#: (0.8 s and 10 s; 24^3 with a power law 2.3 s, yielding 1.5 s, for as long with grains 1.7, 3.5
#: and 2.1 s), 100^3 on both cores (185 s), the four broths in a rusk at 0.05 (4 to 8 s), and at
#: 0.01 (three times that). One soak may take half or twice that. To be measured again whenever the
#: march gets faster. One place for all.
SECONDS_PER_1E5_TUBES = 2.5
GROWTH = 1.42
ACCURACY_GROWTH = 0.75
WAISTED = 55.0
THICK = 2.0  # straight tubes: liquids that are not Newtonian, and
LADEN = 2.0  # those with grains (up to 4 if they are followed until they have soaked in after all)
#: Non-Newtonian liquids have tables for one waist only: without, yielding ones took 6 to 8 times as
#: long, power laws 3 (2500 tubes, accuracy 0.05).
SEVERAL_WAISTS = 5.0
HALVES_FROM = 20000  # junctions; for Newtonian liquids without grains
TWO_CORES = 1.8
#: With trapped air every event is followed: seconds of one soak, whatever the accuracy. Measured at
#: 0.05: straight blocks under all over, 540 tubes 3.8 s (7.3 s at 0.01), 1944 tubes 55 s; waists of
#: 0.7, some 200 tubes, 18 to 25 s. Rough: lifts take several times as long.
TRAPPED_SECONDS_PER_1000_TUBES = 15.0
TRAPPED_GROWTH = 2.0
TRAPPED_WAISTED = 30.0
#: Once a solid of straight tubes is lifted out, or on a drop from the start, full tubes open again
#: and there is more to balance: seconds more a soak, whatever the accuracy. Measured at 0.01 to
#: 0.05, CPU time on one core, log_sd 0.5, 8,190, 19,760 and 39,000 tubes: soaks that are lifted out
#: took 0.5 to 1.0, 1.6 to 4.9 and 3.6 to 7.6 s in all (these figures say 0.9, 3.1 and 8.1 more),
#: drops 3 to 7, 4 to 40 and 38 to 74 s (3.9, 18.7 and 62). Water comes near the upper ends, the
#: larger the drop the nearer; liquids that are thick or thinning stay at the lower ones. With a
#: waist of 0.5 (8,190 and 19,760 tubes) neither took longer than the same at a face.
LIFTED_SECONDS_PER_1E4_TUBES = 1.2
LIFTED_GROWTH = 1.4
DROP_SECONDS_PER_1E4_TUBES = 5.6
DROP_GROWTH = 1.77
#: Small networks are followed event by event: SECONDS * (tubes / 200)^GROWTH.
SMALL_JUNCTIONS = 3000
SMALL_WAISTED_JUNCTIONS = 100  # where tubes are waisted and the accuracy is no finer than this:
SMALL_WAISTED_ACCURACY = 5e-3
SMALL_DROP_JUNCTIONS = 300  # under a drop
SMALL_SECONDS_PER_200_TUBES = 0.3
SMALL_GROWTH = 1.6
SMALL_WAISTED = 40.0
#: Compiling, when nothing is compiled yet.
COMPILING_SECONDS = 80.0


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
    """What a run will be: soaks = liquids x repeats; seconds without compiling, roughly."""

    solid: SolidPlan
    soaks: int
    seconds: float
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
    narrow = scenario.solid.mean_waist < 1
    coarse = narrow and scenario.run.accuracy >= SMALL_WAISTED_ACCURACY
    small = SMALL_WAISTED_JUNCTIONS if coarse else SMALL_JUNCTIONS
    kind, free = scenario.exposure.kind, scenario.exposure.air == "free"
    if kind == "drop" and free:
        small = min(small, SMALL_DROP_JUNCTIONS)
    if solid.junctions > small:
        one = SECONDS_PER_1E5_TUBES * (solid.tubes / 1e5) ** GROWTH
        waisted = WAISTED
    else:
        one = SMALL_SECONDS_PER_200_TUBES * (solid.tubes / 200) ** SMALL_GROWTH
        waisted = SMALL_WAISTED
    one *= waisted if narrow else 1.0
    one *= (0.01 / scenario.run.accuracy) ** ACCURACY_GROWTH
    thick = [not isinstance(liquid.viscosity, Newtonian) for liquid in scenario.liquids]
    if narrow and _several_waists(scenario.solid):
        one *= 1.0 + (SEVERAL_WAISTS - 1.0) * sum(thick) / len(thick)
    laden = [liquid.grains is not None for liquid in scenario.liquids]
    if not narrow and solid.junctions > SMALL_JUNCTIONS:  # in the mean of the liquids
        pairs = zip(thick, laden, strict=True)
        one *= sum(THICK**law * LADEN**grains for law, grains in pairs) / len(thick)
    if not any(thick + laden) and cores >= 2 * soaks and solid.junctions >= HALVES_FROM:
        one /= TWO_CORES
    if free and not narrow:
        one += _apart_seconds(kind, solid.tubes)
    if not free:  # every event, and the soak with free air beside it
        trapped = TRAPPED_SECONDS_PER_1000_TUBES * (solid.tubes / 1000) ** TRAPPED_GROWTH
        one += trapped * (TRAPPED_WAISTED if narrow else 1.0)
    rounds = math.ceil(soaks / min(cores, soaks))
    return Plan(solid, soaks, one * rounds, cores)


def _apart_seconds(kind: str, tubes: int) -> float:
    """What it takes longer where liquid stands apart from what it came from, s a soak."""
    if kind == "dip":
        return LIFTED_SECONDS_PER_1E4_TUBES * (tubes / 1e4) ** LIFTED_GROWTH
    if kind == "drop":
        return DROP_SECONDS_PER_1E4_TUBES * (tubes / 1e4) ** DROP_GROWTH
    return 0.0


def _several_waists(spec: SolidSpec) -> bool:
    if spec.network is not None:
        return False
    found = {stratum.waist for stratum in spec.strata} - {1.0}
    return len(found) > 1 or any(isinstance(waist, WaistLaw) for waist in found)
