"""Laws of what a scenario states, where it has no ``[priors]``: each about the value stated.

How wide they are is usual in the trade; :data:`USUAL` lists every spread with its source. Only
what the file's own text states has a law: a liquid that takes a figure over from another shares
that one's. None have: figures given as { value, sd } (these have a normal law of that sd), worked
out from a composition, or read from files; densities, body ratios, and mixtures of sizes.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

from poresim.inference.laws import Law, Lognormal, Normal, Uniform
from poresim.scenario.believable import TAIL
from poresim.scenario.varied import KeyFault, Variations

if TYPE_CHECKING:
    from poresim.scenario.lines import Path as KeyPath
    from poresim.scenario.reading import Scenario

_HALVINGS = 40
_MOST_ANGLE_DEG = 89.9
_MOST_OF_JAMMED = 0.95  # of the volume fraction at which grains jam


@dataclass(frozen=True)
class Usual:
    """How well figures of one kind are known when nothing is said of it.

    keys : the figures, with the table that they stand in. spread : of a normal law its sd, in
    ``unit``; of a lognormal that of the logarithm; of a uniform the share of the value by which it
    goes below and above. bounds : in words, where the law is cut.
    """

    name: str
    keys: tuple[str, ...]
    law: Literal["normal", "lognormal", "uniform"]
    spread: float
    source: str
    unit: str = ""
    bounds: str = ""

    def about(self, value: float, least: float, greatest: float) -> Law | None:
        """The law about a value, cut at bounds; None where it has no room."""
        try:
            if self.law == "normal":
                return Normal(value, self.spread, least, greatest)
            if self.law == "lognormal":
                return Lognormal(value, self.spread, max(least, 0.0), greatest)
            # to both sides as far as to the nearer bound: its median is the value
            reach = min(self.spread * value, value - least, greatest - value)
            return Uniform(value - reach, value + reach)
        except ValueError:
            return None

    @property
    def told(self) -> str:
        """The law in words, for a table."""
        if self.law == "normal":
            text = f"normal, ± {self.spread:g} {self.unit}".rstrip()
        elif self.law == "lognormal":
            text = f"lognormal, within a factor {math.exp(self.spread):.2f}"
        else:
            text = f"uniform, {1 - self.spread:g} to {1 + self.spread:g} times the value"
        return f"{text}, {self.bounds}" if self.bounds else text


#: What has a usual law, how wide it is, and why. "Within" and "±" are one standard deviation.
USUAL = (
    Usual(
        "contact angle",
        ("contact_angle_deg",),
        "normal",
        8.0,
        "common practice: readings of one liquid on one clean, smooth face lie 2 to 3 degrees "
        "apart, on baked or rough ones 5 to 10; the spherical-cap formula alone reads 3 to 4 "
        "degrees low for a drop of 5 uL at 90 degrees (worked out)",
        "degrees",
        "0 to 89.9 (to 180 from 90 up)",
    ),
    Usual(
        "surface tension",
        ("surface_tension_mN_m",),
        "lognormal",
        0.05,
        "water loses 4 % from 20 to 40 C (IAPWS R1-76); fresh faces of foods, whose fats and "
        "proteins take seconds to gather there, stand some mN/m above old ones (common practice)",
    ),
    Usual(
        "viscosity, Newtonian",
        ("viscosity.mPa_s",),
        "lognormal",
        0.1,
        "5 K: water has 1.00 mPa s at 20 C and 0.89 at 25 (IAPWS R12-08)",
    ),
    Usual(
        "viscosity at rest",
        ("viscosity.zero_mPa_s",),
        "lognormal",
        0.35,
        "10 % more gum is a third more viscosity: it goes with the amount to the power 3.3 "
        "(Morris et al. 1981, Carbohydr Polym 1:5)",
        bounds="above the geometric mean with that at high rates",
    ),
    Usual(
        "viscosity at high rates",
        ("viscosity.infinite_mPa_s",),
        "lognormal",
        0.25,
        "seldom measured: between the solvent's and what the fit leaves (common practice)",
        bounds="below the geometric mean with that at rest",
    ),
    Usual(
        "time constant",
        ("viscosity.time_s",),
        "lognormal",
        0.35,
        "follows the viscosity at rest, as all such gums share one curve of viscosity over its "
        "value at rest (Morris et al. 1981, Carbohydr Polym 1:5)",
    ),
    Usual(
        "consistency",
        ("viscosity.consistency_Pa_sn",),
        "lognormal",
        0.25,
        "xanthan 0.1 %: 0.1 to 0.2 Pa s^n (from memory), taken as four standard deviations, and "
        "10 % in the amount of gum",
    ),
    Usual(
        "plastic viscosity",
        ("viscosity.plastic_mPa_s",),
        "lognormal",
        0.25,
        "as the consistency",
    ),
    Usual(
        "flow index or exponent",
        ("viscosity.index", "viscosity.exponent"),
        "normal",
        0.05,
        "xanthan 0.1 %: 0.4 to 0.5, 0.3 %: 0.25 to 0.3 (from memory)",
        bounds="from 0.05, an index not past 1",
    ),
    Usual(
        "yield stress",
        ("viscosity.yield_Pa",),
        "lognormal",
        0.5,
        "xanthan 0.1 %: 0.03 to 0.2 Pa (from memory), taken as four standard deviations; it "
        "depends on how long and how slowly one looks (common practice)",
    ),
    Usual(
        "grains' volume fraction",
        ("particles.volume_fraction",),
        "lognormal",
        0.2,
        "common practice: grains are weighed to some per cent, but what dissolves or swells of "
        "them, and so their volume, is known to 10 to 30 %",
        bounds="below that at which grains jam",
    ),
    Usual(
        "grains' diameter",
        (
            "particles.median_diameter_um",
            "particles.scale_diameter_um",
            "particles.diameter_um",
        ),
        "lognormal",
        0.2,
        "one spice from three mills: medians of 270, 307 and 392 um, sd of the logarithm 0.19 "
        "(turmeric: Mangaraj, Singh & Adewumi)",
    ),
    Usual(
        "tubes' radius",
        ("tubes.median_radius_um", "tubes.scale_radius_um", "tubes.radius_um"),
        "lognormal",
        0.35,
        "biscuits: throats of 1 to 30 um by mercury, pores of 10 to 500 um by tomography (e.g. "
        "Pareyt et al. 2009, J Food Eng 90:400; from memory): two ways of looking at one solid "
        "are easily a factor 2 apart, taken as two standard deviations",
    ),
    Usual(
        "tubes' spread",
        ("tubes.log_sd",),
        "lognormal",
        0.2,
        "common practice: the width of a size distribution is known worse than its middle is "
        "from one piece, and depends on the method; no source",
    ),
    Usual(
        "waist",
        ("tubes.waist",),
        "uniform",
        0.5,
        "nothing measures it by itself: throats of 1 to 30 um against pores of 10 to 500 um "
        "(Pareyt et al. 2009, as above) leave it open by more than a factor 2",
        bounds="within 0.01 and 1, as far to either side",
    ),
)  # fmt: skip
_BY_KEY = {key: usual for usual in USUAL for key in usual.keys}


def usual_priors(scenario: Scenario) -> dict[str, Law]:
    """Laws by key, in the unit of the key, of what the scenario's own text states; see USUAL.

    For a scenario without ``[priors]``: that table replaces all of them. A law's median is the
    value stated, but where a bound cuts one side of it. Where the scenario could not be with a
    value that one draw in a thousand lies beyond, the law is cut at the last that can be (tubes'
    on both sides alike: else the lattice would make narrow tubes likelier); where that leaves
    nothing, there is none. Each is looked at alone: some draws of several may still not be.
    """
    variations = Variations(scenario)
    found = {}
    for path, usual, value, bounds in _stated(scenario):
        key = _key(variations, path)
        if key is None or path in scenario.sds:
            continue
        law = usual.about(value, *bounds)
        possible = _possible(variations, key)
        both = path[0] == "solid"  # what ends there is the lattice, not what may be believed
        fitted = None if law is None else _cut(law, value, possible, both=both)
        if fitted is not None:
            found[key] = fitted
    return found


def _stated(scenario: Scenario) -> Iterator[tuple[KeyPath, Usual, float, tuple[float, float]]]:
    """(path, how well known, value, bounds) of every figure in the text that has a usual law."""
    data = tomllib.loads(scenario.text)
    for path, family, table in _tables(data):
        if table.get("law") == "measured":
            continue
        figures = {name: _value(given) for name, given in table.items()}
        for name, value in figures.items():
            key = f"{family}.{name}" if family else name
            usual = _BY_KEY.get(key)
            if usual is not None and value is not None:
                yield (*path, name), usual, value, _bounds(key, value, figures)


def _tables(data: dict[str, Any]) -> Iterator[tuple[KeyPath, str, dict[str, Any]]]:
    """(path, kind, table) of tubes, liquids, and what liquids hold."""
    solid = data["solid"]
    if "tubes" in solid:
        yield ("solid", "tubes"), "tubes", solid["tubes"]
    for number, layer in enumerate(solid.get("layers", ())):
        yield ("solid", "layers", number, "tubes"), "tubes", layer["tubes"]
    for number, liquid in enumerate(data["liquids"]):
        path: KeyPath = ("liquids", number)
        yield path, "", liquid
        for kind in ("viscosity", "particles"):
            if kind in liquid:
                yield (*path, kind), kind, liquid[kind]


def _value(given: Any) -> float | None:
    """A number, also of { value, sd }; None: it is something else."""
    if isinstance(given, dict) and set(given) == {"value", "sd"}:
        given = given["value"]
    is_number = isinstance(given, int | float) and not isinstance(given, bool)
    return float(given) if is_number else None


def _bounds(key: str, value: float, figures: dict[str, float | None]) -> tuple[float, float]:
    """Where a law ends, beside what no scenario can be."""
    if key == "contact_angle_deg":
        return 0.0, _MOST_ANGLE_DEG if value <= _MOST_ANGLE_DEG else 180.0
    if key == "viscosity.index":  # what thins goes on thinning
        return (1.0 if value > 1 else 0.05), (1.0 if value < 1 else math.inf)
    if key == "viscosity.exponent":
        return 0.05, math.inf
    if key == "tubes.waist":
        return 0.01, 1.0
    if key == "particles.volume_fraction":
        jam = figures.get("max_fraction") or 0.64
        return 0.0, max(_MOST_OF_JAMMED * jam, (value + jam) / 2)
    if key in ("viscosity.zero_mPa_s", "viscosity.infinite_mPa_s"):  # at no draw do they cross
        zero, infinite = (figures.get(f"{end}_mPa_s") or 0.0 for end in ("zero", "infinite"))
        between = math.sqrt(zero * infinite)
        return (between, math.inf) if key == "viscosity.zero_mPa_s" else (0.0, between)
    return -math.inf, math.inf


def _key(variations: Variations, path: KeyPath) -> str | None:
    """The key that names a path and nothing else, by the names of list members where they can."""
    named, numbered = [], []
    for depth, part in enumerate(path):
        if isinstance(part, str):
            named.append(part)
            numbered.append(part)
            continue
        name = variations.value((*path[: depth + 1], "name"))
        named.append(name if isinstance(name, str) and name else str(part + 1))
        numbered.append(str(part + 1))
    for key in (".".join(named), ".".join(numbered)):
        try:
            if variations.places(key) == [path]:
                return key
        except KeyFault:
            continue
    return None


def _possible(variations: Variations, key: str) -> Callable[[float], bool]:
    return lambda value: not variations.faults({key: value})


def _cut(law: Law, value: float, possible: Callable[[float], bool], *, both: bool) -> Law | None:
    """The law between values that can be, out from the value stated, which can.

    both : cut the other side as far from the median, which so stays what it is.
    """
    found = dict[str, float]()
    ends = law.quantile([TAIL, 1 - TAIL])
    for name, end in zip(("least", "greatest"), ends, strict=True):
        if not possible(float(end)):
            found[name] = _last(value, float(end), possible)
    if both and len(found) == 1:
        ((name, end),) = found.items()
        share = float(law.cumulative(end))
        found["least" if name == "greatest" else "greatest"] = float(law.quantile(1 - share))
    try:
        return replace(law, **found)  # type: ignore[type-var]
    except ValueError:
        return None


def _last(inside: float, outside: float, possible: Callable[[float], bool]) -> float:
    """The value nearest to ``outside`` that can be, by halving."""
    for _ in range(_HALVINGS):
        middle = (inside + outside) / 2
        if possible(middle):
            inside = middle
        else:
            outside = middle
    return inside
