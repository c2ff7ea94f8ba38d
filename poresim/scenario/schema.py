"""The keys of a scenario file: what each means, its unit, its range, its default.

A number's range is what a physical quantity of that kind can be; anything outside is most
likely a slip of the unit. The text of each key is what a fault tells the user to give.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Discriminator, Field, Tag, create_model

from poresim.liquid import ethanol, sucrose, water
from poresim.liquid.liquid import MOST_LOG_RATIO
from poresim.solid.swelling import MOST_NARROWING
from poresim.tables.flow_curve import FLOW_COLUMNS

FACES = ("bottom", "top", "left", "right", "front", "back")


def number(what: str, example: float | None = None, default: Any = ..., **limits: float) -> Any:
    """A number with its meaning and its range (gt, ge, lt, le)."""
    words = {"gt": "above", "ge": "from", "lt": "below", "le": "up to"}
    span = " ".join(f"{words[k]} {limits[k]:g}" for k in ("gt", "ge", "lt", "le") if k in limits)
    such = "" if example is None else f", such as {example:g}"
    return Field(default, description=f"{what}, {span}{such}", **limits)  # type: ignore[call-overload]


def words(what: str, default: Any = ..., **limits: Any) -> Any:
    """Anything else, with its meaning."""
    return Field(default, description=what, **limits)


class Keys(BaseModel):
    """A table of a scenario: no unknown keys, no conversions, nothing that is not finite."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


# ---- sizes of tubes and grains -------------------------------------------------------------


def _size_laws(
    what: str, base: type[Keys], parts: dict[str, type[Keys]] | None = None
) -> dict[str, type[Keys]]:
    """A model a law, for radii or diameters; its other keys come from ``base``.

    parts : what a mixture may be made of; None: there are no mixtures.
    """

    def um(name: str) -> Any:
        return (float, number(f"{name} {what} in um", 15, ge=1e-3, le=1e4))

    shape = (float, number("shape of the law, without unit", 2, ge=0.3, le=1000))
    log_sd = (float, number(f"standard deviation of ln({what})", 0.5, ge=0, le=2))
    keys: dict[str, dict[str, Any]] = {
        "lognormal": {f"median_{what}_um": um("median"), "log_sd": log_sd},
        "weibull": {f"scale_{what}_um": um("scale"), "shape": shape},
        "gamma": {f"scale_{what}_um": um("scale (mean over shape)"), "shape": shape},
        "uniform": {f"least_{what}_um": um("least"), f"greatest_{what}_um": um("greatest")},
        "fixed": {f"{what}_um": um("the")},
        "table": {
            "file": (str, words(_table_file(what), min_length=1)),
            "scale": (float, number("factor on every size", 1.2, 1.0, ge=0.01, le=100)),
        },
    }
    if parts:
        part = tagged(parts, "law")
        right = "a list of laws, each with its share: { share = 0.3, law = ... }"
        keys["mixture"] = {"parts": (list[part], words(right, min_length=1, max_length=20))}  # type: ignore[valid-type]
    return {
        law: create_model(f"{base.__name__}_{law}", __base__=base, law=(_only(law), ...), **fields)
        for law, fields in keys.items()
    }


def _table_file(what: str) -> str:
    said = f"the name of a CSV file with a column {what}_um"
    return f"{said}, or diameter_um and intruded_mL_g" if what == "radius" else said


def _only(text: str) -> Any:
    """The type whose one value is this text."""
    return Literal[text]  # type: ignore[valid-type]


def tagged(models: dict[str, type[Keys]], tag: str) -> Any:
    """One of several tables, told apart by one of their keys."""
    union: Any = None
    for model in models.values():
        union = model if union is None else union | model
    return Annotated[union, Field(discriminator=tag)]


class _Part(Keys):
    share: float = number("share of this part in the mixture", 0.3, gt=0, le=1e6)


# ---- waists --------------------------------------------------------------------------------


