"""Figure of a drop on a face: its contact angle, what is left of it, and its shape to scale."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from poresim.outcome.curves import time_to, value_at
from poresim.outcome.spread import Band, band
from poresim.outcome.summary import AT_REST, GONE, last_drop
from poresim.outcome.words import WHOLE, drop_title, percent, seconds
from poresim.record.model import Record, Repeat
from poresim.show.captions import footnote, headline
from poresim.show.lines import draw_band, name_lines, scaled, spread_words
from poresim.show.section import NotAsked
from poresim.show.series import Series, records_of, series_of
from poresim.show.slab import scale_bar
from poresim.show.style import FAINT, INK, characters, name_label, readable, styled, text_size
from poresim.show.tables import Table, spread_columns

Floats = NDArray[np.float64]

_WIDTH = 5.4  # inches
_CURVE = 1.75  # inches, height of a panel of curves
_CELL = 1.26  # inches, width of a drop with what is beside it
_TALLEST = 0.95
_POINTS = 400
_DRAWN = 0.02  # of a drop: the time axis begins somewhat before so much is drawn in
_DECADES = 8  # of time, at most
_SEEN = 2.0  # degrees: a fall of the angle that the eye sees
_SLID = 1e-9  # of the first base: how much a line that is pinned may seem to move


@dataclass(frozen=True, eq=False)
class Shape:
    """A drop at one of the record's times, SI units; ``stage``: what it does then, in words."""

    time_s: float
    base_m: float
    height_m: float
    angle_deg: float
    left: float
    stage: str

    def outline(self) -> Floats:
        """(k, 2) the cap over the face, mm, from the left end of its base to the right one."""
        return cap_outline(self.base_m, self.height_m)


def cap_outline(base_m: float, height_m: float) -> Floats:
    """(k, 2) across and up, mm, of a spherical cap, from the left end of its base to the right one.

    Circle through both ends and the apex; its half angle is the contact angle.
    """
    half = 2 * np.arctan2(height_m, base_m)
    turn = np.linspace(-half, half, 121)
    radius = (base_m**2 + height_m**2) / (2 * height_m)
    across, up = radius * np.sin(turn), height_m - radius * (1 - np.cos(turn))
    return np.asarray(1e3 * np.stack([across, up], axis=1))


def drop_series(records: Sequence[Record]) -> list[Series]:
    """Of liquids that are one drop. Raises NotAsked when there are none."""
    found = [s for s in series_of(records) if all(len(r.drop_m3) for r in s.repeats)]
    if not found:
        raise NotAsked("no liquid is a drop on a face")
    return found


def several(repeat: Repeat) -> bool:
    """Whether drops were set down one after another."""
    return len(repeat.dispensed_m3) > 0


def gone_at(repeat: Repeat) -> float:
    """When all but a millionth of the drop, or of the last one, was drawn in, s; NaN = never."""
    row = last_drop(repeat.dispensed_m3)
    return time_to(repeat.time_s[row:], 1.0 - left_share(repeat)[row:], 1.0 - GONE)


def left_share(repeat: Repeat) -> Floats:
    """(k,) what is on the face over one drop."""
    return np.asarray(repeat.drop_m3 / repeat.drop_m3[0], dtype=np.float64)


def shapes_of(repeat: Repeat) -> list[Shape]:
    """Three or four times of the record, in order, that tell how the drop shrinks.

    As it is set down; pinned, with its angle half-way down; as its base begins to shrink, or half
    of what was left then has gone; gone, or in the end. One that does not shrink: first and last.
    Of several drops: the first, what is there before the last one and with it, and the end.
    """
    if several(repeat):
        return _shapes_of_several(repeat)
    left, base, angle = left_share(repeat), repeat.drop_base_m, repeat.drop_angle_deg
    gone = gone_at(repeat)
    last = len(left) - 1
    if np.isfinite(gone):
        last = int(np.searchsorted(repeat.time_s, gone * (1 - 1e-12)))
    slides = np.flatnonzero(base[: last + 1] < base[0] * (1 - _SLID))
    start = int(slides[0]) if len(slides) else last
    lowest = angle[start] if len(slides) else angle[last]
    pinned = int(np.argmin(np.abs(angle[: start + 1] - (angle[0] + lowest) / 2)))
    rows = {0: "set down"}
    if 0 < pinned < start and angle[0] - lowest > _SEEN:
        rows[pinned] = "pinned"
    if len(slides):
        half = left[start] / 2 if np.isfinite(gone) else (left[start] + left[last]) / 2
        sliding = start + int(np.argmin(np.abs(left[start : last + 1] - half)))
        if sliding < last:
            rows[sliding] = "slides"
    if last > 0:
        still = "stays" if left[last] >= WHOLE else "on top"
        rows[last] = "gone" if np.isfinite(gone) else still
    return _shapes_at(repeat, rows)


