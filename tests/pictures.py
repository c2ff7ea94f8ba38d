"""What every picture is held to: how it is seen, and that its letters are read on a phone."""

from __future__ import annotations

import contextlib
import csv
import io
import itertools

import numpy as np
from matplotlib.collections import PolyCollection
from matplotlib.patches import Rectangle, StepPatch

from poresim.show import style

# Machado, Oliveira & Fernandes 2009, IEEE Trans Vis Comput Graph 15:1291, severity 1.0: what
# linear RGB looks like to people without one kind of cone (values from memory).
SIGHT = {
    "normal": np.eye(3),
    "protanopia": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
         [-0.003882, -0.048116, 1.051998]]
    ),
    "deuteranopia": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
         [-0.011820, 0.042940, 0.968881]]
    ),
    "tritanopia": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602],
         [0.004733, 0.691367, 0.303900]]
    ),
}  # fmt: skip


def channels(colour: str) -> np.ndarray:
    return np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255


def lab(colour: str, sight: str) -> np.ndarray:
    """CIELAB (CIE 1976, D65) of a colour as it is seen."""
    c = channels(colour)
    linear = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
    linear = np.clip(SIGHT[sight] @ linear, 0, 1)
    to_xyz = np.array(
        [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750],
         [0.0193339, 0.1191920, 0.9503041]]
    )  # fmt: skip
    xyz = to_xyz @ linear / np.array([0.95047, 1.0, 1.08883])
    f = np.where(xyz > 0.008856, np.cbrt(xyz), 7.787 * xyz + 16 / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def texts(figure):
    import matplotlib.text

    beyond = set()
    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            low, high = sorted(axis.get_view_interval())
            for tick in axis.get_major_ticks():
                if not low <= tick.get_loc() <= high:  # made, but not drawn
                    beyond |= {tick.label1, tick.label2}
    found = figure.findobj(matplotlib.text.Text)
    return [t for t in found if t.get_text() and t.get_visible() and t not in beyond]


def check_legible(figure):
    """Scaled to 360 px width every letter is at least 9 px tall (its em); nothing is cut off,
    and no two texts lie on one another."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.text import Text

    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    renderer = canvas.get_renderer()
    width, height = figure.bbox.width, figure.bbox.height
    boxes = []
    for text in texts(figure):
        em = text.get_fontsize() / 72 * figure.dpi * style.PHONE_PX / width
        assert em >= 9, (text.get_text(), em)
        box = Text.get_window_extent(text, renderer)  # without the line that leads to a name
        name = text.get_text()
        assert box.x0 >= -1 and box.x1 <= width + 1, name  # noqa: PT018
        assert box.y0 >= -1 and box.y1 <= height + 1, name  # noqa: PT018
        boxes.append((name, box))
    for (name, one), (other_name, other) in itertools.combinations(boxes, 2):
        across = min(one.x1, other.x1) - max(one.x0, other.x0)
        up = min(one.y1, other.y1) - max(one.y0, other.y0)
        assert across < 2 or up < 2, (name, other_name)


def numbers_drawn(figure, axes=None, across=True):
    """Every number that lines, bands, steps and bars of these axes draw, as their artists hold it.

    ``across``: positions across count as well as heights.
    """
    found = []
    for one in figure.axes if axes is None else axes:
        for line in one.lines:
            if line.get_transform() == one.transData:
                sides = (line.get_xdata(), line.get_ydata()) if across else (line.get_ydata(),)
                found += [np.asarray(side, dtype=float) for side in sides]
        for collection in one.collections:
            if isinstance(collection, PolyCollection):
                ends = np.concatenate([path.vertices for path in collection.get_paths()])
                found.append(ends[:, 1])
        for patch in one.patches:
            if isinstance(patch, StepPatch):
                found += [patch.get_data().values, patch.get_data().edges]
            elif isinstance(patch, Rectangle) and patch.get_data_transform() == one.transData:
                found.append(np.array([patch.get_width()]))
    numbers = np.concatenate(found)
    return numbers[np.isfinite(numbers)]


def numbers_written(figure):
    """Every number in the tables of a figure, read back from their CSV text."""
    cells = [
        cell
        for table in figure.tables.values()
        for row in csv.reader(io.StringIO(table.text()))
        for cell in row
    ]
    found = []
    for cell in cells:
        with contextlib.suppress(ValueError):
            found.append(float(cell))
    return np.array(found)


def check_column(figure, axes, colour, name, part=""):
    """The longest line of this colour has the heights of a column, in some run of its rows."""
    line = max((a for a in axes.lines if a.get_color() == colour), key=lambda a: len(a.get_xdata()))
    table = figure.tables[part]
    place, heights = table.head.index(name), np.asarray(line.get_ydata(), dtype=float)
    runs = [np.asarray(block[place], dtype=float) for block in table.blocks]
    runs = [run[np.isfinite(run)] for run in runs if np.ndim(run)]
    heights = heights[np.isfinite(heights)]
    assert any(len(run) == len(heights) and np.allclose(run, heights) for run in runs), name


def check_numbers(figure, axes=None, across=True, most_missing=0):
    """What is drawn stands in the tables; so many numbers may be missing (guides for the eye)."""
    drawn, written = numbers_drawn(figure, axes, across), np.sort(numbers_written(figure))
    assert len(drawn) and len(written)
    after = np.searchsorted(written, drawn).clip(1, len(written) - 1)
    nearest = np.minimum(np.abs(written[after] - drawn), np.abs(written[after - 1] - drawn))
    missing = nearest > 1e-8 * np.abs(drawn) + 1e-12
    assert missing.sum() <= most_missing, (missing.sum(), drawn[missing][:10])
