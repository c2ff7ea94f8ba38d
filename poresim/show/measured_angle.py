"""The picture of a measured drop: outline, face and angles drawn over the photograph."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from poresim.photo.angle import Angle
from poresim.show.style import BACKGROUND, INK, LIQUIDS, MARK, label, readable, styled, text_size
from poresim.show.tables import Table

_WIDTH = 7.0
_LEAST_SD = 1e-3  # degrees
_ROOM = 0.35  # of the base's width, around the drop


def angle_figure(picture: NDArray[Any], found: Angle, name: str) -> Any:
    """The photograph about the drop, with what was found in it."""
    from poresim.show.picture import Picture

    with styled(_WIDTH):
        (x0, x1), (y0, y1) = _frame(picture, found)
        high = _WIDTH * (y1 - y0) / (x1 - x0)
        figure = Picture(figsize=(_WIDTH, high + 1.1), layout="constrained")
        axes = figure.add_subplot()
        axes.imshow(picture, cmap="gray", extent=(0, picture.shape[1], picture.shape[0], 0))
        axes.set(xlim=(x0, x1), ylim=(y1, y0), xticks=[], yticks=[])
        axes.grid(False)
        for spine in axes.spines.values():
            spine.set_visible(False)
        figure.tables[""] = Table(("line", "x_px", "y_px"), _draw(axes, found, x1 - x0))
        unit = "" if found.um_per_px is None else _size(found)
        sd = f"{found.sd_deg:.1g}" if found.sd_deg < 0.095 else f"{found.sd_deg:.1f}"
        places = 2 if found.sd_deg < 0.095 else 1
        axes.set_title(f"{label(name, 24, 1)}: {found.angle_deg:.{places}f} ± {sd}°{unit}")
        size = 0.9 * text_size(_WIDTH)
        axes.set_xlabel(
            f"left {found.left_deg:.1f}°, right {found.right_deg:.1f}°; edges lie "
            f"{found.scatter_px:.2f} px from the outline",
            fontsize=size,
        )
    return figure


def _size(found: Angle) -> str:
    volume, base = found.volume_m3, found.base_m
    assert volume is not None and base is not None
    return f", {volume * 1e9:.3g} µL on {base * 1e3:.3g} mm"


def _frame(picture: NDArray[Any], found: Angle) -> tuple[tuple[float, float], tuple[float, float]]:
    wide = float(np.ptp(found.outline[:, 0]))
    room = _ROOM * wide
    x = found.outline[:, 0].min() - room, found.outline[:, 0].max() + room
    y = found.outline[:, 1].min() - 0.6 * room, found.ends[:, 1].max() + room
    return (
        (max(x[0], 0.0), min(x[1], float(picture.shape[1]))),
        (max(y[0], 0.0), min(y[1], float(picture.shape[0]))),
    )


def _draw(axes: Any, found: Angle, wide: float) -> list[Sequence[Any]]:
    """Draws the lines; each by its name, with its points in the photograph."""
    from poresim.drop.profile import meridian

    line, outline, tangents = MARK, LIQUIDS[1], LIQUIDS[3]
    along, up = found.face.line.along, found.face.line.up
    far = np.array([-1.0, 1.0])[:, None] * 0.75 * wide * along + found.ends.mean(axis=0)
    axes.plot(*far.T, color=INK, lw=3.0, alpha=0.6)
    axes.plot(*far.T, color=line, lw=1.8)
    drawn: list[Sequence[Any]] = [("face", *far.T)]
    m = meridian(found.shape.beta, found.length, 160)
    for k, side in enumerate((-1.0, 1.0)):
        at = found.shape.laid(side, m.x, m.z)
        keep = found.face.line.height(at) >= 0
        end = int(np.flatnonzero(~keep)[0]) if not keep.all() else len(at)
        axes.plot(*at[:end].T, color=outline, lw=2.4)
        drawn.append((f"outline, {('left', 'right')[k]}", *at[:end].T))
        angle = math.radians(found.left_deg if side < 0 else found.right_deg)
        way = math.cos(angle) * -side * along + math.sin(angle) * up
        tip = found.ends[k] + 0.2 * wide * way
        tangent = np.stack([found.ends[k], tip]).T
        drawn.append((f"tangent, {('left', 'right')[k]}", *tangent))
        axes.plot(*tangent, color=BACKGROUND, lw=4.0)
        axes.plot(*tangent, color=tangents, lw=2.4)
    return drawn


def series_table(when: NDArray[Any], found: Sequence[Angle]) -> Table:
    """A film as a table, which a scenario's [[measured]] may name; sizes in px without a scale."""
    scale = found[0].um_per_px
    angle = np.array([a.angle_deg for a in found])
    sd = np.array([max(a.sd_deg, _LEAST_SD) for a in found])
    base = np.array([a.base_px for a in found]) * (1.0 if scale is None else scale * 1e-3)
    volume = np.array([a.volume_px3 for a in found])
    volume = volume / volume[0] if scale is None else volume * (scale * 1e-6) ** 3 * 1e9
    sizes = ("base_px", "volume_of_first") if scale is None else ("base_mm", "volume_uL")
    return Table(("time_s", "angle_deg", "sd_deg", *sizes), [(when, angle, sd, base, volume)], 6)


def series_figure(when: NDArray[Any], found: Sequence[Angle], slide: int | None, unit: str) -> Any:
    """Angle, base and volume against time (or the frame's number)."""
    from poresim.show.picture import Picture

    with styled(_WIDTH):
        figure = Picture(figsize=(_WIDTH, 7.5), layout="constrained")
        upper, middle, lower = figure.subplots(3, 1, sharex=True)
        scale = found[0].um_per_px
        drawn = series_table(when, found)
        _, angle, sd, base, volume = drawn.blocks[0]
        upper.errorbar(when, angle, sd, fmt="o-", ms=4, color=LIQUIDS[0], lw=1.8)
        upper.set_ylabel("Angle (°)")
        middle.plot(when, base, "o-", ms=4, color=LIQUIDS[2])
        middle.set_ylabel("Base (px)" if scale is None else "Base (mm)")
        lower.plot(when, volume, "o-", ms=4, color=LIQUIDS[4])
        lower.set_ylabel("Volume (of first)" if scale is None else "Volume (µL)")
        lower.set_ylim(0, None)
        lower.set_xlabel(unit)
        if slide is not None:
            for axes in (upper, middle, lower):
                axes.axvline(when[slide], color=readable(LIQUIDS[1]), lw=1.2, ls=(0, (3, 1.2)))
            upper.set_title("the base begins to slide at the dashed line")
        figure.tables[""] = drawn
    return figure