def _shapes_at(repeat: Repeat, rows: dict[int, str]) -> list[Shape]:
    left, base, angle = left_share(repeat), repeat.drop_base_m, repeat.drop_angle_deg
    return [
        Shape(
            float(repeat.time_s[i]), float(base[i]), float(repeat.drop_height_m[i]),
            float(angle[i]), float(left[i]), rows[i],
        )
        for i in sorted(rows)
    ]  # fmt: skip


def _shapes_of_several(repeat: Repeat) -> list[Shape]:
    left, gone = left_share(repeat), gone_at(repeat)
    row, last = last_drop(repeat.dispensed_m3), len(left) - 1
    if np.isfinite(gone):
        last = int(np.searchsorted(repeat.time_s, gone * (1 - 1e-12)))
    number = round(float(repeat.dispensed_m3[-1] / repeat.dispensed_m3[0]))
    rows = {0: "drop 1"}
    if row > 0:
        rows |= {row - 1: "gone" if left[row - 1] <= GONE else "before", row: f"drop {number}"}
    if last > row:
        rows[last] = "gone" if np.isfinite(gone) else "on top"
    return _shapes_at(repeat, rows)


def time_axis(series: Sequence[Series]) -> Floats:
    """Times, s, evenly spaced in log(time): from before the first drop shrinks to the last change.

    To the end of the longest soak, unless all drops are gone or at rest before. Of several drops
    evenly from 0 on, closer together after each of them.
    """
    if any(several(r) for s in series for r in s.repeats):
        return _axis_of_several([r for s in series for r in s.repeats])
    starts, ends, over = [], [], [np.inf]
    for repeat in (r for s in series for r in s.repeats):
        gone = gone_at(repeat)
        drawn = time_to(repeat.time_s, 1.0 - left_share(repeat), _DRAWN)
        over.append(gone if gone > 0 else np.inf)
        starts.append(drawn if drawn > 0 else np.nan)
        ends.append(2 * gone if np.isfinite(gone) else float(repeat.time_s[-1]))
    last = max(ends) if max(ends) > 0 else 1.0
    first = float(np.nanmin(starts)) / 2 if np.isfinite(starts).any() else last / 1000
    first = min(max(first, last * 10.0**-_DECADES), last / 10, np.nanmin(over) / 10)
    return np.asarray(np.geomspace(first, last, _POINTS))


def _axis_of_several(repeats: Sequence[Repeat]) -> Floats:
    ends = [gone_at(r) for r in repeats]
    ends = [1.1 * g if g > 0 else float(r.time_s[-1]) for g, r in zip(ends, repeats, strict=True)]
    last = max(*ends, *(1.1 * _comes(r)[-1] for r in repeats)) if ends else 1.0
    comes = np.unique(np.concatenate([[0.0], *(_comes(r) for r in repeats)]))
    gaps = np.diff([*comes, last])
    after = [t + gap * np.geomspace(1e-6, 1.0, 60) for t, gap in zip(comes, gaps, strict=True)]
    times = np.concatenate([np.linspace(0, last, _POINTS), comes, comes * (1 - 1e-9), *after])
    return np.unique(times[(times >= 0) & (times <= last)])


def _comes(repeat: Repeat) -> Floats:
    """Times of the second drop and those after it, s."""
    found = repeat.time_s[1:][np.diff(repeat.dispensed_m3) > 0] if several(repeat) else np.zeros(0)
    return np.asarray(found if len(found) else np.zeros(1))


