"""Figures of a sweep and the tables that they are drawn from.

One varied quantity makes curves, two make maps, more make shares of the variance.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from poresim.record.files import write_whole
from poresim.show.section import NothingToShow
from poresim.show.sweep_curves import curves_figure
from poresim.show.sweep_data import Quantity, RadiusLaw, Runs, Sweep, radius_laws
from poresim.show.sweep_maps import maps_figure
from poresim.show.sweep_shares import binned, by_share, shares_figure

Row = Sequence[str | float | int]


def sweep_figure(sweep: Sweep) -> Any:
    """The figure that fits what was varied. NothingToShow where no liquid has a result."""
    if not any(np.isfinite(runs.median).any() for runs in sweep.liquids):
        raise NothingToShow(f"no run of the sweep gets to its result, {sweep.result}")
    return {1: curves_figure, 2: maps_figure}.get(len(sweep.quantities), shares_figure)(sweep)


def table_paths(path: Path, sweep: Sweep) -> list[Path]:
    """Where :func:`write_csv` writes: what hangs together with ``path`` has its name and more."""
    tables = [path]
    if len(sweep.quantities) > 2:
        tables.append(path.with_name(f"{path.stem}-bins{path.suffix}"))
    if any(runs.shares is not None for runs in sweep.liquids):
        tables.append(path.with_name(f"{path.stem}-shares{path.suffix}"))
    if sweep.laws:
        tables.append(path.with_name(f"{path.stem}-radii{path.suffix}"))
    return tables


def write_csv(path: Path, sweep: Sweep) -> list[Path]:
    """Write what the sweep's figure shows, each table whole or not at all.

    ``path``: every point and liquid, with median, least and greatest of the solids and how many
    have the result (an empty cell: none). Beside it ``-bins`` (the small panels), ``-shares`` (of
    the variance; empty where they are not defined) and ``-radii`` (laws of the tube radii), if
    the figure has them. Columns carry their units.
    """
    makers = {"bins": _bins, "shares": _shares, "radii": _radii}
    paths = table_paths(path, sweep)
    for one in paths:
        make = _points if one == path else makers[one.stem.removeprefix(f"{path.stem}-")]
        _write(one, *make(sweep))
    return paths


def _points(sweep: Sweep) -> tuple[list[str], list[Row]]:
    head = [one.column for one in sweep.quantities]
    head += ["liquid", *(f"{sweep.column}_{which}" for which in ("median", "least", "greatest"))]
    rows: list[Row] = []
    for runs in sweep.liquids:
        columns = [one.values for one in sweep.quantities], (runs.median, runs.low, runs.high)
        for k, count in enumerate(runs.reached):
            varied, found = ([float(values[k]) for values in group] for group in columns)
            rows.append([*varied, runs.name, *found, int(count), runs.values.shape[1]])
    return [*head, "solids_with_result", "solids"], rows


def _bins(sweep: Sweep) -> tuple[list[str], list[Row]]:
    rows: list[Row] = []
    for i in by_share(sweep):
        one = sweep.quantities[i]
        for runs in sweep.liquids:
            b = binned(one, runs)
            found = zip(b.at, b.low, b.median, b.high, strict=True)
            rows += [[one.name, one.unit, runs.name, *map(float, some)] for some in found]
    shown = [f"{sweep.column}_{which}" for which in ("10_percent", "median", "90_percent")]
    return ["quantity", "unit", "liquid", "value_in_unit", *shown], rows


def _shares(sweep: Sweep) -> tuple[list[str], list[Row]]:
    head = ["quantity", "liquid", "first_order", "first_order_low", "first_order_high", "total",
            "total_low", "total_high", "level", "rows", "rows_left_out"]  # fmt: skip
    rows: list[Row] = []
    for i in by_share(sweep):
        for runs in sweep.liquids:
            s = runs.shares
            if s is not None:
                found = (s.first[i], *s.first_interval[i], s.total[i], *s.total_interval[i])
                name = sweep.quantities[i].name
                rows.append([name, runs.name, *map(float, found), s.level, s.rows, s.dropped])
    return head, rows


def _radii(sweep: Sweep) -> tuple[list[str], list[Row]]:
    head = [sweep.quantities[0].column, "radius_um", "tubes_per_ln_radius"]
    return head, [
        [law.value, float(radius), float(density)]
        for law in sweep.laws
        for radius, density in zip(law.radius_um, law.density, strict=True)
    ]


def _write(path: Path, head: Sequence[str], rows: Sequence[Row]) -> None:
    def write(place: Path) -> None:
        with place.open("w", newline="", encoding="utf-8") as file:
            table = csv.writer(file, lineterminator="\n")
            table.writerow(head)
            table.writerows([_cell(value) for value in row] for row in rows)

    write_whole(path, write)


def _cell(value: str | float | int) -> str | int:
    if isinstance(value, float):
        return f"{value:.10g}" if np.isfinite(value) else ""
    return value


__all__ = [
    "Quantity", "RadiusLaw", "Runs", "Sweep", "radius_laws", "sweep_figure", "table_paths",
    "write_csv",
]  # fmt: skip
