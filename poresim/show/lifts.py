"""Solids that are lifted out: when, in curves; and where liquid touches a section, at a time."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from poresim.exposure.dip import Dip
from poresim.outcome.summary import GONE
from poresim.record.model import Record, Repeat
from poresim.show.series import Series, records_of
from poresim.show.slab import Slab, side_of
from poresim.show.style import INK, SOFT
from poresim.show.tables import Table, column
from poresim.solid.network import Network

Floats = NDArray[np.float64]

_SIDES = ("bottom", "right", "top", "left")
_ALIKE = 1e-9  # of a time: lifts of the scenario that are further off are not the record's


def lifts_of(series: Sequence[Series], until: float = math.inf) -> list[tuple[float, bool]]:
    """When solids are lifted out (True) and put back (False), s: once each, in order.

    Only what came to pass before the soaks were over, and by the time ``until``.
    """
    found = set()
    for record in records_of(series):
        last = max(one.end_s for one in series if one.record is record)
        found |= {(t, k % 2 == 0) for k, t in enumerate(record.lift_s) if t < last and t <= until}
    return sorted(found)


def draw_lifts(
    axes: Any, lifts: Sequence[tuple[float, bool]], across: Callable[[float], float], *,
    named: bool = False, colour: str = SOFT, thick: float = 0.9,
) -> None:  # fmt: skip
    """A thin line at each time, full where the solid is lifted out, dashed where it is put back.

    across : from a time in s to the axis. named : the first has its name, above the panel. thick :
    of the line, points.
    """
    low, high = axes.get_xlim()
    for k, (when, out) in enumerate(lifts):
        x = across(when)
        axes.axvline(x, color=colour, lw=thick, ls="solid" if out else (0, (4, 2)), zorder=1)
        if k == 0 and named:
            axes.annotate(
                "lifted out", (x, 1), (0, 2), xycoords=("data", "axes fraction"),
                textcoords="offset points", color=SOFT, va="bottom",
                ha="left" if x < (low + high) / 2 else "right",
            )  # fmt: skip


def lift_words(lifts: Sequence[tuple[float, bool]], *, named: bool = False) -> str:
    """What the lines of :func:`draw_lifts` mean, if they do not have their names; or ""."""
    back = any(not out for _, out in lifts)
    if not lifts or (named and not back):
        return ""
    return f" Upright line: lifted out{', dashed: put back' if back else ''}."


def put_lifts(figure: Any, lifts: Sequence[tuple[float, bool]], clock: str, ticks: float) -> None:
    """The lines' times among the figure's tables, if there are any; ticks : units of clock a s."""
    if lifts:
        rows = [(when * ticks, "lifted out" if out else "put back") for when, out in lifts]
        figure.tables["lifts"] = Table((column("time", clock), "solid"), rows)


def in_liquid(record: Record, when: float) -> bool:
    """Whether the solid is in the liquid; still so at the moment of lifting."""
    return sum(t < when for t in record.lift_s) % 2 == 0


def dip_of(record: Record) -> Dip | None:
    """How the solid was dipped, by the scenario in the record.

    None where it stayed, and where the scenario does not tell of the record's lifts.
    """
    from poresim.scenario.build import build_dip
    from poresim.scenario.schema import Dipped

    if not record.lift_s:
        return None
    try:
        dip = build_dip(Dipped.model_validate(tomllib.loads(record.scenario)["exposure"]))
    except (ValueError, KeyError):
        return None
    same = len(dip.lifts) == len(record.lift_s) and np.allclose(
        dip.lifts, record.lift_s, rtol=_ALIKE, atol=0.0
    )
    return dip if same else None


@dataclass(frozen=True, eq=False)
class Surface:
    """Where the liquid's surface cuts a slab, in the picture (across, up), mm.

    line (2, 2) : ends of the surface, at the rim of the panel; none where whole faces touch it.
    edges (k, 2, 2) : the parts of the rim that lie below it, at sides that take up liquid.
    """

    line: Floats
    edges: Floats


def surface_of(dip: Dip, slab: Slab, margin: float) -> Surface | None:
    """Of a block dipped to a depth, whose panel reaches ``margin`` mm beyond it; else None."""
    if dip.depth is None or slab.across != "x":
        return None
    up = dip.up[[0, 2]]
    corners = _corners(slab, margin)
    # the least corner of the block itself is so deep
    level = float((_corners(slab, 0.0) @ up).min()) + 1e3 * dip.depth
    above = corners @ up - level
    edges, crossed = [], []
    wet = _wet(slab)
    for k, here in enumerate(corners):
        after = corners[(k + 1) % 4]
        a, b = above[k], above[(k + 1) % 4]
        cut = here + a / (a - b) * (after - here) if (a < 0) != (b < 0) else None
        if cut is not None:
            crossed.append(cut)
        if (a < 0 or b < 0) and _SIDES[k] in wet:
            edges.append([here if a < 0 else cut, after if b < 0 else cut])
    line = np.array(crossed) if len(crossed) == 2 else np.zeros((0, 2))
    return Surface(line, np.array(edges).reshape(-1, 2, 2))


def _whole_sides(slab: Slab, margin: float) -> Surface:
    """Of whole faces that just touch the liquid."""
    corners = _corners(slab, margin)
    edges = [[corners[k], corners[(k + 1) % 4]] for k in range(4) if _SIDES[k] in _wet(slab)]
    return Surface(np.zeros((0, 2)), np.array(edges).reshape(-1, 2, 2))


def _wet(slab: Slab) -> set[str]:
    return {side_of(face) for face in slab.wet_sides}


def _corners(slab: Slab, margin: float) -> Floats:
    """(4, 2) from the lower left one, against the clock; side k leads on from corner k."""
    low, high = slab.low - margin, slab.high + margin
    return np.array([low, [high[0], low[1]], high, [low[0], high[1]]])


def touching(
    one: Series, number: int, slab: Slab, when: float, margin: float
) -> tuple[tuple[str, ...], Surface | None]:
    """What is thick in a section of solid ``number`` at that time: sides all along, and the rest.

    Sides where whole faces stay in the liquid. Else none, and the surface that the solid stands in
    or what a drop covers; None once it is lifted out.
    """
    record, repeat = one.record, one.liquid.repeats[number]
    if len(repeat.drop_m3):
        return (), under_drop(record.solid(number), repeat, slab, when, margin)
    if not record.lift_s:
        return slab.wet_sides, None
    if not in_liquid(record, when):
        return (), None
    dip = dip_of(record)
    surface = None if dip is None else surface_of(dip, slab, margin)
    return (), surface or _whole_sides(slab, margin)


def under_drop(
    network: Network, repeat: Repeat, slab: Slab, when: float, margin: float
) -> Surface | None:
    """What the base of a drop covers of the top: it sits midway between its outermost junctions.

    As wide as it is through the middle of the base; None once the drop has gone.
    """
    row = int(np.searchsorted(repeat.time_s, when * (1 + 1e-9), side="right")) - 1
    if repeat.drop_m3[row] <= GONE * repeat.drop_m3[0]:
        return None
    across = 1e3 * network.points[network.faces["top"], 0]
    middle, base = (across.min() + across.max()) / 2, 1e3 * repeat.drop_base_m[row]
    top = slab.high[1] + margin
    return Surface(np.zeros((0, 2)), np.array([[[middle - base, top], [middle + base, top]]]))


def entry_words(records: Sequence[Record], times: Sequence[float]) -> str:
    """Where liquid enters in sections at these times, and from where mm count."""
    lifted = [record for record in records if record.lift_s]
    repeats = [r for record in records for one in record.liquids for r in one.repeats.values()]
    if not lifted and repeats and all(len(r.drop_m3) for r in repeats):
        return "Thick: what the drop covers, as long as there is any; mm count from the top."
    if not lifted:
        return "Liquid enters at the thick edge; mm count from it."
    dips = [dip_of(record) for record in lifted]
    deep = any(dip is not None and dip.depth is not None for dip in dips)
    if not any(in_liquid(record, when) for record in records for when in times):
        return f"It has been lifted out; mm count from the {'bottom' if deep else 'wetted face'}."
    if deep:
        return (
            "Thin line: the liquid's surface, until it is lifted out; thick: where liquid enters; "
            "mm count from the bottom."
        )
    return "Liquid enters at the thick edge until it is lifted out; mm count from it."


def foot_lines(records: Sequence[Record], usual: int) -> int:
    """How many lines the foot of a section may have: more where there is more to say."""
    return usual + 2 if any(record.lift_s for record in records) else usual


def draw_surface(axes: Any, surface: Surface) -> list[Any]:
    """The surface as a thin line, and what touches the liquid as a thick rim; the artists."""
    artists = [
        axes.plot(*edge.T, color=INK, lw=3.5, solid_capstyle="butt", clip_on=False, zorder=6)[0]
        for edge in surface.edges
    ]
    if len(surface.line):
        artists += axes.plot(*surface.line.T, color=INK, lw=1.0, zorder=5)
    return artists


__all__ = [
    "Surface", "dip_of", "draw_lifts", "draw_surface", "entry_words", "foot_lines", "in_liquid",
    "lift_words", "lifts_of", "surface_of", "touching", "under_drop",
]  # fmt: skip
