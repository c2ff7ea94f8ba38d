"""What is not known: keys of a scenario and their laws.

Draws are points of the unit cube, one coordinate an unknown: the share of its law below the value.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from poresim.inference.laws import Law, Lognormal, LogUniform, Normal
from poresim.scenario.varied import VARIABLE, Variations
from poresim.scenario.wording import key_text

if TYPE_CHECKING:
    from poresim.scenario.reading import Scenario

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Unknown:
    """One of them. key : of the scenario, in words. law : in the unit of the key."""

    key: str
    law: Law

    @property
    def by_factors(self) -> bool:
        """Whether it is told by its logarithm: it cannot come near 0 or below."""
        return isinstance(self.law, Lognormal | LogUniform) or self.law.least > 0

    @property
    def of_liquids(self) -> bool:
        """Whether it belongs to a liquid; else to the solid, or to how liquid is offered."""
        return self.key.startswith("liquids")


class Unknowns:
    """All of a scenario's, in a fixed order: those with laws, then those known with an sd."""

    def __init__(self, scenario: Scenario, laws: Mapping[str, Law]) -> None:
        self.scenario = scenario
        self._variations = Variations(scenario)
        self.all = [Unknown(key, law) for key, law in laws.items()]
        self._paths: dict[str, object] = {key: key for key in laws}
        ruled = {path for key in laws for path in self._variations.places(key)}
        for path, sd in scenario.sds.items():
            key = key_text(path)
            if path[0] in VARIABLE and path not in ruled:
                value = float(self._variations.value(path))
                self.all.append(Unknown(key, Normal(value, sd, *_physical(value))))
                self._paths[key] = path

    def __len__(self) -> int:
        return len(self.all)

    def values(self, u: Floats) -> Floats:
        """(n, unknowns) in their units, at u (n, unknowns)."""
        return values_at(self.all, u)

    def drawn(self, u: Floats) -> Scenario:
        """The scenario of one draw (unknowns,). ScenarioError: it cannot be."""
        values = self.values(u[None, :])[0]
        pairs = zip(self.all, values, strict=True)
        return self._variations.scenario({self._paths[one.key]: float(v) for one, v in pairs})


def values_at(unknowns: list[Unknown], u: Floats) -> Floats:
    """(n, unknowns) in their units, at u (n, unknowns)."""
    columns = [one.law.quantile(u[:, j]) for j, one in enumerate(unknowns)]
    return np.stack(columns, axis=1) if columns else np.zeros((len(u), 0))


def _physical(value: float) -> tuple[float, float]:
    """Bounds of a quantity known with an sd: it keeps its sign."""
    return (1e-3 * value, math.inf) if value > 0 else (-math.inf, math.inf)
