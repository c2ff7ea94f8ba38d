"""A liquid's flow law as compiled kernels see it.

One number describes what happens in a round tube whatever its radius: the reduced flow
s = Q / (pi R^3), 1/s, as a function of the wall stress tw = R dP / (2 L), Pa (Weissenberg-
Rabinowitsch-Mooney)::

    Newtonian         s = tw / (4 eta)
    power law         s = n/(3n+1) (tw/K)^(1/n)
    Herschel-Bulkley  s = (X/K)^(1/n) X/tw^3 [X^2/(3+1/n) + 2 ty X/(2+1/n) + ty^2/(1+1/n)],
                      X = tw - ty > 0 (Herschel & Bulkley 1926; Bingham is n = 1)
    any other curve   looked up (:mod:`poresim.tube.curve_tables`)

Along a cone the flow is the same everywhere, so ds/s = -3 dr/r, and the pressure drop between two
radii is 2/(3 |dr/dx|) times the difference of M, with dM = tw d(ln s): one function of the liquid.
"""

from __future__ import annotations

import math

import numpy as np

from poresim.liquid.curves import FlowCurve
from poresim.liquid.laws import Bingham, HerschelBulkley, Newtonian, PowerLaw, ViscosityLaw
from poresim.tube import plastic, tables
from poresim.tube.curve_tables import curve_tables
from poresim.tube.jit import inner, kernel
from poresim.tube.lookup import EXCESSES, WIDTHS

NEWTONIAN, POWER_LAW, HERSCHEL_BULKLEY, CURVE = 0, 1, 2, 3

_CONE, _TIME, _INVERSE, _FLOW = tables.CONE, tables.TIME, tables.INVERSE, tables.FLOW
_LAST = tables.CELLS - 1


#: A flow law is one numpy record: kernels take it as a single pointer, which makes a call several
#: times cheaper than a tuple with an array in it (whose references are counted at every call).
#: Tables are in units of ``unit_stress``: the yield stress (and flows in units of
#: (yield/consistency)^(1/index)), or a stress in the middle of a curve (and flows in 1/s). The
#: flows and times of a waisted tube serve a power law too, as the limit of a yield stress next to
#: nothing.
FLOW_LAW = np.dtype(
    [
        ("kind", np.int64),  # NEWTONIAN, POWER_LAW, HERSCHEL_BULKLEY or CURVE
        ("consistency", np.float64),  # Pa s^n; the viscosity of a Newtonian liquid
        ("index", np.float64),  # of a curve: at low stresses
        ("order", np.float64),  # power of the distance to a stall by which a meniscus slows down
        ("yield_stress", np.float64),  # Pa
        ("log_rate", np.float64),  # ln of the unit of the reduced flow, 1/s
        ("log_time", np.float64),  # ln of the unit of E, 1/(Pa/s)
        ("per_time", np.float64),  # 1 over that unit
        ("cone_start", np.float64),  # first point and step of each table's grid
        ("cone_step", np.float64),
        ("time_start", np.float64),
        ("time_step", np.float64),
        ("inverse_start", np.float64),
        ("inverse_step", np.float64),
        ("cone_low", np.float64),  # powers of the flow in the excess stress below the table
        ("cone_high", np.float64),  # and above
        ("time_low", np.float64),  # powers of the excess stress in E, downwards
        ("time_high", np.float64),
        ("top_power", np.float64),  # M above the table
        ("top_linear", np.float64),
        ("top_constant", np.float64),
        ("time_foot", np.float64),  # share of E that goes on as a power below the table
        ("cells", np.float64, (4, tables.CELLS, 6)),  # CONE, TIME, INVERSE, FLOW (curves alone)
        ("plastic", np.float64, (2, plastic.CELLS, 6)),  # of yielding liquids of index 1
        ("per_plastic", np.float64),  # cells a unit of g
        ("plastic_end", np.float64),  # T at the tables' end; 0: there are none
        ("coarse", np.int64),  # 1: menisci are followed with fewer points (to 1e-3)
        ("reach", np.float64),  # a tangent to the flow serves for changes up to this share of it
        ("trickle", np.float64),  # m3/s: what a full tube passes below this does not matter
        ("grasp", np.float64),  # the same of what menisci take: books in the end are exact
        ("waist", np.float64),  # of the tubes that ``flows`` is for; 0: none
        ("full_run", np.float64),  # straight length that resists as such a tube does, over its own
        ("full_hold", np.float64),  # the same for what holds a yielding liquid
        ("per_depth", np.float64),  # 1 over the most of ln (mouth's radius over the radius there)
        ("hold_share", np.float64),  # 1 over 1 - waist, and over 3 n times that
        ("run_share", np.float64),
        ("unit_stress", np.float64),  # of the tables, Pa
        ("flows", np.float64, (3, EXCESSES + 1, WIDTHS + 1, 4)),  # see tube.lookup
    ],
    align=True,
)