def _waist(what: str, default: Any = ...) -> Any:
    return number(what, 0.5, default, ge=0.01, le=1)


class FixedWaist(Keys):
    """One waist for all."""

    law: Literal["fixed"]
    waist: float = _waist("narrowest radius over radius (1 = straight)")


class UniformWaist(Keys):
    """Every waist between two is equally likely."""

    law: Literal["uniform"]
    least: float = _waist("least waist")
    greatest: float = _waist("greatest waist")


class _Between(Keys):
    least: float = _waist("least waist", 0.01)
    greatest: float = _waist("greatest waist", 1.0)


class BetaWaist(_Between):
    """A beta law between two waists."""

    law: Literal["beta"]
    a: float = number("first shape of the law, without unit", 4, ge=0.1, le=1000)
    b: float = number("second shape of the law, without unit", 4, ge=0.1, le=1000)


class LognormalWaist(_Between):
    """The part of a lognormal law between two waists."""

    law: Literal["lognormal"]
    median: float = number("median of the waist before the law is cut", 0.4, ge=1e-3, le=10)
    log_sd: float = number("standard deviation of ln(waist)", 0.5, gt=0, le=2)


WAISTS: dict[str, type[Keys]] = {
    "fixed": FixedWaist,
    "uniform": UniformWaist,
    "beta": BetaWaist,
    "lognormal": LognormalWaist,
}
#: Tag of a waist that is a number; no law is called so.
NUMBER = "number"


def _number_or_law(value: Any) -> Any:
    if not isinstance(value, dict | Keys):
        return NUMBER
    law = dict(value).get("law")
    return law if isinstance(law, str) else None


_Number = Annotated[float, Field(ge=0.01, le=1), Tag(NUMBER)]
_Waist: Any = _Number
for _name, _model in WAISTS.items():
    _Waist = _Waist | Annotated[_model, Tag(_name)]


class _Tubes(Keys):
    waist: Annotated[_Waist, Discriminator(_number_or_law)] = words(
        "narrowest radius over radius (1 = straight), from 0.01 up to 1, such as 0.5, or a law "
        'such as { law = "uniform", least = 0.3, greatest = 0.8 }',
        1.0,
    )


class _Particles(Keys):
    volume_fraction: float = number("share of the liquid's volume", 0.015, ge=0, le=0.6)
    density_kg_m3: float = number("density of a grain in kg/m3", 1400, 1400.0, ge=100, le=25000)
    leak: float = number("share of its flow that a closed throat keeps", 0.02, 0.02, gt=0, le=1)
    bridging_ratio: float = number(
        "throat over grain below which grains can arch (1: never)", 3, 3.0, ge=1, le=10
    )
    deposition_per_m: float = number(
        "share of the grains that sticks to walls a metre of way, in 1/m (0: none)",
        50,
        0.0,
        ge=0,
        le=1e6,
    )
    bed_porosity: float = number("porosity of a bed of grains", 0.4, 0.4, ge=0.2, le=0.8)
    max_fraction: float = number("volume fraction at which grains jam", 0.64, 0.64, ge=0.4, le=0.75)
    intrinsic_viscosity: float = number(
        "how steeply grains thicken the liquid (0: not at all; 2.5: spheres)", 2.5, 2.5, ge=0, le=20
    )
    passing_ratio: float = number(
        "throat over grain above which grains pass a closed throat", 7, 7.0, ge=1, le=100
    )


RADIUS_PARTS = _size_laws("radius", _Part)
DIAMETER_PARTS = _size_laws("diameter", _Part)
TUBES = _size_laws("radius", _Tubes, RADIUS_PARTS)
PARTICLES = _size_laws("diameter", _Particles, DIAMETER_PARTS)


# ---- solid ---------------------------------------------------------------------------------


