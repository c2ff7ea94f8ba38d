"""Figure of what is left of a softening block's snap force, and when it gives way."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from poresim.outcome.spread import Band, band
from poresim.outcome.words import percent, seconds, short
from poresim.record.model import Record, Repeat
from poresim.show.captions import footnote, headline, time_unit
from poresim.show.lifts import draw_lifts, lift_words, lifts_of, put_lifts
from poresim.show.lines import draw_band, name_lines, plain_ticks, scaled, spread_words
from poresim.show.section import NotAsked
from poresim.show.series import Series, records_of, series_of, times_to
from poresim.show.style import BACKGROUND, SOFT, apart, label, styled, text_size
from poresim.show.tables import Table, column, spread_columns

Floats = NDArray[np.float64]

_WIDTH = 5.4  # inches
_BOTH, _ONE = 7.6, 5.2  # inches, height with and without an overhang
_NAMED = 0.14  # inches, for a name above a panel
_STILL = 0.005  # of the dry force: a curve that stays so near to its end changes no more
_BELOW = 5.0  # the logarithmic axis ends so many times below the least force that is needed
DIETS = "No basis for texture-modified diets."


@dataclass(frozen=True, eq=False)
class Course:
    """One repeat against time.

    time_s (k,); force_N (k,) at which it snaps; needed_N (k,) below which it does not carry its
    overhang any more, NaN where none is asked for; fails_at_s, NaN = never.
    """

    time_s: Floats
    force_N: Floats
    needed_N: Floats
    fails_at_s: float

    @property
    def fails_N(self) -> float:
        """Its force when it fails."""
        return float(np.interp(self.fails_at_s, self.time_s, self.force_N))


def soft_series(records: Sequence[Record]) -> list[Series]:
    """Of liquids in solids that soften. Raises NotAsked when there are none."""
    found = [s for s in series_of(records) if all(len(r.snap_force_N) for r in s.repeats)]
    if not found:
        raise NotAsked("no scenario says how walls soften")
    return found


def course(repeat: Repeat) -> Course:
    """The moment of the block's weight over its overhang, as the force that goes with it.

    Force over moment is one number for a bar, by its span. When it fails the two are equal, which
    gives the curve a point of its own there.
    """
    lever = repeat.snap_force_N[0] / repeat.capacity_Nm[0]
    time, force, needed = repeat.time_s, repeat.snap_force_N, lever * repeat.weight_Nm
    when = repeat.fails_at_s
    if np.isfinite(when) and when > time[0]:
        at = int(np.searchsorted(time, when))
        equal = float(np.interp(when, time, needed))
        time, force, needed = (
            np.insert(row, at, value)
            for row, value in ((time, when), (force, equal), (needed, equal))
        )
    return Course(time, force, needed, when)


def firmness_figure(records: Sequence[Record]) -> Any:
    """Snap force against time; where an overhang is asked for, also as a logarithm.

    There the forces that the overhang needs are in sight. Raises NotAsked without softening.
    """
    from poresim.show.picture import Picture

    series = soft_series(records)
    courses = [[course(repeat) for repeat in one.repeats] for one in series]
    overhang = any(np.isfinite(c.needed_N).any() for row in courses for c in row)
    when = times_to(max(_busy(c) for row in courses for c in row), series)
    forces = [_band(row, "force_N", when) for row in courses]
    needs = [_band(row, "needed_N", when).median for row in courses]
    dry = _dry_forces(series, courses)
    unit, factor = _force_unit(max(dry))
    with styled(_WIDTH):
        figure = Picture(figsize=(_WIDTH, _BOTH if overhang else _ONE))
        head = headline(figure, _title(series), _WIDTH)
        lifts = lifts_of(series, float(when[-1]))
        head -= _NAMED / figure.get_figheight() if lifts else 0.0
        words = f"{spread_words(series, forces, max(dry))} {_words(series, overhang)}"
        words += lift_words(lifts, named=True)
        foot = footnote(figure, words, records_of(series))
        left, right, under = 0.175, 0.7, 0.56 / figure.get_figheight()
        bottom = foot + under
        tall = (head - bottom - 0.02 - (under + 0.01 if overhang else 0)) / (2 if overhang else 1)
        places = [bottom + tall + under + 0.01, bottom] if overhang else [bottom]
        clock, ticks = time_unit(float(when[-1]))
        for i, place in enumerate(places):
            axes = figure.add_axes((left, place, right - left, tall))
            axes.set_xlim(0, when[-1] * ticks)
            axes.locator_params(axis="x", nbins=5)
            axes.set_xlabel(f"Time ({clock})")
            axes.set_ylabel(f"Snap force ({unit})" if i == 0 else f"Snap force ({unit}), log")
            if i == 0:
                axes.set_ylim(0, 1.14 * max(dry) * factor)
                axes.locator_params(axis="y", nbins=5)
            else:
                _log_axis(axes, [c for row in courses for c in row], factor)
                for one, needed in zip(series, needs, strict=True):
                    axes.plot(
                        when * ticks, needed * factor, color=one.colour, lw=1.3, ls=(0, (1, 1.3))
                    )
            _dry_lines(axes, dry, factor)
            draw_lifts(axes, lifts, lambda t: t * ticks, named=i == 0)
            ends = [
                draw_band(axes, when * ticks, s, b, factor)
                for s, b in zip(series, forces, strict=True)
            ]
            for one, row in zip(series, courses, strict=True):
                _mark(axes, one, row, ticks, factor)
            name_lines(figure, axes, series, np.clip(ends, *axes.get_ylim()).tolist())
        figure.tables[""] = Table(
            (
                "liquid", column("time", clock), *spread_columns("snap force", unit),
                column("needed", unit),
            ),
            [
                (one.name, when * ticks, *scaled(force, factor), need * factor)
                for one, force, need in zip(series, forces, needs, strict=True)
            ],
        )  # fmt: skip
        figure.tables |= _tables(series, courses, dry, (clock, ticks), (unit, factor))
        put_lifts(figure, lifts, clock, ticks)
    return figure


def _tables(
    series: Sequence[Series], courses: Sequence[Sequence[Course]], dry: dict[float, str],
    clock: tuple[str, float], force: tuple[str, float],
) -> dict[str, Table]:  # fmt: skip
    """When blocks give way, if any do, and the forces of dry ones."""
    name = column("snap force", force[0])
    found = {
        "dry": Table(("record", name), [(of, value * force[1]) for value, of in dry.items()]),
        "failures": Table(
            ("liquid", "solid", column("time", clock[0]), name),
            [
                (one.name, number, c.fails_at_s * clock[1], c.fails_N * force[1])
                for one, row in zip(series, courses, strict=True)
                for number, c in zip(one.liquid.repeats, row, strict=True)
                if np.isfinite(c.fails_at_s)
            ],
        ),
    }
    return {part: table for part, table in found.items() if table.blocks}


def _band(courses: Sequence[Course], column: str, when: Floats) -> Band:
    """Over the repeats; not known beyond the end of any, as walls go on softening at rest."""
    times = [c.time_s for c in courses]
    return band(times, [getattr(c, column) for c in courses], [False] * len(courses), when)


def _busy(one: Course) -> float:
    """Until when its force still changes visibly, and past when it fails."""
    moves = np.flatnonzero(one.force_N - one.force_N[-1] > _STILL * one.force_N[0])
    last = float(one.time_s[moves[-1] + 1]) if len(moves) else 0.0
    return float(np.nanmax([last, one.fails_at_s]))


def _log_axis(axes: Any, courses: Sequence[Course], factor: float) -> None:
    """From somewhat below what the overhang needs to somewhat above all there is."""
    dry = [c.force_N[0] for c in courses]
    told = np.concatenate([dry, *(c.needed_N for c in courses)])
    axes.set_yscale("log")
    axes.set_ylim(np.nanmin(told) / _BELOW * factor, 1.8 * np.nanmax(told) * factor)
    plain_ticks(axes.yaxis)


def _dry_forces(series: Sequence[Series], courses: Sequence[Sequence[Course]]) -> dict[float, str]:
    """Each dry force that differs from the others, N, with the name of its record."""
    told: dict[float, str] = {}
    for one, row in zip(series, courses, strict=True):
        force = float(row[0].force_N[0])
        if not any(abs(force - other) < 1e-3 * other for other in told):
            told[force] = label(one.record.name).replace("_", " ")
    return told


def _dry_lines(axes: Any, dry: dict[float, str], factor: float) -> None:
    """A thin line at each dry force. Several have names, on linear axes, where there is room."""
    forces = [force * factor for force in dry]
    for force in forces:
        axes.axhline(force, color=SOFT, lw=0.9, zorder=1)
    if len(dry) > 1 and axes.get_yscale() == "log":
        return
    size, (low, high) = text_size(_WIDTH), axes.get_ylim()
    tall = axes.get_position().height * axes.figure.get_figheight()
    gap = 1.15 * size / 72 / tall * (high - low)
    places = apart(forces, gap, low, high) if len(dry) > 1 else forces
    for place, name in zip(places, dry.values(), strict=True):
        axes.annotate(
            "dry" if len(dry) == 1 else f"dry, {short(name, 20)}",
            (1, place), (-2, 1), xycoords=("axes fraction", "data"),
            textcoords="offset points", ha="right", va="bottom", color=SOFT,
        )  # fmt: skip


def _mark(axes: Any, one: Series, courses: Sequence[Course], ticks: float, factor: float) -> None:
    """A dot for each repeat that gives way, when it does."""
    fails = [c for c in courses if np.isfinite(c.fails_at_s)]
    if fails:
        axes.plot(
            [c.fails_at_s * ticks for c in fails], [c.fails_N * factor for c in fails], "o",
            color=one.colour, mec=BACKGROUND, mew=0.9, ms=7, clip_on=False, zorder=4,
        )  # fmt: skip


def _force_unit(most: float) -> tuple[str, float]:
    for unit, factor in (("kN", 1e-3), ("N", 1.0), ("mN", 1e3)):
        if most * factor >= 0.1 and (unit != "kN" or most >= 1e3):
            return unit, factor
    return "µN", 1e6


def _title(series: Sequence[Series]) -> str:
    """When the block gives way in the first and the last liquid; else what is left of its force."""
    fails = [s for s in series if np.isfinite(s.summary.fails_at_s.median)]
    if fails:
        return _title_of_falls(series, sorted(fails, key=lambda s: s.summary.fails_at_s.median))
    some = max(series, key=lambda s: s.summary.fails_at_s.reached)
    if found := some.summary.fails_at_s.reached:
        carry = "carries its" if found == 1 else "carry their"
        of = some.summary.fails_at_s.repeats
        return f"In {short(some.name)} {found} of {of} blocks no longer {carry} overhang in the end"
    ranked = sorted(series, key=_left)
    first, last = ranked[0], ranked[-1]
    ends = {seconds(one.end_s) for one in series}
    start = f"After {ends.pop()} " if len(ends) == 1 else "In the end "
    if percent(_left(first)) == percent(_left(last)):
        who = short(first.name) if len(series) == 1 else f"every one of {len(series)} liquids"
        text = f"{who} leaves the block {percent(_left(first))} of its dry snap force"
    else:
        text = f"{short(first.name)} leaves the block {percent(_left(first))} of its dry snap force"
        text += f", {short(last.name)} {percent(_left(last))}"
    if any(np.isfinite(r.weight_Nm).any() for s in series for r in s.repeats):
        text += "; it still carries its overhang"
    return start + text


def _title_of_falls(series: Sequence[Series], fails: Sequence[Series]) -> str:
    first, last = fails[0], fails[-1]
    if len(fails) == len(series) and last.summary.fails_at_s.median == 0:
        return "Even dry, the block does not carry its overhang"
    when = seconds(first.summary.fails_at_s.median)
    text = f"In {short(first.name)} the block no longer carries its overhang after {when}"
    if len(fails) < len(series):
        firm = max((s for s in series if s not in fails), key=_left)
        return f"{text}; in {short(firm.name)} it still does after {seconds(firm.end_s)}"
    return text if first is last else (
        f"{text}, in {short(last.name)} after {seconds(last.summary.fails_at_s.median)}"
    )  # fmt: skip


def _left(one: Series) -> float:
    """Share of the dry snap force in the end."""
    return one.summary.end_snap_force_N.median / one.summary.dry_snap_force_N.median


def _words(series: Sequence[Series], overhang: bool) -> str:
    words = ""
    if overhang:
        words = "Dotted: what the soaked block needs to carry its overhang"
        fails = [s.summary.fails_at_s for s in series]
        if any(f.reached for f in fails):
            each = "a block" if all(f.repeats == 1 for f in fails) else "one of the blocks"
            words += f"; dot: {each} gives way"
        words += "."
        told = [
            f"{f.repeats - f.reached} of {f.repeats} in {short(one.name)}"
            for one, f in zip(series, fails, strict=True)
            if 0 < f.reached < f.repeats
        ]
        if told:
            words += f" Never: {', '.join(told)}." if len(told) < 4 else " Some blocks never do."
    return f"{words} {DIETS}".strip()


__all__ = ["DIETS", "Course", "course", "firmness_figure", "soft_series"]