def drop_figure(records: Sequence[Record]) -> Any:
    """Contact angle and volume left against time, and drops to scale, a row a liquid.

    Raises NotAsked without drops.
    """
    from poresim.show.picture import Picture

    series = drop_series(records)
    when = time_axis(series)
    angles = [_band(one, when, angle=True) for one in series]
    lefts = [_band(one, when, angle=False) for one in series]
    number, shown = _shown(series)
    with styled(_WIDTH):
        size = text_size(_WIDTH)
        line = size / 72
        scale, talls = _scale(shown)
        rows = [tall + 4.3 * line for tall in talls]
        above = 0.52 + 2 * _CURVE + 0.2 + 2.6 * line
        # Once to learn how high the words are, once with that height.
        words = f"{spread_words(series, lefts, 100.0)} {_words(series, when, number)}"
        figure = Picture(figsize=(_WIDTH, 9.0))
        used = 9.0 * (1 - headline(figure, drop_title([s.summary for s in series]), _WIDTH))
        below = 9.0 * footnote(figure, words, records_of(series)) + 0.1
        used += 0.08
        height = used + above + sum(rows) + below
        figure = Picture(figsize=(_WIDTH, height))
        headline(figure, drop_title([s.summary for s in series]), _WIDTH)
        footnote(figure, words, records_of(series))
        top = height - used
        for k, (bands, name) in enumerate(
            ((angles, "Contact angle (°)"), (lefts, _left_name(series)))
        ):
            bottom = top - _CURVE - k * (_CURVE + 0.2)
            place = (0.135, bottom / height, 0.585, _CURVE / height)
            _draw_curves(figure, figure.add_axes(place), series, when, bands, name, named=k == 1)
        bottom = below + sum(rows)
        _scale_bar(figure, shown, scale, size, bottom + 0.75 * line)
        for one, shapes, row, tall in zip(series, shown, rows, talls, strict=True):
            bottom -= row
            _draw_row(figure, one, shapes, bottom + 2.75 * line, tall, scale, size)
        figure.tables |= _tables(series, when, angles, lefts, shown)
    return figure


def _tables(
    series: Sequence[Series], when: Floats, angles: Sequence[Band], lefts: Sequence[Band],
    shown: Sequence[Sequence[Shape]],
) -> dict[str, Table]:  # fmt: skip
    """The curves; and the drops, each the part of a circle over its base."""
    head = ("liquid", "time_s", *spread_columns("angle", "deg"), *spread_columns("left", "%"))
    curves = [
        (one.name, when, *scaled(angle, 1.0), *scaled(left, 1.0))
        for one, angle, left in zip(series, angles, lefts, strict=True)
    ]
    told = ("liquid", "time_s", "stage", "base_radius_mm", "height_mm", "angle_deg", "left_percent")
    drops = [
        (one.name, s.time_s, s.stage, 1e3 * s.base_m, 1e3 * s.height_m, s.angle_deg, 100 * s.left)
        for one, shapes in zip(series, shown, strict=True)
        for s in shapes
    ]
    return {"": Table(head, curves), "shapes": Table(told, drops)}


def _left_name(series: Sequence[Series]) -> str:
    if any(several(r) for s in series for r in s.repeats):
        return "Left (% of one drop)"
    return "Left on the face (%)"


def _shown(series: Sequence[Series]) -> tuple[int, list[list[Shape]]]:
    """The drops of the first repeat that all liquids have; else of each one's own first."""
    shared = set.intersection(*(set(s.liquid.repeats) for s in series))
    number = min(shared) if shared else -1
    firsts = [min(s.liquid.repeats) if number < 0 else number for s in series]
    return number, [shapes_of(s.liquid.repeats[n]) for s, n in zip(series, firsts, strict=True)]