class Lattice(Keys):
    """How junctions stand and are joined."""

    kind: Literal[
        "cubic", "bcc", "fcc", "diamond", "square", "triangular", "honeycomb", "scattered"
    ] = words("the kind of lattice, such as 'cubic'")
    spacing_um: float | None = number(
        "distance between neighbouring junctions in um", 100, None, ge=1e-2, le=1e5
    )
    neighbours: float | None = number("mean number of neighbours", 5.2, None, gt=0, le=14)


Edge = Annotated[float, Field(ge=1e-4, le=1000)]


_TUBES_EXAMPLE = '{ law = "lognormal", median_radius_um = 15, log_sd = 0.5 }'


def _correlation() -> Any:
    return number(
        "distance in um at which the correlation of the radii falls to 1/e (0: none)",
        200,
        None,
        ge=0,
        le=1e6,
    )


class Layer(Keys):
    """One layer of a block."""

    name: str = words("a name for the layer, up to 80 letters", "", max_length=80)
    thickness_mm: float | None = number("thickness in mm", 0.4, None, ge=1e-4, le=1000)
    tubes: tagged(TUBES, "law") = words(f"a table such as {_TUBES_EXAMPLE}")  # type: ignore[valid-type]
    correlation_um: float | None = _correlation()


class Swelling(Keys):
    """How walls swell into full tubes."""

    narrowing: float = number(
        "share of its radius that a soaked throat has lost",
        0.2,
        ge=0,
        le=MOST_NARROWING,
    )
    wall_s: float | None = number(
        "time in s in which a wall takes up water (softening.wall_s when left out)",
        20,
        None,
        gt=0,
        le=1e9,
    )


class Solid(Keys):
    """A block of tubes to be drawn, or a network file."""

    name: str = words(
        "a name for the solid, up to 80 letters", "solid", min_length=1, max_length=80
    )
    size_mm: list[Edge] | None = words(
        "three lengths in mm (x, y and the depth z), each from 0.0001 to 1000, "
        "such as [2.0, 2.0, 3.0]",
        None,
        min_length=3,
        max_length=3,
    )
    dry_density_kg_m3: float | None = number(
        "mass of dry solid over volume of the block in kg/m3", 420, None, ge=1, le=25000
    )
    lattice: Lattice | None = words('a table such as { kind = "cubic", spacing_um = 100 }', None)
    porosity: float | None = number("tube volume over block volume", 0.5, None, gt=0, le=0.95)
    tubes: tagged(TUBES, "law") | None = words(  # type: ignore[valid-type]
        f"a table such as {_TUBES_EXAMPLE}", None
    )
    layers: list[Layer] | None = words(
        f"a list of layers, such as [{{ thickness_mm = 0.4, tubes = {_TUBES_EXAMPLE} }}, ...]",
        None,
        min_length=1,
        max_length=50,
    )
    layer_axis: Literal["x", "y", "z"] = words(
        "the axis along which layers follow each other: 'x', 'y' or 'z'", "z"
    )
    correlation_um: float | None = _correlation()
    body_ratio: float = number(
        "radius of a junction's body over that of the widest tube there (0: no bodies)",
        1.5,
        0.0,
        ge=0,
        le=10,
    )
    swelling: Swelling | None = words(
        "a table such as { narrowing = 0.2, wall_s = 20 }: walls swell as they soak", None
    )
    sides: Literal["open", "sealed", "periodic"] = words(
        "what the sides left, right, front and back are", "open"
    )
    dry_mass_g: float | None = number(
        "dry mass in g of the piece that was weighed at the bench", 8, None, gt=0, le=1e6
    )
    network: str | None = words("the name of an HDF5 file", None, min_length=1, max_length=1000)


# ---- liquids -------------------------------------------------------------------------------


class Newtonian(Keys):
    """Constant viscosity."""

    law: Literal["newtonian"]
    mPa_s: float = number("viscosity in mPa s", 1.2, ge=0.05, le=1e7)


class _Thinning(Keys):
    consistency_Pa_sn: float = number("consistency in Pa s^n", 0.12, ge=1e-5, le=1e4)
    index: float = number("flow index, without unit", 0.5, ge=0.05, le=2)


