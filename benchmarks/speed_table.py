"""The tables of the speed benchmark."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any

from speed_lab import Measured, curve_error, ratio, tube_error


def show(heads: Sequence[str], rows: Iterable[Sequence[Any]]) -> None:
    """Print a table, columns as wide as needed."""
    cells = [list(heads), *([_cell(v) for v in values] for values in rows)]
    widths = [max(map(len, column)) for column in zip(*cells, strict=True)]
    for line in cells:
        print("  ".join(v.rjust(w) for v, w in zip(line, widths, strict=True)).rstrip())


def _cell(value: Any) -> str:
    if isinstance(value, float):
        return "-" if math.isnan(value) else f"{value:.3g}" if value < 1000 else f"{value:.0f}"
    return str(value)


def row(side: int, who: str, one: Measured, base: Measured, right: Measured) -> list[Any]:
    """One measurement under HEADS, beside ours (``base``) and the reference (``right``)."""
    end = f"not measured: {one.ending}"
    if one.trace:
        end = f"broken off at {one.last('saturation'):.0%}: {one.ending}" if one.broken_off else ""
    return [
        side,
        who,
        one.wall,
        one.last("cpu_s"),
        ratio(one, base),
        one.steps,
        100 * curve_error(one, right),
        100 * tube_error(one, right),
        one.last("extra_bytes") / 1e6,
        one.last("peak_bytes") / 1e6,
        end,
    ]


HEADS = (
    "side", "who", "wall s", "cpu s", "over ours", "steps", "curve error %", "tubes p99 %",
    "memory MB", "in all MB", "",
)  # fmt: skip
