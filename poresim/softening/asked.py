"""What is asked of a block that softens: how its walls weaken, and what it is to carry."""

from __future__ import annotations

from dataclasses import dataclass

from poresim.liquid.properties import between, within


@dataclass(frozen=True)
class Walls:
    """How walls take up water and weaken. Single numbers.

    exchange_s : time of exchange, above 0 (``moisture.slab_time`` of their thickness).
    dry_strength : Pa, of the dry solid in bending. midpoint, width : of the Fermi law, kg water a
    kg dry solid. saturated : where a wall comes to beside a full tube, kg/kg.
    """

    exchange_s: float
    dry_strength: float
    midpoint: float
    width: float
    saturated: float

    def __post_init__(self) -> None:
        for name in ("exchange_s", "dry_strength", "width"):
            between(name, getattr(self, name), 0)
        for name in ("midpoint", "saturated"):
            within(name, getattr(self, name), 0, 1e6)


@dataclass(frozen=True)
class Bar:
    """size : (x, y, z), m. span : m, between two supports, the force midway.

    overhang : m, how far it is to jut out and carry itself, of a dry_mass, kg; None: it is not
    asked to.
    """

    size: tuple[float, float, float]
    span: float
    dry_mass: float | None = None
    overhang: float | None = None

    def __post_init__(self) -> None:
        if len(self.size) != 3:
            raise ValueError(f"size must be three lengths in m, got {len(self.size)}")
        for name in ("size", "span", "dry_mass", "overhang"):
            if getattr(self, name) is not None:
                between(name, getattr(self, name), 0)
        if self.overhang is not None and self.dry_mass is None:
            raise ValueError("dry_mass must be given with an overhang: it is to carry itself")