class PowerLaw(_Thinning):
    """stress = consistency * rate^index."""

    law: Literal["power_law"]


class HerschelBulkley(_Thinning):
    """stress = yield + consistency * rate^index."""

    law: Literal["herschel_bulkley"]
    yield_Pa: float = number("yield stress in Pa", 0.02, ge=0, le=1e4)


class Bingham(Keys):
    """stress = yield + plastic viscosity * rate."""

    law: Literal["bingham"]
    yield_Pa: float = number("yield stress in Pa", 0.02, ge=0, le=1e4)
    plastic_mPa_s: float = number("plastic viscosity in mPa s", 10, ge=0.05, le=1e7)


class _Plateaus(Keys):
    zero_mPa_s: float = number("viscosity at rest in mPa s", 50, ge=0.05, le=1e7)
    infinite_mPa_s: float = number("viscosity at high rates in mPa s", 1, ge=0, le=1e7)
    time_s: float = number("time constant (one over the rate where it thins) in s", 1, gt=0, le=1e6)


class Cross(_Plateaus):
    """viscosity = infinite + (zero - infinite) / (1 + (time * rate)^exponent)."""

    law: Literal["cross"]
    exponent: float = number("exponent of time times rate, without unit", 0.7, ge=0.05, le=5)


class Carreau(_Plateaus):
    """viscosity = infinite + (zero - infinite) (1 + (time * rate)^2)^((index-1)/2)."""

    law: Literal["carreau"]
    index: float = number("flow index at high rates, without unit", 0.5, ge=0.05, le=1)


class Measured(Keys):
    """A flow curve point by point."""

    law: Literal["measured"]
    file: str = words(
        f"the name of a CSV file with two of the columns {FLOW_COLUMNS}", min_length=1
    )
    infinite_mPa_s: float = number(
        "viscosity towards which it goes above its range, in mPa s", 1, 0.0, ge=0, le=1e7
    )
    zero_mPa_s: float | None = number(
        "viscosity towards which it goes below its range, in mPa s", 1000, None, ge=0.05, le=1e7
    )


VISCOSITIES: dict[str, type[Keys]] = {
    "newtonian": Newtonian,
    "power_law": PowerLaw,
    "bingham": Bingham,
    "herschel_bulkley": HerschelBulkley,
    "cross": Cross,
    "carreau": Carreau,
    "measured": Measured,
}


class Water(Keys):
    """Pure water."""

    water_C: float = number(
        "temperature of the water in C", 20, ge=water.LEAST_C, le=water.GREATEST_C
    )


class Sucrose(Keys):
    """Sucrose in water."""

    sucrose_percent: float = number(
        "sucrose in mass %", 30, ge=sucrose.LEAST_PERCENT, le=sucrose.GREATEST_PERCENT
    )
    temperature_C: float = number(
        "temperature of the solution in C", 20, ge=sucrose.LEAST_C, le=sucrose.GREATEST_C
    )


class Ethanol(Keys):
    """Ethanol in water."""

    ethanol_percent: float = number(
        "ethanol in mass %", 20, ge=ethanol.LEAST_PERCENT, le=ethanol.GREATEST_PERCENT
    )
    temperature_C: float = number(
        "temperature of the solution in C", 25, ge=ethanol.LEAST_C, le=ethanol.GREATEST_C
    )


#: What a liquid can be made of, by the key that tells.
COMPOSITIONS: dict[str, type[Keys]] = {
    "water_C": Water,
    "sucrose_percent": Sucrose,
    "ethanol_percent": Ethanol,
}
OF_COMPOSITIONS = (*COMPOSITIONS, "temperature_C")
#: The keys of a liquid that what it is made of can supply.
FIGURES = ("density_kg_m3", "surface_tension_mN_m", "viscosity")


