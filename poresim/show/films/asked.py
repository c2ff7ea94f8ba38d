"""A film as it is asked for: which view of which records, how large, how fast, on which ground."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

import poresim
from poresim.record.model import Record
from poresim.show.films.clock import pace_of
from poresim.show.films.faults import FilmError
from poresim.show.films.files import check_shape
from poresim.show.films.stage import Look, Scene, Stage
from poresim.show.films.theme import DARK, LIGHT
from poresim.show.series import caution
from poresim.show.style import label

_LONGEST_S = 3600.0
_LEAST_PX = 240  # of a film with words that can be read


class Timed(Scene, Protocol):
    """A scene that knows how long there is something to show."""

    @property
    def until_s(self) -> float:
        """The last time of which it knows."""


@dataclass(frozen=True)
class Asked:
    """view : one of VIEWS. size : width and height, px. pace : one of ``clock.PACES``. seconds :
    how long it lasts, but for its title and its rest; of no account in real time. until_s : the
    time that it ends at, s; None: as long as there are states. title_s : how long its title
    stands before it. turn_deg : by how much a block turns."""

    view: str = "section"
    size: tuple[int, int] = (1280, 720)
    fps: float = 25.0
    pace: str = "root"
    seconds: float = 8.0
    until_s: float | None = None
    dark: bool = False
    transparent: bool = False
    title_s: float = 0.0
    turn_deg: float = 50.0


VIEWS = ("section", "block", "front", "drop", "dunk", "throat")


def _scene(records: Sequence[Record], asked: Asked) -> Timed:
    """Its code is loaded only now: refusals do not wait for it."""
    from poresim.show.films.block import BlockScene
    from poresim.show.films.drop import DropScene
    from poresim.show.films.dunk import DunkScene
    from poresim.show.films.front import FrontScene
    from poresim.show.films.section import SectionScene
    from poresim.show.films.throat import ThroatScene

    if asked.view == "block":
        return BlockScene(records, asked.turn_deg)
    plain: dict[str, Callable[[Sequence[Record]], Timed]] = {
        "section": SectionScene, "front": FrontScene, "drop": DropScene, "dunk": DunkScene,
        "throat": ThroatScene,
    }  # fmt: skip
    return plain[asked.view](records)


def film_of(records: Sequence[Record], asked: Asked) -> Stage:
    """The film. Raises FilmError for what cannot be, NothingToShow for what is not there."""
    _check(asked)
    scene = _scene(records, asked)
    until = scene.until_s if asked.until_s is None else min(asked.until_s, scene.until_s)
    if asked.pace == "real" and until > _LONGEST_S:
        raise FilmError(f"in real time the film would last {until:.0f} s; at most {_LONGEST_S:.0f}")
    pace = pace_of(asked.pace, until, asked.seconds, asked.fps)
    check_shape(asked.size, asked.fps, len(pace.times))
    look = Look(
        asked.size, asked.fps, DARK if asked.dark else LIGHT, asked.transparent,
        card_s=asked.title_s,
    )  # fmt: skip
    title = "; ".join(dict.fromkeys(label(record.title) for record in records))
    told = [(record.key, record.created, record.soaks) for record in records]
    of = f"{poresim.__version__} {asked} {told}"
    return Stage(title, caution(records), scene, pace, look, of)


def _check(asked: Asked) -> None:
    width, height = asked.size
    check_shape(asked.size, asked.fps, 2)
    if min(width, height) < _LEAST_PX:
        raise FilmError(f"words need {_LEAST_PX} px each way, got {width} x {height}")
    ranges = {
        "seconds": (asked.seconds, 0.5, _LONGEST_S), "title": (asked.title_s, 0.0, 60.0),
        "turn": (asked.turn_deg, -3600.0, 3600.0),
    }  # fmt: skip
    for name, (value, low, high) in ranges.items():
        if not low <= value <= high:
            raise FilmError(f"--{name} must lie in {low:g} to {high:g}, got {value:g}")
    if asked.until_s is not None and not (asked.until_s > 0 and math.isfinite(asked.until_s)):
        raise FilmError(f"--until must be above 0, got {asked.until_s:g}")
