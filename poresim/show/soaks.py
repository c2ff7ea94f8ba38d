"""Figure of soaks that were made in Python: how full the pores are, against time and its root."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from poresim.outcome.curves import time_to
from poresim.outcome.summary import AT_REST
from poresim.outcome.words import capital, percent, seconds, short
from poresim.show.captions import headline, time_unit
from poresim.show.lines import name_lines
from poresim.show.style import SOFT, characters, colour, dashes, label, styled, text_size
from poresim.show.sweep_data import Look
from poresim.show.tables import Table, column
from poresim.uptake.result import Soak

if TYPE_CHECKING:
    from poresim.show.picture import Picture

_WIDTH, _TALL = 5.4, 6.6  # inches
_WORDS = "Each line: one soak of one solid. Computed, not measured."
_FLAT = 1.2  # times the last change
_MUCH = 0.8  # of the pores: until when the fastest is timed


def soaks_figure(soaks: Mapping[str, Soak]) -> Picture:
    """One line a soak; soaks by the name that they are to have. ValueError: there is none."""
    from poresim.show.picture import Picture

    if not soaks:
        raise ValueError("no soak to draw; give one or more, by name")
    looks = [Look(label(name), colour(i), dashes(i)) for i, name in enumerate(soaks)]
    curves = [(one.time_s, 100 * one.saturation) for one in soaks.values()]
    last = max(_busy(one) for one in soaks.values())
    clock, ticks = time_unit(last)
    with styled(_WIDTH):
        figure = Picture(figsize=(_WIDTH, _TALL))
        size = text_size(_WIDTH)
        head = headline(figure, _title(soaks), _WIDTH)
        words = label(_WORDS, characters(0.96 * _WIDTH, size), 2)
        figure.text(0.02, 0.008, words, va="bottom", color=SOFT, linespacing=1.15)
        foot = (words.count("\n") + 1) * 1.25 * size / 72 / _TALL
        left, right, gap = 0.135, 0.72, 0.115
        middle = (head + foot) / 2
        upper = figure.add_axes((left, middle + gap / 2, right - left, head - middle - gap / 2))
        lower = figure.add_axes((left, foot + gap, right - left, middle - foot - 1.5 * gap))
        _draw(upper, looks, [(time * ticks, full) for time, full in curves], last * ticks)
        _draw(lower, looks, [(np.sqrt(time), full) for time, full in curves], np.sqrt(last))
        upper.set_xlabel(f"Time ({clock})")
        lower.set_xlabel("Square root of time (√s)\nstraight = capillary uptake, Washburn")
        for axes in (upper, lower):
            axes.set_ylabel("Pores full (%)")
            ends = [float(full[-1]) for _, full in curves]
            name_lines(figure, axes, cast(Any, looks), ends)
        figure.tables[""] = Table(
            ("liquid", column("time", clock), "root_time_s05", "full_percent", "uptake_uL"),
            [
                (look.name, s.time_s * ticks, np.sqrt(s.time_s), full, 1e9 * s.uptake_m3)
                for look, s, (_, full) in zip(looks, soaks.values(), curves, strict=True)
            ],
        )
    return figure


def _busy(soak: Soak) -> float:
    """Until when it is drawn: somewhat after its last change that is seen."""
    last = float(soak.time_s[-1])
    changed = time_to(soak.time_s, soak.saturation, 0.999 * _full(soak))
    return min(last, _FLAT * changed) if soak.ending in AT_REST and changed > 0 else last


def _draw(axes: Any, looks: Sequence[Look], curves: Sequence[tuple[Any, Any]], last: float) -> None:
    for look, (across, full) in zip(looks, curves, strict=True):
        axes.plot(across, full, color=look.colour, ls=look.dashes)
    axes.set_xlim(0, last)
    axes.set_ylim(0, 104)
    axes.locator_params(nbins=5)


def _title(soaks: Mapping[str, Soak]) -> str:
    """When the fastest has filled most, and how far the slowest has come."""
    ranked = sorted(soaks, key=lambda name: (_much(soaks[name]), -_full(soaks[name])))
    first, last = ranked[0], ranked[-1]
    when = _much(soaks[first])
    if np.isfinite(when):
        text = f"{capital(short(label(first)))} fills {percent(_MUCH)} of the pores in "
        text += seconds(when)
    else:
        end = seconds(float(soaks[first].time_s[-1]))
        text = f"{capital(short(label(first)))} fills {percent(_full(soaks[first]))} of the pores "
        text += f"by {end}"
    if first == last:
        return text
    if np.isfinite(_much(soaks[last])):
        return f"{text}, {short(label(last))} in {seconds(_much(soaks[last]))}"
    end = seconds(float(soaks[last].time_s[-1]))
    return f"{text}; {short(label(last))} is at {percent(_full(soaks[last]))} after {end}"


def _much(soak: Soak) -> float:
    return time_to(soak.time_s, soak.saturation, _MUCH)


def _full(soak: Soak) -> float:
    return float(soak.saturation[-1])
