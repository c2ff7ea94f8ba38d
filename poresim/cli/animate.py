"""``poresim animate``: the soak as a film, all liquids in step with one clock."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from poresim.cli.terminal import DONE, bar, result_json, say

if TYPE_CHECKING:
    from poresim.show.films.asked import Asked

NAME = "animate"
ABOUT = "make a film of a record: liquids side by side, in step with one clock"
MORE = """\
views:
  section  a slab from the side, tubes to scale, the liquid where it is (default)
  block    the whole block in three dimensions, turning (--turn 0: still)
  front    how deep the liquid stands against time, growing
  drop     drops on their solid, as they shrink, slide and sink in
  dunk     the whole piece in its bath and out of it, and the strength that it keeps
  throat   a few tubes from near, with the grains that are caught there

examples (after `poresim run my_rusk.toml`):
  poresim animate results/my_rusk/my_rusk.h5
  poresim animate results/my_rusk/my_rusk.h5 --view block --format mp4 --size 1920x1080
  poresim animate results/my_rusk/my_rusk.h5 --view front --format webp --transparent --dark

The first solid that has snapshots of all liquids is shown. Every time on the clock is the soak's
own; between two computed states menisci are moved to match the computed uptake.
"""
_FORMATS = {"gif": ".gif", "webp": ".webp", "mp4": ".mp4", "png": ".frames"}


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("record", metavar="RECORD", type=Path, nargs="+", help="record (.h5)")
    parser.add_argument("--view", default="section", help="what is shown (default: section)")
    parser.add_argument(
        "--format", default="gif",
        help="gif (default), webp, mp4 (needs the extra: video) or png (a folder of frames)",
    )  # fmt: skip
    parser.add_argument(
        "--size", metavar="WxH", default="1280x720",
        help="of the picture, px, such as 1920x1080 or 1080x1920 (default: 1280x720)",
    )  # fmt: skip
    parser.add_argument("--fps", metavar="N", type=float, default=25.0, help="(default: 25)")
    parser.add_argument(
        "--seconds", metavar="S", type=float, default=8.0, help="length of the film (default: 8)"
    )
    parser.add_argument(
        "--pace", default="root",
        help="root: the clock runs as the root of time, as fronts do (default); even: slowed or "
        "sped up by one factor; real: one second a second",
    )  # fmt: skip
    parser.add_argument("--until", metavar="S", type=float, help="time of the soak to end at, s")
    parser.add_argument("--dark", action="store_true", help="on dark ground")
    parser.add_argument(
        "--transparent", action="store_true", help="on none, to be laid over another picture"
    )
    parser.add_argument(
        "--title", metavar="S", type=float, default=0.0, help="show the title for S s first"
    )
    parser.add_argument(
        "--turn", metavar="DEG", type=float, default=50.0, help="of the block view (default: 50)"
    )
    parser.add_argument(
        "--out", metavar="DIR", type=Path, help="where to write (default: beside the record)"
    )
    parser.add_argument("--force", action="store_true", help="replace an earlier film there")
    parser.add_argument("--resume", action="store_true", help="go on with a film broken off")


def execute(asked: argparse.Namespace) -> int:
    """Run the command; the exit code."""
    from poresim.record.files import make_folder
    from poresim.record.layout import RecordError
    from poresim.record.reading import load_record
    from poresim.show.films.asked import film_of
    from poresim.show.films.files import check_film, write_film

    wish, ending = _wish(asked)
    records = [load_record(path) for path in asked.record]
    folder = asked.out if asked.out is not None else asked.record[0].parent
    view = "" if wish.view == "section" else f"-{wish.view}"
    path = folder / f"{records[0].name}{view}{ending}"
    if path.exists() and not asked.force:
        raise RecordError(f"{path}: exists; --force replaces it, --out DIR writes elsewhere")
    film = film_of(records, wish)
    check_film(film, path)
    make_folder(folder)
    with bar("drawing") as move:
        write_film(film, path, resume=asked.resume, progress=lambda done: move(done / len(film)))
    if asked.json:
        times = [float(t) for t in film.times]
        result_json({"film": str(path), "frames": len(film), "times_s": times})
    else:
        say(f"film:  {path} ({len(film)} frames)")
    return DONE


def _wish(asked: argparse.Namespace) -> tuple[Asked, str]:
    """What is asked for, and the ending of the file."""
    from poresim.show.films.asked import VIEWS, Asked
    from poresim.show.films.clock import PACES
    from poresim.show.films.faults import FilmError

    choices = {"view": list(VIEWS), "pace": list(PACES), "format": list(_FORMATS)}
    for name, known in choices.items():
        given = getattr(asked, name)
        if given not in known:
            raise FilmError(f"--{name} must be one of {', '.join(known)}, got {given}")
    sides = asked.size.lower().split("x")
    if len(sides) != 2 or not all(side.isascii() and side.isdigit() for side in sides):
        raise FilmError(f"--size must be two numbers such as 1920x1080, got {asked.size}")
    if max(map(len, sides)) > 6:
        raise FilmError(f"--size is too large: {asked.size}")
    wish = Asked(
        asked.view, (int(sides[0]), int(sides[1])), asked.fps, asked.pace, asked.seconds,
        asked.until, asked.dark, asked.transparent, asked.title, asked.turn,
    )  # fmt: skip
    return wish, _FORMATS[asked.format]
