"""A figure as SVG: the same bytes each time, whole in itself, with words for those who hear it.

Letters are drawn as outlines. The layouts are measured in DejaVu Sans, which other machines lack:
text set in another font would run over lines and into its neighbours, and the picture would not be
the PNG's. What outlines cannot do is done by ``<title>`` and ``<desc>``, which hold what stands
above and below the figure, and by the CSV beside it.
"""

from __future__ import annotations

import base64
import io
import re
from typing import Any
from xml.sax.saxutils import escape

import numpy as np

from poresim.show.picture import said

_RASTER_DPI = 200  # of layers with too many parts, as sections have: sharp in print, and small
_COLOURS = 128  # of a layer, the commonest: they are kept as they are
_LAYER = re.compile(r"(?<=data:image/png;base64,)[^\"]+")
_SHEET: Any = {"svg.fonttype": "path", "svg.hashsalt": "poresim", "svg.image_inline": True}
_NO_METADATA = {"Date": None, "Creator": None, "Format": None, "Type": None}


def svg_text(figure: Any) -> str:
    """The figure as the text of an SVG file."""
    import matplotlib as mpl

    made = io.StringIO()
    with mpl.rc_context(_SHEET):
        figure.savefig(made, format="svg", dpi=_RASTER_DPI, metadata=_NO_METADATA)
    text = made.getvalue()
    if not any(axes.images for axes in figure.axes):  # photographs keep all of their colours
        text = _LAYER.sub(lambda layer: _fewer_colours(layer.group()), text)
    start = text.index("<svg ")  # what stands before refers to a file elsewhere
    end = text.index(">", start)
    title, words = (escape(part) for part in said(figure))
    return (
        '<?xml version="1.0" encoding="utf-8"?>\n'
        f'{text[start:end]} role="img" aria-labelledby="title desc">\n'
        f' <title id="title">{title}</title>\n <desc id="desc">{words}</desc>'
        f"{text[end + 1 :]}"
    )


def _fewer_colours(layer: str) -> str:
    """The same picture in a third of the bytes or less; rare colours become the nearest common."""
    from PIL import Image

    with Image.open(io.BytesIO(base64.b64decode(layer))) as image:
        pixels = np.asarray(image.convert("RGBA"))
    seen, which, counts = np.unique(
        pixels.reshape(-1, 4), axis=0, return_inverse=True, return_counts=True
    )
    kept = seen[np.argsort(-counts, kind="stable")[:_COLOURS]]
    weighed, common = (_as_seen(colours) for colours in (seen, kept))
    nearest = ((weighed[:, None] - common) ** 2).sum(axis=2).argmin(axis=1)
    flat = Image.fromarray(nearest[which].astype(np.uint8).reshape(pixels.shape[:2]), "P")
    flat.putpalette(kept[:, :3].tobytes())
    made = io.BytesIO()
    flat.save(made, format="PNG", transparency=kept[:, 3].tobytes())
    return base64.b64encode(made.getvalue()).decode("ascii")


def _as_seen(colours: np.ndarray) -> np.ndarray:
    """Colours times their opacity, and that: how different they look."""
    opacity = colours[:, 3:].astype(float)
    return np.concatenate([colours[:, :3] * opacity / 255, opacity], axis=1)
