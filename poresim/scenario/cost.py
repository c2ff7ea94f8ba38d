"""How long one soak will take, by formulas: seconds of one core, roughly.

Three ways to march cost differently (:mod:`poresim.uptake.march`): event by event; small networks
with many events a step; large ones. Whatever is measured here is to be measured again whenever the
march gets faster. One place for all; benchmarks/PERFORMANCE.md has the table for small networks.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from poresim.liquid.laws import Newtonian
from poresim.solid.spec import SolidSpec
from poresim.solid.waists import WaistLaw
from poresim.uptake.limits import (
    APART_JUNCTIONS,
    COARSE,
    COARSE_JUNCTIONS,
    HALVES_FROM,
    SMALL_JUNCTIONS,
    WIDE_SPREAD,
)

if TYPE_CHECKING:
    from poresim.scenario.build import LiquidSpec
    from poresim.scenario.reading import Scenario

#: Large networks: SECONDS * (tubes / 1e5)^GROWTH * (0.01 / accuracy)^ACCURACY_GROWTH, times WAISTED
#: or else THICK and LADEN, over TWO_CORES where both share it. Measured on one core of a two-core
#: machine: straight 24^3 and 46^3 junctions at accuracy 0.01 (0.8 s and 10 s; 24^3 with a power law
#: 2.3 s, yielding 1.5 s, for as long with grains 1.7, 3.5 and 2.1 s), 100^3 on both cores (185 s),
#: the four broths in a rusk at 0.05 (4 to 8 s), and at 0.01 (three times that). One soak may take
#: half or twice that.
SECONDS_PER_1E5_TUBES = 2.5
GROWTH = 1.42
ACCURACY_GROWTH = 0.75
WAISTED = 55.0
THICK = 2.0  # straight tubes: liquids that are not Newtonian, and
LADEN = 2.0  # those with grains (up to 4 if they are followed until they have soaked in after all)
TWO_CORES = 1.8
#: Non-Newtonian liquids have tables for one waist only: without, yielding ones took 6 to 8 times as
#: long, power laws 3 (2500 tubes, accuracy 0.05).
SEVERAL_WAISTS = 5.0
#: Small ones (up to SMALL_JUNCTIONS) with many events a step: per 1000 tubes at 0.01.
SMALL_SECONDS = 0.35
SMALL_GROWTH = 0.55
SMALL_ACCURACY_GROWTH = 0.42
SMALL_THICK = 2.2
SMALL_LADEN = 2.6
SMALL_WAISTED_SECONDS = 1.1
SMALL_WAISTED_GROWTH = 0.85
SMALL_WAISTED_ACCURACY_GROWTH = 0.5
SMALL_WAISTED_THICK = 1.6
SMALL_WAISTED_LADEN = 3.0
#: Event by event: per 300 tubes at 0.01.
EVENTS_SECONDS = 3.5
EVENTS_GROWTH = 1.4
EVENTS_ACCURACY_GROWTH = 0.42
EVENTS_THICK = 2.5
EVENTS_LADEN = 1.2
EVENTS_WAISTED = 2.8
EVENTS_WAISTED_THICK = 1.4
EVENTS_WAISTED_LADEN = 2.0
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
#: Until a process has read its libraries and kernels; all of a run do that side by side.
STARTING_SECONDS = 4.5


def soak_seconds(scenario: Scenario, junctions: int, tubes: int) -> float:
    """Of one soak on one core, in the mean of a scenario's liquids."""
    narrow = scenario.solid.mean_waist < 1
    kind, free = scenario.exposure.kind, scenario.exposure.air == "free"
    marched = _marched if not _event_by_event(scenario, junctions) else _by_events
    each = [marched(scenario, liquid, junctions, tubes) for liquid in scenario.liquids]
    one = sum(each) / len(each)
    if free and not narrow:
        one += _apart_seconds(kind, tubes)
    if not free:  # every event, and the soak with free air beside it
        trapped = TRAPPED_SECONDS_PER_1000_TUBES * (tubes / 1000) ** TRAPPED_GROWTH
        one += trapped * (TRAPPED_WAISTED if narrow else 1.0)
    return one


def shared_by_two(scenario: Scenario, junctions: int) -> bool:
    """Whether two cores can share each soak."""
    plain = not any(_thick(liquid) or _laden(liquid) for liquid in scenario.liquids)
    return plain and junctions >= HALVES_FROM