def _band(one: Series, when: Floats, *, angle: bool) -> Band:
    """Median and range; an angle is not known any more when a drop has gone."""
    ends = [gone_at(r) for r in one.repeats]
    rests = [r.ending in AT_REST for r in one.repeats]
    times = [r.time_s for r in one.repeats]
    if not angle:
        known = [rest or np.isfinite(end) for rest, end in zip(rests, ends, strict=True)]
        return band(times, [100 * left_share(r) for r in one.repeats], known, when)
    first = float(np.nanmin(ends)) if np.isfinite(ends).any() else np.inf
    found = band(times, [r.drop_angle_deg for r in one.repeats], rests, when)
    over = when >= first
    if any(several(r) for r in one.repeats):
        over = np.zeros(len(when), dtype=np.bool_)
        for repeat in one.repeats:
            holds = repeat.ending in AT_REST
            over |= value_at(repeat.time_s, left_share(repeat), when, holds=holds) <= GONE
    return Band(when, *(np.where(over, np.nan, row) for row in found[1:]))


def _draw_curves(
    figure: Any, axes: Any, series: Sequence[Series], when: Floats, bands: Sequence[Band],
    name: str, *, named: bool,
) -> None:  # fmt: skip
    straight = any(several(r) for s in series for r in s.repeats)
    axes.set_xscale("linear" if straight else "log")
    axes.set_xlim(when[0], when[-1])
    draw = _draw_parts if straight else draw_band
    ends = [draw(axes, when, s, b, 1.0) for s, b in zip(series, bands, strict=True)]
    most = max(float(np.nanmax(b.high)) for b in bands)
    axes.set_ylim(0, 1.06 * most)
    axes.locator_params(axis="y", nbins=5)
    axes.set_ylabel(name)
    if not straight:
        _time_ticks(axes)
    if named:
        axes.set_xlabel("Time (s)" if straight else "Time, logarithmic scale")
    else:
        axes.tick_params(labelbottom=False)
    name_lines(figure, axes, series, ends)


def _draw_parts(axes: Any, when: Floats, one: Series, band: Band, factor: float) -> float:
    """As draw_band, with gaps where there is nothing to tell between two drops."""
    known = np.isfinite(band.median)
    axes.fill_between(when, band.low, band.high, color=one.colour, alpha=0.2, lw=0)
    axes.plot(when, band.median, color=one.colour, ls=one.dashes)
    last = np.flatnonzero(known)[-1]
    if last < len(when) - 1:
        axes.plot(when[last], band.median[last], "o", color=one.colour, ms=5)
    return float(band.median[last] * factor)


def _time_ticks(axes: Any) -> None:
    """Times as people say them, at most five."""
    from matplotlib.ticker import FixedLocator, FuncFormatter, NullFormatter, NullLocator

    low, high = np.log10(axes.get_xlim())
    powers = np.arange(np.ceil(low - 1e-9), np.floor(high + 1e-9) + 1)
    step = int(np.ceil(len(powers) / 4.5)) if len(powers) else 1
    ticks = 10.0 ** powers[:: max(step, 1)]
    if len(ticks) < 2:
        some = [m * 10.0**p for p in np.arange(np.floor(low), np.ceil(high)) for m in (1, 2, 5)]
        ticks = np.array([t for t in some if low <= np.log10(t) <= high])
    axes.xaxis.set_major_locator(FixedLocator(ticks.tolist()))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda v, _: _time(v)))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_minor_formatter(NullFormatter())


def _time(value: float) -> str:
    """A round time: ``10 ms``, ``0.1 s``, ``100 s``."""
    for unit, factor in (("ns", 1e9), ("µs", 1e6), ("ms", 1e3)):
        if value < 0.0999 and value * factor < 999:
            return f"{value * factor:.3g} {unit}"
    return f"{value:.4g} s"


def _scale(shown: Sequence[Sequence[Shape]]) -> tuple[float, list[float]]:
    """Inches a mm at which every drop fits, and the height of the tallest of each row, inches."""
    rows = [[s.outline() for s in shapes if s.stage != "gone"] for shapes in shown]
    wide = max(float(np.ptp(outline[:, 0])) for row in rows for outline in row)
    tall = [max(float(outline[:, 1].max()) for outline in row) for row in rows]
    scale = min(0.86 * _CELL / wide, _TALLEST / max(tall))
    return scale, [scale * one + 0.03 for one in tall]