class DynamicAngle(Keys):
    """A contact angle that depends on the speed of the line (Cox-Voinov)."""

    log_length_ratio: float = number(
        "ln of the outer over the inner length of a moving line (0: off)",
        10,
        ge=0,
        le=MOST_LOG_RATIO,
    )


class Liquid(Keys):
    """A liquid; what it does not state comes from made_of, then from what it is based on."""

    name: str = words(
        "a name of its own for each liquid, up to 80 letters", min_length=1, max_length=80
    )
    based_on: str | None = words("the name of another liquid", None)
    made_of: dict[str, Any] | None = words(  # read before all else: see ``composition``
        "a table such as { water_C = 20 }, or sucrose_percent or ethanol_percent with "
        "temperature_C",
        None,
    )
    density_kg_m3: float = number("density in kg/m3", 1005, ge=100, le=25000)
    surface_tension_mN_m: float = number("surface tension in mN/m", 52, ge=1, le=3000)
    contact_angle_deg: float = number("advancing contact angle in degrees", 48, ge=0, le=180)
    receding_angle_deg: float | None = number(
        "receding contact angle in degrees", 30, None, ge=0, le=180
    )
    dynamic_angle: DynamicAngle | None = words(
        "a table such as { log_length_ratio = 10 } (the angles given are those at rest)", None
    )
    viscosity: tagged(VISCOSITIES, "law") = words(  # type: ignore[valid-type]
        'a table such as { law = "newtonian", mPa_s = 1.2 }'
    )
    particles: tagged(PARTICLES, "law") | None = words(  # type: ignore[valid-type]
        'a table such as { volume_fraction = 0.015, law = "lognormal", '
        "median_diameter_um = 12, log_sd = 0.5 }",
        None,
    )
    stood_s: float = number(
        "how long it has stood in the cup before the soak, in s", 60, 0.0, ge=0, le=1e7
    )


# ---- exposure and run ----------------------------------------------------------------------

Face = Literal["bottom", "top", "left", "right", "front", "back"]


class Exposure(Keys):
    """How the liquid is offered, whatever the kind."""

    kind: Literal["face", "dip", "drop"] = words(
        "how the liquid is offered: 'face', 'dip' or 'drop'"
    )
    gravity: bool = words("true (along -z) or false", True)
    air: Literal["free", "trapped"] = words(
        "what the air does: 'free' (it leaves at once) or 'trapped' (what the liquid cuts off from "
        "the open faces is compressed until it bubbles out)",
        "free",
    )
    vents: list[Face] | None = words(
        f"the faces by which air gets out, from {', '.join(FACES)} (all of a block when left out, "
        "none when empty)",
        None, max_length=6,
    )  # fmt: skip
    cup_mm: float | None = number("depth of the liquid in the cup in mm", 30, None, gt=0, le=1e4)
    held_mm: float | None = number(
        "how far below the liquid's surface the wetted face is held, in mm (half of cup_mm when "
        "left out)",
        10,
        None,
        ge=0,
        le=1e4,
    )
    cup_mL: float | None = number(
        "volume of the liquid in the cup in mL (without end when left out)", 50, None, gt=0, le=1e6
    )
    stirred: bool | None = words("true (no grain settles; so it is without cup_mm) or false", None)


class OnFaces(Exposure):
    """Whole faces touch the liquid from the start to the end."""

    faces: list[Face] = words(
        f"the faces that touch the liquid, from {', '.join(FACES)}", min_length=1, max_length=6
    )


class Dipped(Exposure):
    """Held in the liquid for a time, then lifted out. Common practice: 30 s in a cup of 240 mL."""

    faces: list[Face] | None = words(
        f"the faces that touch the liquid, from {', '.join(FACES)}, instead of depth_mm",
        None, min_length=1, max_length=6,
    )  # fmt: skip
    depth_mm: float | None = number(
        "how deep its lowest corner lies below the surface in mm", 10, None, gt=0, le=1e4
    )
    tilt_deg: float = number(
        "how far it is tilted towards its left side in degrees", 30, 0.0, ge=0, le=90
    )
    dip_s: float = number("how long it is held in the liquid in s", 30, 30.0, gt=0, le=1e9)
    lift_mm_s: float | None = number(
        "how fast it is lifted out in mm/s: a film hangs on it then (none when left out)",
        20, None, gt=0, le=1e4,
    )  # fmt: skip
    dips: int = number("how often it is dipped, a whole number", 2, 1, ge=1, le=100)
    rest_s: float = number("how long it rests between two dips in s", 60, 60.0, gt=0, le=1e9)