def _event_by_event(scenario: Scenario, junctions: int) -> bool:
    """As ``uptake.pace`` decides for the network itself."""
    solid, kind = scenario.solid, scenario.exposure.kind
    few = COARSE_JUNCTIONS
    if scenario.run.accuracy < COARSE:
        few = SMALL_JUNCTIONS
    elif not solid.mean_waist < 1:
        if solid.body_ratio > 0 or _spread(solid) > WIDE_SPREAD:
            few = SMALL_JUNCTIONS
        elif kind != "face":
            few = APART_JUNCTIONS
    if kind == "drop" and scenario.exposure.air == "free":
        few = min(few, APART_JUNCTIONS)
    return junctions <= few


def _by_events(scenario: Scenario, liquid: LiquidSpec, junctions: int, tubes: int) -> float:
    one = EVENTS_SECONDS * (tubes / 300) ** EVENTS_GROWTH
    one *= (0.01 / scenario.run.accuracy) ** EVENTS_ACCURACY_GROWTH
    if not scenario.solid.mean_waist < 1:
        return one * EVENTS_THICK ** _thick(liquid) * EVENTS_LADEN ** _laden(liquid)
    one *= EVENTS_WAISTED * EVENTS_WAISTED_THICK ** _thick(liquid)
    return one * EVENTS_WAISTED_LADEN ** _laden(liquid) * _several(scenario.solid, liquid)


def _marched(scenario: Scenario, liquid: LiquidSpec, junctions: int, tubes: int) -> float:
    """With many events a step."""
    finer = 0.01 / scenario.run.accuracy
    large = SECONDS_PER_1E5_TUBES * (tubes / 1e5) ** GROWTH * finer**ACCURACY_GROWTH
    small = 0.0
    if scenario.solid.mean_waist < 1:
        if junctions <= SMALL_JUNCTIONS:
            small = SMALL_WAISTED_SECONDS * (tubes / 1000) ** SMALL_WAISTED_GROWTH
            small *= finer**SMALL_WAISTED_ACCURACY_GROWTH
            small *= SMALL_WAISTED_THICK ** _thick(liquid) * SMALL_WAISTED_LADEN ** _laden(liquid)
        return max(small, WAISTED * large) * _several(scenario.solid, liquid)
    large *= THICK ** _thick(liquid) * LADEN ** _laden(liquid)
    if junctions <= SMALL_JUNCTIONS and scenario.exposure.kind != "drop":
        small = SMALL_SECONDS * (tubes / 1000) ** SMALL_GROWTH * finer**SMALL_ACCURACY_GROWTH
        small *= SMALL_THICK ** _thick(liquid) * SMALL_LADEN ** _laden(liquid)
    return max(small, large)


def _apart_seconds(kind: str, tubes: int) -> float:
    """What it takes longer where liquid stands apart from what it came from, s a soak."""
    if kind == "dip":
        return LIFTED_SECONDS_PER_1E4_TUBES * (tubes / 1e4) ** LIFTED_GROWTH
    if kind == "drop":
        return DROP_SECONDS_PER_1E4_TUBES * (tubes / 1e4) ** DROP_GROWTH
    return 0.0


def _thick(liquid: LiquidSpec) -> bool:
    return not isinstance(liquid.viscosity, Newtonian)


def _laden(liquid: LiquidSpec) -> bool:
    return liquid.grains is not None


def _several(spec: SolidSpec, liquid: LiquidSpec) -> float:
    """How much longer where tubes have waists of their own."""
    if spec.network is not None or not _thick(liquid):
        return 1.0
    found = {stratum.waist for stratum in spec.strata} - {1.0}
    several = len(found) > 1 or any(isinstance(waist, WaistLaw) for waist in found)
    return SEVERAL_WAISTS if several else 1.0


def _spread(spec: SolidSpec) -> float:
    """Half of what lies between the quantiles of the logarithm of radii one sigma apart."""
    if spec.network is not None:
        return 0.0
    low, high = zip(
        *((s.radii.quantile(0.159), s.radii.quantile(0.841)) for s in spec.strata), strict=True
    )
    return 0.5 * math.log(float(max(high)) / float(min(low)))
