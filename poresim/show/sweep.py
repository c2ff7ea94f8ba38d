"""Figures of a sweep and the tables that they are drawn from.

One varied quantity makes curves, two make maps, more make shares of the variance.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from poresim.show.section import NothingToShow
from poresim.show.style import label
from poresim.show.sweep_curves import curves_figure
from poresim.show.sweep_data import Quantity, RadiusLaw, Runs, Sweep, radius_laws
from poresim.show.sweep_maps import maps_figure
from poresim.show.sweep_shares import binned, by_share, shares_figure
from poresim.show.tables import Table

PARTS = ("", "bins", "shares", "radii")


def sweep_figure(sweep: Sweep) -> Any:
    """The figure that fits what was varied. NothingToShow where no liquid has a result."""
    if not any(np.isfinite(runs.median).any() for runs in sweep.liquids):
        raise NothingToShow(f"no run of the sweep gets to its result, {sweep.result}")
    draw = {1: curves_figure, 2: maps_figure}.get(len(sweep.quantities), shares_figure)
    figure = draw(sweep)
    figure.tables |= sweep_tables(sweep)
    return figure


def sweep_tables(sweep: Sweep) -> dict[str, Table]:
    """What the sweep's figure shows, by part; columns carry their units.

    First every point and liquid, with median, least and greatest of the solids and how many have
    the result (an empty cell: none). Then, if the figure has them, ``bins`` (the small panels),
    ``shares`` (of the variance; empty where they are not defined) and ``radii`` (laws of the tube
    radii).
    """
    tables = {"": _points(sweep)}
    if len(sweep.quantities) > 2:
        tables["bins"] = _bins(sweep)
    if any(runs.shares is not None for runs in sweep.liquids):
        tables["shares"] = _shares(sweep)
    if sweep.laws:
        tables["radii"] = _radii(sweep)
    return tables


def _points(sweep: Sweep) -> Table:
    spread = [f"{sweep.column}_{which}" for which in ("median", "least", "greatest")]
    head = [*(one.column for one in sweep.quantities), "liquid", *spread]
    varied = [one.values for one in sweep.quantities]
    blocks = [
        (
            *varied, label(runs.name), runs.median, runs.low, runs.high, runs.reached,
            runs.values.shape[1],
        )
        for runs in sweep.liquids
    ]  # fmt: skip
    return Table((*head, "solids_with_result", "solids"), blocks)


def _bins(sweep: Sweep) -> Table:
    blocks = []
    for one in (sweep.quantities[i] for i in by_share(sweep)):
        for runs in sweep.liquids:
            b = binned(one, runs)
            blocks.append((one.name, one.unit, label(runs.name), b.at, b.low, b.median, b.high))
    shown = [f"{sweep.column}_{which}" for which in ("10_percent", "median", "90_percent")]
    return Table(("quantity", "unit", "liquid", "value_in_unit", *shown), blocks)


def _shares(sweep: Sweep) -> Table:
    head = ("quantity", "liquid", "first_order", "first_order_low", "first_order_high", "total",
            "total_low", "total_high", "level", "rows", "rows_left_out")  # fmt: skip
    blocks = []
    for i in by_share(sweep):
        for runs in sweep.liquids:
            s = runs.shares
            if s is not None:
                found = (s.first[i], *s.first_interval[i], s.total[i], *s.total_interval[i])
                name = sweep.quantities[i].name
                blocks.append((name, label(runs.name), *found, s.level, s.rows, s.dropped))
    return Table(head, blocks)


def _radii(sweep: Sweep) -> Table:
    return Table(
        (sweep.quantities[0].column, "radius_um", "tubes_per_ln_radius"),
        [(law.value, law.radius_um, law.density) for law in sweep.laws],
    )


__all__ = [
    "PARTS", "Quantity", "RadiusLaw", "Runs", "Sweep", "radius_laws", "sweep_figure",
    "sweep_tables",
]  # fmt: skip