FlowLaw = np.record  # for annotations: a record of dtype FLOW_LAW


def flow_law(viscosity: ViscosityLaw) -> FlowLaw:
    """The kernels' form of a flow law; the simplest kind that says the same."""
    if isinstance(viscosity, Newtonian):
        return _power_law(viscosity.viscosity, 1.0)
    if isinstance(viscosity, PowerLaw):
        return _power_law(viscosity.consistency, viscosity.index)
    if isinstance(viscosity, Bingham):
        return yielding(viscosity.yield_stress, viscosity.plastic_viscosity, 1.0)
    if isinstance(viscosity, HerschelBulkley):
        return yielding(viscosity.yield_stress, viscosity.consistency, viscosity.index)
    if isinstance(viscosity, FlowCurve):
        return _curve(viscosity)
    raise TypeError(f"no tube flow is known for {viscosity!r}")


def _power_law(consistency: float, index: float) -> FlowLaw:
    law = np.zeros(1, FLOW_LAW).view(np.recarray)[0]
    law.kind = NEWTONIAN if index == 1.0 else POWER_LAW
    law.consistency = consistency
    law.index = index
    law.order = 1.0 / index
    law.cone_step = law.time_step = law.inverse_step = 1.0
    return law


def yielding(yield_stress: float, consistency: float, index: float) -> FlowLaw:
    """A Herschel-Bulkley liquid (Pa, Pa s^n, 1), or a power law if it does not yield."""
    law = _power_law(consistency, index)
    if yield_stress == 0.0:
        return law
    table = tables.tables_of(float(index))
    law.kind = HERSCHEL_BULKLEY
    law.order = 1.0 / index + 1.0
    law.yield_stress = law.unit_stress = yield_stress
    law.log_rate = (math.log(yield_stress) - math.log(consistency)) / index
    law.log_time = -math.log(yield_stress) - law.log_rate
    law.per_time = math.exp(-law.log_time)
    law.cone_start, law.cone_step = table.cone
    law.time_start, law.time_step = table.time
    law.inverse_start, law.inverse_step = table.inverse
    law.cone_low, law.cone_high = index / (index + 1.0), index
    law.top_power, law.top_linear, law.top_constant = table.cone_top
    law.time_low, law.time_high, law.time_foot = 1.0 / index, 1.0 + 1.0 / index, table.time_foot
    law.cells[:3] = table.cells
    if index == 1.0:
        law.plastic[:], last, law.plastic_end = plastic.plastic_tables()
        law.per_plastic = plastic.CELLS / last
    return law


def _curve(viscosity: FlowCurve) -> FlowLaw:
    if viscosity.newtonian is not None:
        return _power_law(viscosity.newtonian, 1.0)
    table = curve_tables(viscosity)
    law = _power_law(1.0, 1.0 / table.low)
    law.kind = CURVE
    law.order = 1.0 / viscosity.thinnest_index  # the most that it is anywhere
    law.unit_stress = table.unit
    law.log_time = -math.log(table.unit)
    law.per_time = table.unit
    law.cone_start, law.cone_step = table.cone
    law.time_start, law.time_step = table.stress
    law.inverse_start, law.inverse_step = table.inverse
    law.cone_low, law.cone_high = 1.0 / table.low, 1.0 / table.high
    last = table.cells[_CONE, -1]
    stress = math.exp(table.stress.start + tables.CELLS * table.stress.step)
    law.top_power = stress * table.high
    law.top_constant = float(last.sum()) - law.top_power
    law.time_low, law.time_high, law.time_foot = 1.0 + table.low, 1.0 + table.high, 1.0
    law.cells[:] = table.cells
    return law


@kernel
def reduced_flow(law, stress):
    """(s, ds/dtw) at a wall stress tw >= 0, Pa.

    At tw = 0 the slope of a shear-thickening liquid has no bound and 0 is returned.
    """
    if law.kind == 0:
        slope = 0.25 / law.consistency
        return slope * stress, slope
    return flow_above_yield(law, stress - law.yield_stress)


@kernel
def flow_above_yield(law, excess):
    """(s, ds/dtw) at the wall stress ``yield_stress + excess``; 0 where excess <= 0."""
    if excess <= 0.0:
        return 0.0, 0.0
    if law.kind == 3:
        return _curve_flow(law, excess)
    p = 1.0 / law.index
    rate = excess / law.consistency  # shear rate at the wall, but for its power
    if p != 1.0:
        rate **= p
    if law.kind <= 1:
        s = rate / (3.0 + p)
        return s, p * s / excess
    stress = law.yield_stress + excess
    v = excess / stress
    c = law.yield_stress / stress
    s = rate * v * (v * v / (3.0 + p) + 2.0 * v * c / (2.0 + p) + c * c / (1.0 + p))
    return s, (rate - 3.0 * s) / stress


