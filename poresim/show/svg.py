"""A figure as SVG: the same bytes each time, whole in itself, with words for those who hear it.

Letters are drawn as outlines. The layouts are measured in DejaVu Sans, which other machines lack:
text set in another font would run over lines and into its neighbours, and the picture would not be
the PNG's. What outlines cannot do is done by ``<title>`` and ``<desc>``, which hold what stands
above and below the figure, and by the CSV beside it.
"""

from __future__ import annotations

import io
from typing import Any
from xml.sax.saxutils import escape

from poresim.show.picture import said

_RASTER_DPI = 200  # of layers with too many parts, as sections have: sharp in print, and small
_SHEET: Any = {"svg.fonttype": "path", "svg.hashsalt": "poresim", "svg.image_inline": True}
_NO_METADATA = {"Date": None, "Creator": None, "Format": None, "Type": None}


def svg_text(figure: Any) -> str:
    """The figure as the text of an SVG file."""
    import matplotlib as mpl

    made = io.StringIO()
    with mpl.rc_context(_SHEET):
        figure.savefig(made, format="svg", dpi=_RASTER_DPI, metadata=_NO_METADATA)
    text = made.getvalue()
    start = text.index("<svg ")  # what stands before refers to a file elsewhere
    end = text.index(">", start)
    title, words = (escape(part) for part in said(figure))
    return (
        '<?xml version="1.0" encoding="utf-8"?>\n'
        f'{text[start:end]} role="img" aria-labelledby="title desc">\n'
        f' <title id="title">{title}</title>\n <desc id="desc">{words}</desc>'
        f"{text[end + 1 :]}"
    )
