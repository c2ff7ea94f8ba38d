"""From a sweep to its figures: one a result, of the kind that suits what was varied."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from poresim.outcome.asked import Asked
from poresim.scenario.varied import Variations
from poresim.show.figures import write_figure
from poresim.show.section import NothingToShow
from poresim.show.sweep import (
    PARTS,
    Quantity,
    RadiusLaw,
    Runs,
    Sweep,
    radius_laws,
    sweep_figure,
)
from poresim.why.naming import named
from poresim.why.sweep import Swept
from poresim.why.swept_words import shares_of

Floats = NDArray[np.float64]

#: Unit -> units that it is shown in, and how many of them make one.
_SHOWN = {
    "kg": (("g", 1e3), ("mg", 1e6), ("µg", 1e9)),
    "m³": (("mL", 1e6), ("µL", 1e9)),
    "s": (("s", 1.0), ("ms", 1e3)),
}


def sweeps_of(found: Swept) -> list[Sweep]:
    """What each result's figure draws; none where a varied quantity is no number."""
    quantities = [_quantity(found, i) for i in range(len(found.quantities))]
    if not all(quantities):
        return []
    return [_sweep(found, of, tuple(q for q in quantities if q)) for of in found.results]


def write_figures(shown: Sequence[Sweep], of: Swept, path: Path) -> tuple[list[Path], list[str]]:
    """Draw and write every figure, with the table that it draws; remarks on those left out.

    path : of the sweep's record, beside which they go.
    """
    written: list[Path] = []
    remarks: list[str] = []
    if not shown:
        remarks.append("no figure: a quantity that is varied is no number")
    for result, sweep in zip(of.results, shown, strict=False):
        place = figure_path(path, result)
        try:
            figure = sweep_figure(sweep)
        except NothingToShow as nothing:
            remarks.append(f"no figure: {nothing}")
            continue
        written += write_figure(figure, place, PARTS)
    return written, remarks


def figure_path(path: Path, result: Asked) -> Path:
    """The PNG of a result; ``path`` : of the sweep's record."""
    return path.with_name(f"{path.stem}-{result.column}.png")


def _quantity(found: Swept, place: int) -> Quantity | None:
    one = found.quantities[place]
    values = [point[place] for point in found.points]
    if not all(isinstance(v, int | float) and not isinstance(v, bool) for v in values):
        return None
    name, unit = named(one.key)
    own = float(one.own) if isinstance(one.own, int | float) else None
    return Quantity(name, unit, np.array(values, dtype=np.float64), one.log, own, one.key)


def _sweep(found: Swept, of: Asked, quantities: tuple[Quantity, ...]) -> Sweep:
    tables = [found.values(of, k) for k in range(len(found.liquids))]
    unit, factor = _unit(of, tables)
    return Sweep(
        of.words,
        unit,
        quantities,
        tuple(
            Runs(name, tables[k] * factor, _shares(found, of, k))
            for k, name in enumerate(found.liquids)
        ),
        found.scenario.run.accuracy,
        found.scenario.title,
        _laws(found, quantities),
        "invented" in found.scenario.text.lower(),
    )


def _shares(found: Swept, of: Asked, liquid: int) -> Any:
    try:
        return shares_of(found, of, liquid)
    except ValueError:  # too many soaks without a result: said where the numbers are
        return None


def _unit(of: Asked, tables: Sequence[Floats]) -> tuple[str, float]:
    """In which the greatest value is a number of 1 or more, if any is; shares in per cent."""
    if of.unit == "":
        return ("", 1.0) if of.name == "exponent" else ("%", 100.0)
    known = np.concatenate([table[np.isfinite(table)] for table in tables])
    greatest = float(np.abs(known).max()) if len(known) else 0.0
    choices = _SHOWN.get(of.unit, ((of.unit, 1.0),))
    return next((c for c in choices if greatest * c[1] >= 1), choices[-1])


def _laws(found: Swept, quantities: tuple[Quantity, ...]) -> tuple[RadiusLaw, ...]:
    """Of the throats, where their law is what is varied: least, a middle and the greatest value."""
    (key, *others) = [one.key for one in found.quantities]
    if others or not key.startswith("solid.tubes.") or key.endswith("waist"):
        return ()
    values = np.unique(quantities[0].values)
    some = [float(values[i]) for i in dict.fromkeys((0, len(values) // 2, len(values) - 1))]
    variations = Variations(found.scenario)
    laws = [variations.scenario({key: value}).solid.radii for value in some]
    if any(law is None for law in laws):
        return ()
    return radius_laws(some, [law for law in laws if law is not None])
