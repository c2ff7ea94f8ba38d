"""Colours of a film: on light ground, on dark, or over another picture."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from poresim.show import style


class Theme(NamedTuple):
    """ground : of the page; panel : behind a solid. ink, soft : of words. grid, dry : as of
    figures. rim : of a solid's outline. grain : of grains. liquids : in their order."""

    ground: str
    panel: str
    ink: str
    soft: str
    grid: str
    dry: str
    rim: str
    grain: str
    liquids: tuple[str, ...]

    def liquid(self, place: int) -> str:
        """Of the liquid with this place among all."""
        return self.liquids[place % len(self.liquids)]

    def text(self, place: int) -> str:
        """The same, so that letters in it stand out (WCAG AA)."""
        return style.readable(self.liquid(place), on=self.ground)


LIGHT = Theme(
    style.BACKGROUND, "#ffffff", style.INK, style.SOFT, style.GRID, style.DRY, "#b9b3a7", "#5a3d1e",
    style.LIQUIDS,
)  # fmt: skip
#: Hues near those on light ground, found in the same way: at least 4.6 : 1 against the ground and
#: as far apart as can be, for the three kinds of colour blindness, too.
DARK = Theme(
    "#1b1a18", "#232220", "#f3f0e9", "#b8b1a6", "#3a3733", "#55504a", "#6f695f", "#e8d9b8",
    ("#4e8cef", "#e0826e", "#79f8d5", "#cbbffc", "#f35321", "#a57595"),
)  # fmt: skip


def rgba(colour: str, alpha: int = 255) -> NDArray[np.uint8]:
    """(4,) of #rrggbb."""
    return np.array([*style.rgb(colour), alpha], np.uint8)
