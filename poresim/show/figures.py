"""All figures of some records, as files."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np

from poresim.record.files import write_whole
from poresim.record.model import Record
from poresim.show.curves import front_figure, uptake_figure
from poresim.show.drop import drop_figure
from poresim.show.firmness import firmness_figure
from poresim.show.grains import caught_figure, standing_figure
from poresim.show.section import NotAsked, NothingToShow, section_figure
from poresim.show.strength import strength_figure

_DPI = 200
_COLOURS = 128
#: Figure -> how it is made, and the formats it is written in (a section has too many parts for
#: a vector file that opens quickly).
_FIGURES: dict[str, tuple[Callable[[Sequence[Record]], Any], tuple[str, ...]]] = {
    "uptake": (uptake_figure, ("png", "svg")),
    "front": (front_figure, ("png", "svg")),
    "drop": (drop_figure, ("png", "svg")),
    "section": (section_figure, ("png",)),
    "caught": (caught_figure, ("png", "svg")),
    "standing": (standing_figure, ("png", "svg")),
    "firmness": (firmness_figure, ("png", "svg")),
    "strength": (strength_figure, ("png",)),
}
#: Whose colours are a scale of numbers: they are kept as they are.
_EXACT = ("strength",)


def figure_paths(folder: Path, name: str) -> list[Path]:
    """Where :func:`write_figures` writes."""
    return [folder / f"{name}-{f}.{kind}" for f, (_, kinds) in _FIGURES.items() for kind in kinds]


def write_figures(
    records: Sequence[Record], folder: Path, name: str
) -> tuple[list[Path], list[str]]:
    """Draw and write every figure there is something to show in.

    Returns the files written, and one remark for each figure left out that was asked for.
    """
    written: list[Path] = []
    remarks: list[str] = []
    for figure_name, figure in drawn(records):
        if isinstance(figure, NothingToShow):
            remarks.append(f"no {figure_name} figure: {figure}")
            continue
        for kind in _FIGURES[figure_name][1]:
            path = folder / f"{name}-{figure_name}.{kind}"
            write_whole(path, _saver(figure, kind, exact=figure_name in _EXACT))
            written.append(path)
    return written, remarks


def drawn(
    records: Sequence[Record], names: Sequence[str] = tuple(_FIGURES)
) -> Iterator[tuple[str, Any]]:
    """Each figure that the scenarios ask for with its name, in the order of ``names``.

    In place of one that there is nothing to show in, the NothingToShow that says why.
    """
    for name in names:
        make, _ = _FIGURES[name]
        try:
            figure = make(records)
        except NotAsked:
            continue
        except NothingToShow as nothing:
            figure = nothing
        yield name, figure


def encoded(name: str, figure: Any) -> dict[str, bytes]:
    """The figure of that name in each of its formats."""
    found = {}
    for kind in _FIGURES[name][1]:
        file = BytesIO()
        _saver(figure, kind, exact=name in _EXACT)(file)
        found[kind] = file.getvalue()
    return found


def write_figure(figure: Any, paths: Sequence[Path]) -> list[Path]:
    """Write one figure in the formats that the names ask for, each whole or not at all.

    One that holds a photograph keeps all of its colours.
    """
    photograph = any(axes.images for axes in figure.axes)
    for path in paths:
        save = _saver(figure, path.suffix[1:])
        if photograph and path.suffix == ".png":
            save = partial(figure.savefig, format="png", dpi=_DPI)
        write_whole(path, save)
    return list(paths)


def write_png(figure: Any, path: Path) -> None:
    """Write one figure, whole or not at all."""
    write_whole(path, _saver(figure, "png"))


def _saver(figure: Any, kind: str, *, exact: bool = False) -> Callable[[Path | BytesIO], None]:
    if kind == "png":
        return lambda file: _save_png(figure, file, exact)
    return lambda file: _save_other(figure, file, kind)


def _save_other(figure: Any, file: Path | BytesIO, kind: str) -> None:
    """The same figure, the same file: names within an SVG are made from what they name."""
    from matplotlib import rc_context

    with rc_context({"svg.hashsalt": "poresim"}):
        figure.savefig(file, format=kind, metadata={"Date": None})


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
