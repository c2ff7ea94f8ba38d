"""What a scenario will build and cost, in words."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from poresim.liquid.laws import ViscosityLaw
    from poresim.scenario.build import LiquidSpec
    from poresim.scenario.plan import Plan, SolidPlan
    from poresim.scenario.reading import Scenario


_WATER_PA_S = 1.0e-3  # at 20 C
_HOT_WATER_PA_S = 0.28e-3  # at 100 C: a plateau above it may be a liquid's own


def forecast(scenario: Scenario, plan: Plan) -> list[str]:
    """A few lines: the solid, the soaks, memory and time to expect."""
    from poresim.outcome.words import percent, seconds
    from poresim.solid.memory import in_words

    solid, run = plan.solid, scenario.run
    built = f"solid:   {solid.junctions:,} junctions, {solid.tubes:,} tubes"
    if solid.porosity is not None:
        built += f", porosity {percent(solid.porosity)}"
    if solid.spacing is not None:
        built += f", spacing {solid.spacing * 1e6:.4g} um"
    if solid.size is not None:
        built += ", block " + " x ".join(f"{edge * 1e3:.4g}" for edge in solid.size) + " mm"
    lines = [built, *_layers(solid)]
    if solid.wide_share is not None and solid.wide_share > 0.01:
        lines.append(
            f"remark:  {percent(solid.wide_share)} of the tubes are wider than long; "
            "a wider spacing or narrower tubes would be truer"
        )
    lines += [_figures(liquid) for liquid in scenario.liquids if liquid.worked_out]
    lines += [line for liquid in scenario.liquids for line in _goes_on(liquid)]
    lines += [_moving(liquid) for liquid in scenario.liquids if liquid.log_length_ratio > 0]
    for liquid in scenario.liquids:
        if liquid.contact_angle_deg >= 90:
            lines.append(
                f"remark:  {liquid.name} does not wet this solid (contact angle "
                f"{liquid.contact_angle_deg:g} degrees, and below 90 wets): none will be drawn in"
            )
        lines += _thinner_than_water(scenario, solid, liquid)
    liquids = len(scenario.liquids)
    end = []
    if run.until_s is not None:
        end.append(seconds(run.until_s))
    if run.until_saturation is not None:
        end.append(f"{percent(run.until_saturation)} full")
    lines.append(
        f"soaks:   {_some(liquids, 'liquid')} x {_some(run.repeats, 'solid')}, each until "
        f"{' or '.join(end)}, accuracy {run.accuracy:g}"
    )
    lines.append(
        f"expect:  about {seconds(plan.seconds)} on {_some(plan.cores, 'core')}, "
        f"{in_words(solid.memory_bytes)} of memory a soak"
    )
    return lines


def forecast_dict(scenario: Scenario, plan: Plan) -> dict[str, Any]:
    """The same for JSON; None where it is not known."""
    solid = plan.solid
    return {
        "title": scenario.title,
        "junctions": solid.junctions,
        "tubes": solid.tubes,
        "porosity": solid.porosity,
        "spacing_m": solid.spacing,
        "size_m": None if solid.size is None else list(solid.size),
        "layers": [
            {
                "name": layer.name,
                "thickness_m": layer.thickness,
                "median_radius_m": layer.median_radius,
                "porosity": layer.porosity,
                "pore_share": layer.pore_share,
            }
            for layer in solid.layers
        ],
        "liquids": [liquid.name for liquid in scenario.liquids],
        "log_length_ratios": [liquid.log_length_ratio for liquid in scenario.liquids],
        "repeats": scenario.run.repeats,
        "soaks": plan.soaks,
        "expected_s": plan.seconds,
        "cores": plan.cores,
        "memory_bytes": solid.memory_bytes,
        "faults": [],
    }


def _figures(liquid: LiquidSpec) -> str:
    """What a liquid's composition comes to."""
    from poresim.liquid.laws import Newtonian

    law = liquid.viscosity
    thick = (
        f"{law.viscosity * 1e3:.4g} mPa s" if isinstance(law, Newtonian) else "its own law of flow"
    )
    return (
        f"liquid:  {liquid.name}: {liquid.density:.4g} kg/m3, "
        f"{liquid.surface_tension * 1e3:.4g} mN/m, {thick}"
    )


