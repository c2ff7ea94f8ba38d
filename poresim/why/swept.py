"""A sweep as files: one record (HDF5) of everything that was kept, and a table of what was asked.

::

    /                     title, scenario (the file's text), seed, poresim_version, created (UTC),
                          format, kind = "sweep"; sample, where it is one; failed: what could not be
                          computed, a line each
    /quantities/<i>/      key, name, unit; values (points,), numbers or texts
    /liquids/<k>/         name; of every soak ending (points, repeats), and
    /liquids/<k>/figures/ every figure that is known (points, repeats); NaN = not reached
    /liquids/<k>/curves/  time_s, uptake_kg, ... (points, repeats, times), NaN beyond a curve's end
    /results/<i>/         name, unit; values (liquids, points, repeats)
"""

from __future__ import annotations

import csv
import io
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from poresim import __version__
from poresim.outcome.asked import FIGURES
from poresim.record.files import write_text, write_whole
from poresim.record.layout import SOAK, SOFT
from poresim.tables.writing import as_text
from poresim.why.naming import named
from poresim.why.sweep import Swept

Floats = NDArray[np.float64]

_FORMAT = 1
_ABOUT = {
    "time_s": ("s", "time since the liquid touched the solid"),
    "uptake_kg": (SOAK["uptake_kg"].units, SOAK["uptake_kg"].long_name),
    "saturation": (SOAK["saturation"].units, SOAK["saturation"].long_name),
    "snap_force_N": (SOFT["snap_force_N"].units, SOFT["snap_force_N"].long_name),
    "drop_m3": ("m3", "liquid left of the drop"),
}


def write_record(found: Swept, path: Path) -> None:
    """Write the record, whole or not at all."""
    image = io.BytesIO()
    with h5py.File(image, "w") as file:
        _fill(file, found)
    write_whole(path, lambda temporary: _put(temporary, image))


def _put(path: Path, image: io.BytesIO) -> None:
    path.write_bytes(image.getvalue())


def _fill(file: h5py.File, found: Swept) -> None:
    scenario = found.scenario
    file.attrs.update(
        title=scenario.title,
        scenario=scenario.text,
        seed=scenario.seed,
        poresim_version=__version__,
        created=datetime.now(UTC).isoformat(timespec="seconds"),
        format=_FORMAT,
        kind="sweep",
        failed="\n".join(f"{name}: {why}" for name, why in found.failed.items()),
    )
    if found.sample is not None:
        file.attrs["sample"] = found.sample
    for i, one in enumerate(found.quantities):
        group = file.create_group(f"quantities/{i}")
        name, unit = named(one.key)
        group.attrs.update(key=one.key, name=name, unit=unit)
        values = [point[i] for point in found.points]
        numbers = all(isinstance(v, int | float) and not isinstance(v, bool) for v in values)
        _dataset(group, "values", np.array(values, float) if numbers else [str(v) for v in values],
                 unit, name)  # fmt: skip
    for k, name in enumerate(found.liquids):
        _fill_liquid(file.create_group(f"liquids/{k}"), found, k, name)
    for i, result in enumerate(found.results):
        group = file.create_group(f"results/{i}")
        group.attrs.update(name=result.column, unit=result.unit)
        every = np.array([found.values(result, k) for k in range(len(found.liquids))])
        _dataset(group, "values", every, result.unit, result.words)


def _fill_liquid(group: h5py.Group, found: Swept, k: int, name: str) -> None:
    group.attrs["name"] = name
    shape = len(found.points), found.repeats
    places = [(p, n) for p in range(shape[0]) for n in range(shape[1])]
    known = {place: found.outcomes[k, *place] for place in places if (k, *place) in found.outcomes}
    endings = [known[place].ending.name if place in known else "failed" for place in places]
    texts = np.array(endings, dtype=object).reshape(shape)
    group.create_dataset("ending", data=texts, dtype=h5py.string_dtype())
    group["ending"].attrs.update(units="1", long_name="how each soak ended")
    for figure in FIGURES:
        row = np.full(shape, np.nan)
        for place, outcome in known.items():
            row[place] = outcome.figures.get(figure, np.nan)
        if np.isfinite(row).any():
            _dataset(group, f"figures/{figure}", row, *FIGURES[figure])
    longest = max((len(outcome.curves["time_s"]) for outcome in known.values()), default=0)
    for curve in sorted({name for outcome in known.values() for name in outcome.curves}):
        rows = np.full((*shape, longest), np.nan, np.float32)
        for place, outcome in known.items():
            if curve in outcome.curves:
                rows[place][: len(outcome.curves[curve])] = outcome.curves[curve]
        _dataset(group, f"curves/{curve}", rows, *_ABOUT[curve])


def _dataset(group: h5py.Group, name: str, values: Any, units: str, long_name: str) -> None:
    if isinstance(values, list):
        made = group.create_dataset(name, data=values, dtype=h5py.string_dtype())
    else:
        packed = {"compression": "gzip", "shuffle": True} if values.size > 100 else {}
        made = group.create_dataset(name, data=values, **packed)
    made.attrs.update(units=units or "1", long_name=long_name)


def write_csv(found: Swept, path: Path) -> None:
    """A line a soak: the quantities, the liquid, the number of the solid, every result."""
    text = io.StringIO()
    rows = csv.writer(text, lineterminator="\n")
    units = [f"{r.column} ({r.unit})" if r.unit else r.column for r in found.results]
    rows.writerow([*(one.key for one in found.quantities), "liquid", "repeat", *units])
    values = [[found.values(r, k) for r in found.results] for k in range(len(found.liquids))]
    for p, point in enumerate(found.points):
        varied = [as_text(value) if isinstance(value, str) else value for value in point]
        for k, liquid in enumerate(found.liquids):
            for n in range(found.repeats):
                cells = [repr(float(table[p, n])) for table in values[k]]
                rows.writerow([*varied, as_text(liquid), n, *cells])
    write_text(path, text.getvalue())