def _draw_row(
    figure: Any, one: Series, shapes: Sequence[Shape], bottom: float, tall: float, scale: float,
    size: float,
) -> None:  # fmt: skip
    """A liquid's drops side by side on one face, inches from the lower left of the figure."""
    width, height = figure.get_size_inches()
    name = name_label(one.name, characters(width * 0.95, 1.12 * size), 1)
    figure.text(
        0.02, (bottom + tall + 0.4 * size / 72) / height, name, color=readable(one.colour),
        weight="bold",
    )  # fmt: skip
    first = shapes[0].outline()
    for k, shape in enumerate(shapes):
        x = 0.12 + k * (_CELL + 0.04)
        axes = figure.add_axes((x / width, bottom / height, _CELL / width, tall / height))
        axes.set_axis_off()
        axes.set_xlim(-_CELL / 2 / scale, _CELL / 2 / scale)
        axes.set_ylim(0, tall / scale)
        if k:
            axes.plot(*first.T, color=FAINT, lw=1.0, ls=(0, (1.5, 1.5)), zorder=1)
        if shape.stage != "gone":
            outline = shape.outline()
            axes.fill(*outline.T, color=one.colour, alpha=0.3, lw=0, zorder=2)
            axes.plot(*outline.T, color=one.colour, lw=1.6, zorder=3, clip_on=False)
        axes.plot(axes.get_xlim(), [0, 0], color=INK, lw=2.2, zorder=4, clip_on=False)
        told = [_moment(shape), shape.stage]
        if shape.stage != "gone":
            told[1] += f", {shape.angle_deg:.0f}°"
        figure.text(
            (x + _CELL / 2) / width, (bottom - 0.3 * size / 72) / height, "\n".join(told),
            ha="center", va="top", linespacing=1.1,
        )  # fmt: skip


def _moment(shape: Shape) -> str:
    if shape.stage == "gone" or abs(shape.left - 1.0) < 1e-6:
        return seconds(shape.time_s)
    return f"{seconds(shape.time_s)}: {percent(shape.left)}"


def _scale_bar(
    figure: Any, shown: Sequence[Sequence[Shape]], scale: float, size: float, y: float
) -> None:
    """A heading for the drops and a round length, its right end at the right edge; y in inches."""
    from matplotlib.lines import Line2D

    width, height = figure.get_size_inches()
    figure.text(0.02, y / height, "Drops from the side, to scale", va="center")
    widest = max(float(np.ptp(row[0].outline()[:, 0])) for row in shown)
    length = scale_bar(widest)
    end, at = 1 - 0.12 / width, y / height
    start = end - length * scale / width
    figure.add_artist(
        Line2D([start, end], [at, at], color=INK, lw=0.25 * size, solid_capstyle="butt")
    )
    figure.text(start - 0.5 * size / 72 / width, at, f"{length:g} mm", ha="right", va="center")


def _words(series: Sequence[Series], when: Floats, number: int) -> str:
    if any(several(r) for s in series for r in s.repeats):
        return _words_of_several(series, number)
    words = f"The time axis is logarithmic and begins at {seconds(float(when[0]))}."
    if any(np.isfinite(gone_at(r)) for s in series for r in s.repeats):
        words += " Dot: where a drop has gone, or a soak has ended."
    solid = f" of solid {number}" if any(len(s.repeats) > 1 for s in series) and number >= 0 else ""
    return (
        f"{words} Drops{solid}: spherical caps of the record's base and height, per cent left and "
        "contact angle; dotted: as set down. Pinned: the base stays while the angle falls; it "
        "slides at the receding angle."
    )


def _words_of_several(series: Sequence[Series], number: int) -> str:
    given = [r.dispensed_m3 for s in series for r in s.repeats if several(r)]
    counts = {round(float(row[-1] / row[0])) for row in given}
    many = f"{min(counts)}" if len(counts) == 1 else f"{min(counts)} to {max(counts)}"
    solid = f" of solid {number}" if any(len(s.repeats) > 1 for s in series) and number >= 0 else ""
    return (
        f"{many} drops of one volume come down at the same place. On one that is still there the "
        "base stays unless the angle would be above the advancing one, else it spreads to that. "
        f"Drops{solid}: spherical caps of the record's base and height, per cent of one drop and "
        "contact angle; dotted: the first."
    )


__all__ = ["Shape", "drop_figure", "drop_series", "gone_at", "left_share", "shapes_of", "time_axis"]