@inner
def _curve_flow(law, stress):
    z = math.log(stress / law.unit_stress)
    place = (z - law.time_start) / law.time_step
    if place < 0.0:
        slope = law.time_low - 1.0
        y = law.cells[_FLOW, 0, 0] + slope * place * law.time_step
    elif place >= _LAST + 1:
        slope = law.time_high - 1.0
        y, _ = _cell(law.cells, _FLOW, _LAST + 1.0)
        y += slope * (place - (_LAST + 1)) * law.time_step
    else:
        y, slope = _cell(law.cells, _FLOW, place)
        slope /= law.time_step
    s = math.exp(y)
    return s, s * slope / stress


@kernel
def wall_stress(law, y):
    """Wall stress, Pa, at the reduced flow s = exp(y)."""
    return law.yield_stress + cone_excess(law, y)[1]


@kernel
def cone_integral(law, y):
    """(M, tw) at y = ln s, with dM/dy = tw: pressure drops along cones (see the module's head).

    M is fixed up to a constant: only differences mean anything.
    """
    m, excess = cone_excess(law, y)
    return m + law.yield_stress * y, excess + law.yield_stress


@inner
def cone_excess(law, y):
    """(M - ty y, tw - ty) at y = ln s; both vanish as s -> 0, with full relative accuracy."""
    if law.kind == 0:
        stress = 4.0 * law.consistency * math.exp(y)
        return stress, stress
    if law.kind == 1:
        n = law.index
        stress = law.consistency * math.exp(n * (y + math.log(3.0 + 1.0 / n)))
        return stress / n, stress
    unit = law.unit_stress
    place = (y - law.log_rate - law.cone_start) / law.cone_step
    if place < 0.0:
        k = law.cone_low
        m = law.cells[_CONE, 0, 0] * math.exp(k * place * law.cone_step)
        return unit * m, unit * m * k
    if place >= _LAST + 1:
        e = (place - (_LAST + 1)) * law.cone_step
        grown = law.top_power * math.exp(law.cone_high * e)
        m = grown + law.top_linear * e + law.top_constant
        return unit * m, unit * (law.cone_high * grown + law.top_linear)
    m, slope = _cell(law.cells, _CONE, place)
    return unit * m, unit * slope / law.cone_step


@kernel
def log_imbibition(law, z):
    """(ln E, d ln E/dz) at z = ln((tw - ty)/unit), E in units of exp(log_time). Kinds 2 and 3."""
    place = (z - law.time_start) / law.time_step
    if place < 0.0:
        power = law.time_foot * math.exp(-place * law.time_step * law.time_low)
        share = power + 1.0 - law.time_foot
        return law.cells[_TIME, 0, 0] + math.log(share), -law.time_low * power / share
    if place >= _LAST + 1:
        over = (place - (_LAST + 1)) * law.time_step
        value, _ = _cell(law.cells, _TIME, _LAST + 1.0)
        return value - law.time_high * over, -law.time_high
    value, slope = _cell(law.cells, _TIME, place)
    return value, slope / law.time_step


@kernel
def excess_at_imbibition(law, level):
    """(z, d ln E/dz) where ln E is ``level``: the inverse of :func:`log_imbibition`."""
    place = (level - law.inverse_start) / law.inverse_step
    if place < 0.0:
        z = law.time_start + (_LAST + 1) * law.time_step
        return z - place * law.inverse_step / law.time_high, -law.time_high
    if place >= _LAST + 1:
        over = min((place - (_LAST + 1)) * law.inverse_step, 700.0)
        # E over its value at the table's start, less what does not fall with z
        power = law.time_foot + math.expm1(over)
        z = law.time_start - math.log(power / law.time_foot) / law.time_low
        return z, -law.time_low * power / (power + 1.0 - law.time_foot)
    z, _ = _cell(law.cells, _INVERSE, place)
    value, slope = log_imbibition(law, z)
    return z - (value - level) / slope, slope


@inner
def _cell(cells, table, place):
    """(value, slope per cell) of a table at ``place`` cells from its start."""
    i = min(int(place), _LAST)
    t = place - i
    c0, c1, c2 = cells[table, i, 0], cells[table, i, 1], cells[table, i, 2]
    c3, c4, c5 = cells[table, i, 3], cells[table, i, 4], cells[table, i, 5]
    value = c0 + t * (c1 + t * (c2 + t * (c3 + t * (c4 + t * c5))))
    slope = c1 + t * (2.0 * c2 + t * (3.0 * c3 + t * (4.0 * c4 + t * 5.0 * c5)))
    return value, slope
