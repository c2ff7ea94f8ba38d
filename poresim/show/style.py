"""One style sheet for every picture: colours, line kinds, sizes, and text that stays text.

The colours were searched for, not borrowed: the six that lie furthest apart (in CIELAB) for
normal sight and for the three kinds of colour blindness alike, and stand at least 3 : 1 against
the background. Line kinds and direct labels carry the same distinction without any colour.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from poresim.brief import one_line
from poresim.outcome.words import short

BACKGROUND = "#fbfaf7"
INK = "#22201c"
SOFT = "#5f5a52"
GRID = "#e4e0d8"
DRY = "#d6d0c4"
WHITE = "#ffffff"  #: in a panel, behind a section
FAINT = "#b9b3a7"  #: what is there for comparison only: other liquids, rims, bars that matter less
MARK = "#ffd34d"  #: seen on photographs, dark or light
#: Of numbers. Even in lightness for normal sight and without red or green cones (Nunez, Anderton
#: & Renslow 2018, PLoS ONE 13:e0199239). Dark is much.
SCALE = "cividis_r"
LIQUIDS = ("#2f3bb0", "#e8510b", "#0f826b", "#a470e6", "#8a1d01", "#7c207b")
DASHES: tuple[Any, ...] = (
    "solid",
    (0, (7, 1.6)),
    (0, (3, 1.2)),
    (0, (7, 1.4, 1.4, 1.4)),
    (0, (1.2, 1.2)),
    (0, (7, 1.4, 1.4, 1.4, 1.4, 1.4)),
)
#: Between a number and its unit no line is broken.
_UNIT = re.compile(r"(?<=\d) (?=(%|s|ms|µs|ns|min|h|mm|kg|g|mg|µg)(?![\w]))")
#: Width of a phone's screen, px, and the least height of text on it (size of the letters' em).
PHONE_PX = 360
LEAST_TEXT_PX = 9.5


def colour(index: int) -> str:
    """Of the liquid with this place in its record."""
    return LIQUIDS[index % len(LIQUIDS)]


def readable(of: str, contrast: float = 4.6, on: str = BACKGROUND) -> str:
    """The colour, darkened, or lightened on dark ground, until text in it stands out (WCAG AA asks
    4.5 : 1) on the paper."""
    channels, paper = rgb(of), rgb(on)
    dark = luminance(paper) < 0.18
    while _contrast(channels, paper) < contrast and (dark or any(channels)):
        channels = [min(int(1.04 * c) + 2, 255) if dark else int(0.96 * c) for c in channels]
    return "#" + "".join(f"{c:02x}" for c in channels)


def rgb(colour: str) -> list[int]:
    """Channels, 0 to 255, of #rrggbb."""
    return [int(colour[i : i + 2], 16) for i in (1, 3, 5)]


def _contrast(one: list[int], other: list[int]) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def luminance(rgb: list[int]) -> float:
    """Relative luminance of an sRGB colour, channels 0 to 255 (WCAG 2.1)."""
    linear = [
        c / 255 / 12.92 if c / 255 <= 0.04045 else ((c / 255 + 0.055) / 1.055) ** 2.4 for c in rgb
    ]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def dashes(index: int) -> Any:
    """Line kind; it changes slower than the colour, so that no two liquids share both."""
    return DASHES[(index + index // len(LIQUIDS)) % len(DASHES)]


def text_size(width_in: float) -> float:
    """Points at which text in a figure of this width is still read on a phone."""
    return LEAST_TEXT_PX * 72 * width_in / PHONE_PX * 1.02


@contextmanager
def styled(width_in: float) -> Iterator[None]:
    """Matplotlib set up for a figure of this width, in inches."""
    import matplotlib as mpl

    size = text_size(width_in)
    sheet: dict[Any, Any] = {
        "figure.facecolor": BACKGROUND,
        "savefig.facecolor": BACKGROUND,
        "axes.facecolor": BACKGROUND,
        "axes.edgecolor": SOFT,
        "axes.labelcolor": INK,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "axes.linewidth": 0.09 * size,
        "axes.grid": True,
        "axes.axisbelow": True,
        "axes.titlelocation": "left",
        "axes.titlesize": size,
        "axes.titleweight": "bold",
        "grid.color": GRID,
        "grid.linewidth": 0.08 * size,
        "xtick.color": SOFT,
        "ytick.color": SOFT,
        "xtick.labelcolor": INK,
        "ytick.labelcolor": INK,
        "text.color": INK,
        "text.parse_math": False,
        "font.size": size,
        "axes.labelsize": size,
        "xtick.labelsize": size,
        "ytick.labelsize": size,
        "legend.fontsize": size,
        "figure.titlesize": 1.15 * size,
        "lines.linewidth": 0.24 * size,
        "lines.solid_capstyle": "round",
        "font.family": "DejaVu Sans",
        "path.simplify": True,
    }
    with mpl.rc_context(sheet):
        yield


def label(text: str, width: int = 0, lines: int = 3) -> str:
    """Text from a scenario, safe to draw: no control characters, wrapped, never too long."""
    clean = _UNIT.sub("\u00a0", one_line(text, len(text)))
    if not width:
        return clean[:200]
    rows = textwrap.wrap(clean, width) or [""]
    if len(rows) > lines:
        rows = [*rows[: lines - 1], rows[lines - 1][: max(width - 1, 1)] + "…"]
    return "\n".join(rows)


def name_label(name: str, width: int, lines: int) -> str:
    """A name in so many lines at most; cut in the middle, as names often differ at their ends."""
    clean = label(name)
    for most in range(min(len(clean), width * lines), 6, -1):
        rows = textwrap.wrap(short(clean, most), width)
        if len(rows) <= lines:
            return "\n".join(rows)
    return short(clean, 6)


def characters(width_in: float, size: float) -> int:
    """How many letters of this size (points) fit into a width, on average."""
    return max(6, int(width_in * 72 / (0.54 * size)))


def apart(wanted: list[float], gap: float, low: float, high: float) -> list[float]:
    """Places as near as can be to the wanted ones, at least ``gap`` apart, from low to high."""
    order = sorted(range(len(wanted)), key=lambda i: wanted[i])
    if (len(order) - 1) * gap > high - low:
        gap = (high - low) / max(len(order) - 1, 1)
    groups = [[wanted[i], 1] for i in order]  # centre and number of labels
    merged: list[list[float]] = []
    for group in groups:
        merged.append(list(group))
        while len(merged) > 1 and (
            merged[-1][0] - merged[-2][0] < gap * (merged[-1][1] + merged[-2][1]) / 2
        ):
            c, n = merged.pop()
            merged[-1][0] = (merged[-1][0] * merged[-1][1] + c * n) / (merged[-1][1] + n)
            merged[-1][1] += n
    placed: list[float] = []
    for centre, count in merged:
        first = centre - gap * (count - 1) / 2
        placed.extend(first + gap * i for i in range(int(count)))
    for i, at in enumerate(placed):  # keep inside, pushing upwards, then downwards
        placed[i] = max(at, low + gap * i)
    for i in range(len(placed)):
        placed[-1 - i] = min(placed[-1 - i], high - gap * i)
    result = [0.0] * len(wanted)
    for at, i in zip(placed, order, strict=True):
        result[i] = at
    return result