def _moving(liquid: LiquidSpec) -> str:
    """That a liquid's angle depends on the speed."""
    return (
        f"liquid:  {liquid.name}: contact angle {liquid.contact_angle_deg:g} degrees at rest, more "
        f"while it advances (Cox-Voinov, ln(L/l) = {liquid.log_length_ratio:g})"
    )


def _layers(solid: SolidPlan) -> list[str]:
    from poresim.outcome.words import percent

    return [
        f"layer {number}: {f'{layer.name}, ' if layer.name else ''}{layer.thickness * 1e3:.4g} mm, "
        f"median radius {layer.median_radius * 1e6:.4g} um, porosity {percent(layer.porosity)}, "
        f"{percent(layer.pore_share)} of the pore volume"
        for number, layer in enumerate(solid.layers, start=1)
    ]


def _goes_on(liquid: LiquidSpec) -> list[str]:
    """How a measured flow curve goes on beyond what was measured."""
    from poresim.liquid.curves import MeasuredFlow

    law = liquid.viscosity
    if not isinstance(law, MeasuredFlow):
        return []
    low, high = law.tails
    below, above = f"as a power law of index {low:.2g} below", f"{high:.2g} above"
    if law.zero_viscosity < math.inf:
        below = f"towards {1e3 * law.zero_viscosity:.4g} mPa s below"
        above = f"as a power law of index {above}"
    if law.infinite_viscosity > 0:
        above = (
            f"towards {1e3 * law.infinite_viscosity:.4g} mPa s above, what exceeds that falling "
            f"as rate^-{law.powers[1]:.2g}"
        )
    return [
        f"liquid:  {liquid.name}: measured from {law.shear_rate[0]:.4g} to "
        f"{law.shear_rate[-1]:.4g} 1/s; beyond it goes on {below} and {above}"
    ]


def _thinner_than_water(scenario: Scenario, solid: SolidPlan, liquid: LiquidSpec) -> list[str]:
    """A remark on a law that is used where it says less than the water it is made of.

    While a first tube fills, the stress at its wall is about the suction of its throat times its
    radius over twice its length; later stresses are lower.
    """
    rate = _thin_above(liquid.viscosity)
    if rate is None or solid.spacing is None:
        return []
    wetting = liquid.surface_tension * math.cos(math.radians(liquid.contact_angle_deg))
    if wetting / (scenario.solid.mean_waist * solid.spacing) <= rate * _WATER_PA_S:
        return []
    return [
        f"remark:  by its law {liquid.name} is thinner than water above {rate:.2g} 1/s, which it "
        "may pass in narrow places here; real ones are not: the uptake may start too fast"
    ]


def _thin_above(law: ViscosityLaw) -> float | None:
    """Shear rate, 1/s, from which on a law says less than water where nobody said so."""
    from poresim.liquid.curves import FASTEST, FlowCurve, MeasuredFlow
    from poresim.liquid.laws import HerschelBulkley, PowerLaw

    if isinstance(law, PowerLaw | HerschelBulkley) and law.index < 1:
        rate = math.exp(min(math.log(law.consistency / _WATER_PA_S) / (1 - law.index), 100.0))
        return max(rate, getattr(law, "yield_stress", 0.0) / _WATER_PA_S)
    if not isinstance(law, FlowCurve) or getattr(law, "infinite_viscosity", 0.0) > _HOT_WATER_PA_S:
        return None
    # What was measured is true.
    low = float(law.shear_rate[-1]) if isinstance(law, MeasuredFlow) else 1e-3
    high = FASTEST
    if not law.apparent_viscosity(high) < _WATER_PA_S <= law.apparent_viscosity(low):
        return None
    while high > low * 1.001:
        middle = math.sqrt(low * high)
        thin = bool(law.apparent_viscosity(middle) < _WATER_PA_S)
        low, high = (low, middle) if thin else (middle, high)
    return high


def _some(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"