class Dropped(Exposure):
    """Drops set down in the middle of the top face, one after another: all the liquid there is."""

    volume_uL: float = number("volume of each drop in uL", 5, gt=0, le=1000)
    drops: int = number("how many drops, a whole number", 3, 1, ge=1, le=100)
    every_s: float | None = number(
        "how long after one drop the next is set down, in s", 60, None, gt=0, le=1e9
    )
    face: Literal["top"] = words("the face that it sits on: 'top'", "top")


#: Kind of exposure -> its keys.
EXPOSURES: dict[str, type[Exposure]] = {"face": OnFaces, "dip": Dipped, "drop": Dropped}


class Softening(Keys):
    """How walls soften, and what the block is to carry."""

    wall_s: float = number("time in s in which a wall takes up water", 20, gt=0, le=1e9)
    dry_strength_kPa: float = number("bending strength of the dry block in kPa", 200, gt=0, le=1e9)
    midpoint: float = number(
        "moisture at which half the strength is left, in kg/kg dry", 0.3, gt=0, le=100
    )
    width: float = number(
        "width of the Fermi law in kg/kg dry (88 % are left two widths below the midpoint)",
        0.05, gt=0, le=100,
    )  # fmt: skip
    saturated: float = number(
        "moisture that a wall comes to beside a full tube, in kg/kg dry", 1.0, 1.0, gt=0, le=100
    )
    span_mm: float | None = number(
        "distance of the supports in mm, the force midway (the block's x when left out)",
        40, None, gt=0, le=1e4,
    )  # fmt: skip
    overhang_mm: float | None = number(
        "how far in mm it is to jut out and carry itself", 30, None, gt=0, le=1e4
    )


class Run(Keys):
    """How long, how exact, how often."""

    until_s: float | None = number("time in s at which a soak ends", 30, None, gt=0, le=1e9)
    until_saturation: float | None = number(
        "share of the tube volume at which a soak ends", 0.9, None, gt=0, le=1
    )
    accuracy: float = number("relative error of the uptake curve", 0.01, 0.01, ge=1e-6, le=0.2)
    repeats: int = number("number of solids drawn, a whole number", 4, 1, ge=1, le=10000)
    snapshots: int = number("number of pictures kept, a whole number", 60, 60, ge=0, le=10000)
    double_precision: bool = words(
        "true (the record keeps filling times with all their figures) or false (with seven)", False
    )


class MeasuredData(Keys):
    """What was measured of a liquid at the bench."""

    liquid: str = words("the name of a liquid of this file", min_length=1, max_length=80)
    uptake: str | None = words(
        "the name of a CSV file with time_s and mass_g", None, min_length=1, max_length=1000
    )
    angle: str | None = words(
        "the name of a CSV file with time_s and angle_deg", None, min_length=1, max_length=1000
    )
    angle_deg: float | None = number("contact angle that was read, degrees", 48, None, gt=0, lt=180)
    sd_deg: float | None = number("its standard deviation in degrees", 1.5, None, gt=0, le=90)
    snap_force: str | None = words(
        "the name of a CSV file with time_s and force_N", None, min_length=1, max_length=1000
    )


class Head(Keys):
    """The keys above the first table."""

    title: str = words("a title in quotes, up to 200 letters", "", max_length=200)
    seed: int = number("a whole number that fixes every random draw", 11, 0, ge=0, le=2**63 - 1)
