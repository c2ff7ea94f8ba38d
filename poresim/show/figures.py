"""All figures of some records, as files: each as PNG, as SVG and as the CSV that it draws."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import partial
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from poresim.record.files import write_text, write_whole
from poresim.record.model import Record
from poresim.show.curves import front_figure, uptake_figure
from poresim.show.drop import drop_figure
from poresim.show.firmness import firmness_figure
from poresim.show.grains import caught_figure, standing_figure
from poresim.show.section import NotAsked, NothingToShow, section_figure
from poresim.show.strength import strength_figure
from poresim.show.tables import write_table

if TYPE_CHECKING:
    from poresim.show.picture import Picture

_DPI = 200
_COLOURS = 128
KINDS = ("png", "svg")
#: Figure -> how it is made, and the parts of it whose numbers have a file of their own.
FIGURES: dict[str, tuple[Callable[[Sequence[Record]], Any], tuple[str, ...]]] = {
    "uptake": (uptake_figure, ("lifts",)),
    "front": (front_figure, ("lifts",)),
    "drop": (drop_figure, ("shapes",)),
    "section": (section_figure, ("panels",)),
    "caught": (caught_figure, ("times",)),
    "standing": (standing_figure, ()),
    "firmness": (firmness_figure, ("lifts", "failures", "dry")),
    "strength": (strength_figure, ("panels", "layers")),
}
#: Whose colours are a scale of numbers: they are kept as they are.
_EXACT = ("strength",)


def figure_paths(folder: Path, name: str) -> list[Path]:
    """Where :func:`write_figures` writes."""
    return [
        path
        for figure, (_, parts) in FIGURES.items()
        for path in paths_of(folder / f"{name}-{figure}.png", ("", *parts))
    ]


def paths_of(path: Path, parts: Sequence[str] = ("",)) -> list[Path]:
    """Where a figure goes whose PNG is ``path``, with the tables of these parts."""
    return [*(path.with_suffix(f".{kind}") for kind in KINDS), *_tables(path, parts)]


def _tables(path: Path, parts: Iterable[str]) -> list[Path]:
    return [path.with_name(f"{path.stem}{part and f'-{part}'}.csv") for part in parts]


def write_figures(
    records: Sequence[Record], folder: Path, name: str
) -> tuple[list[Path], list[str]]:
    """Draw and write every figure there is something to show in, with the numbers that it draws.

    Earlier ones of that name go. Returns the files written, and one remark for each figure left
    out that was asked for.
    """
    written: list[Path] = []
    remarks: list[str] = []
    for figure_name, figure in drawn(records):
        if isinstance(figure, NothingToShow):
            remarks.append(f"no {figure_name} figure: {figure}")
            continue
        path = folder / f"{name}-{figure_name}.png"
        written += write_figure(figure, path, exact=figure_name in _EXACT)
    _remove(set(figure_paths(folder, name)) - set(written))
    return written, remarks


def drawn(
    records: Sequence[Record], names: Sequence[str] = tuple(FIGURES)
) -> Iterator[tuple[str, Any]]:
    """Each figure that the scenarios ask for with its name, in the order of ``names``.

    In place of one that there is nothing to show in, the NothingToShow that says why.
    """
    for name in names:
        make, _ = FIGURES[name]
        try:
            figure = make(records)
        except NotAsked:
            continue
        except NothingToShow as nothing:
            figure = nothing
        yield name, figure


def encoded(name: str, figure: Picture) -> dict[str, bytes]:
    """The figure of that name in each of its formats."""
    from poresim.show.svg import svg_text

    file = BytesIO()
    _save_png(figure, file, name in _EXACT)
    return {"png": file.getvalue(), "svg": svg_text(figure).encode()}


def write_figure(
    figure: Picture, path: Path, parts: Sequence[str] = (), *, exact: bool = False
) -> list[Path]:
    """Write a figure as PNG, as SVG, and its tables beside it, each whole or not at all.

    path : of the PNG. parts : tables that it might have; earlier ones that it does not have go.
    exact : its commonest colours are numbers and are kept as they are. A figure that holds a
    photograph keeps all of its colours. Returns the files written.
    """
    from poresim.show.svg import svg_text  # with it comes matplotlib

    written = paths_of(path, tuple(figure.tables))
    if any(axes.images for axes in figure.axes):
        write_whole(written[0], partial(figure.savefig, format="png", dpi=_DPI))
    else:
        write_whole(written[0], lambda place: _save_png(figure, place, exact))
    write_text(written[1], svg_text(figure))
    for place, table in zip(written[len(KINDS) :], figure.tables.values(), strict=True):
        write_table(place, table)
    _remove(set(_tables(path, parts)) - set(written))
    return written


def _remove(old: Iterable[Path]) -> None:
    for path in old:
        path.unlink(missing_ok=True)


def _save_png(figure: Any, file: Path | BytesIO, exact: bool) -> None:
    """A PNG of few colours, as flat drawings have: a third of the size for the same picture.

    ``exact``: the commonest colours are kept as they are, others become the nearest of these.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from PIL import Image

    figure.set_dpi(_DPI)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    picture = Image.fromarray(np.asarray(canvas.buffer_rgba())[:, :, :3].copy())
    if exact:
        places = np.array([16, 8, 0])  # of red, green and blue in one number
        one_number = (np.asarray(picture).astype(np.int64) << places).sum(axis=2)
        seen, counts = np.unique(one_number, return_counts=True)
        kept = seen[np.argsort(-counts)[:256], None] >> places & 255
        palette = Image.new("P", (1, 1))
        palette.putpalette(kept.astype(np.uint8).tobytes())
        flat = picture.quantize(palette=palette, dither=Image.Dither.NONE)
    else:
        flat = picture.quantize(_COLOURS, dither=Image.Dither.NONE)
    flat.save(file, format="PNG", dpi=(_DPI, _DPI))
