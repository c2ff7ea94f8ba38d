"""What two liquids differ by, and liquids that take some of it from one, the rest from the other.

wetting : surface tension, contact angles and how they depend on the speed of the line.
thickening : the flow law, thickened by what grains the liquid carries.
plugging : the grains, as far as they can be caught.
settling : how grains sink in the cup: by which flow law and density, how long they have stood.
gravity : the density, by which the liquid hangs on the menisci and by which volume is mass.
"""

from __future__ import annotations

import pickle
from collections.abc import Iterable
from dataclasses import dataclass, fields, replace

from poresim.ensemble.jobs import Job
from poresim.liquid.cup import Cup, Stirred
from poresim.liquid.laws import ViscosityLaw
from poresim.liquid.liquid import Liquid
from poresim.liquid.particles import Particles
from poresim.scenario.build import Grains, LiquidSpec, build_cup, build_liquid
from poresim.scenario.questions import MECHANISMS
from poresim.scenario.reading import Scenario

Taken = frozenset[str]

#: What each mechanism is called in a sentence.
WORDS = {
    "wetting": "wetting (surface tension and contact angle)",
    "thickening": "thickening (how the liquid flows)",
    "plugging": "plugging (grains caught in the pores)",
    "settling": "settling (how grains sink in the cup)",
    "gravity": "density",
}


@dataclass(frozen=True)
class Mixed:
    """A liquid that takes some mechanisms from one liquid and the rest from another."""

    liquid: Liquid
    cup: Cup | Stirred

    def job(self, template: Job, name: str, repeat: int) -> Job:
        """The soak of this liquid in the solid of that number."""
        return replace(template, name=name, liquid=self.liquid, cup=self.cup, repeat=repeat)


class Pair:
    """Two liquids of a scenario, and all that lies between them."""

    def __init__(self, scenario: Scenario, one: LiquidSpec, other: LiquidSpec) -> None:
        self._exposure = scenario.exposure
        self._specs = one, other
        self._liquids = build_liquid(one), build_liquid(other)

    def differing(self) -> list[str]:
        """The mechanisms by which the second differs from the first, in their order.

        Settling is one where grains settle in a cup, or where the liquids have stood differently.
        """
        one, other = self._specs
        found = {
            "wetting": _wetting(one) != _wetting(other),
            "thickening": _carried(self._liquids[0]) != _carried(self._liquids[1]),
            "plugging": _key(one.grains) != _key(other.grains),
            "settling": self._settles(),
            "gravity": one.density != other.density,
        }
        return [name for name in MECHANISMS if found[name]]

    def mixed(self, taken: Iterable[str]) -> Mixed:
        """The first liquid, with these mechanisms of the second."""
        of = {name: int(name in set(taken)) for name in MECHANISMS}
        if len({of[name] for name in self.differing()}) <= 1:  # one of the two, as it is
            place = next((of[name] for name in self.differing()), 0)
            cup = build_cup(self._exposure, self._specs[place].stood)
            return Mixed(self._liquids[place], cup)
        wets = self._specs[of["wetting"]]
        grains = self._liquids[of["plugging"]].particles
        if grains is not None and of["plugging"] != of["thickening"]:
            grains = _without_thickening(grains)
        liquid = self._liquids[of["thickening"]]
        law = liquid.viscosity
        if of["plugging"] != of["thickening"]:
            law = _carried(liquid)
        mixed = Liquid(
            viscosity=law,
            surface_tension=wets.surface_tension,
            contact_angle_deg=wets.contact_angle_deg,
            density=self._specs[of["gravity"]].density,
            receding_angle_deg=wets.receding_angle_deg,
            particles=grains,
            log_length_ratio=wets.log_length_ratio,
        )
        place = of["settling"]
        cup = build_cup(self._exposure, self._specs[place].stood)
        if isinstance(cup, Cup):
            cup = replace(cup, settles_as=replace(self._liquids[place], particles=None))
        return Mixed(mixed, cup)

    def _settles(self) -> bool:
        cup = build_cup(self._exposure)
        if not isinstance(cup, Cup) or all(one.grains is None for one in self._specs):
            return False
        one, other = self._specs
        return (
            one.stood != other.stood
            or one.density != other.density
            or one.viscosity != other.viscosity
        )


def _wetting(of: LiquidSpec) -> tuple[float, ...]:
    receding = of.contact_angle_deg if of.receding_angle_deg is None else of.receding_angle_deg
    return of.surface_tension, of.contact_angle_deg, receding, of.log_length_ratio


def _carried(liquid: Liquid) -> ViscosityLaw:
    from poresim.uptake.begin import carried_viscosity

    return carried_viscosity(liquid)


def _without_thickening(grains: Particles) -> Particles:
    """Grains that can be caught as these, in a liquid whose flow law already holds them."""
    return Particles(
        **{f.name: getattr(grains, f.name) for f in fields(Particles)}
        | {"intrinsic_viscosity": 0.0}
    )


def _key(grains: Grains | None) -> bytes:
    return pickle.dumps(grains)
