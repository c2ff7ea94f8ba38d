"""``poresim animate``: the soak as a film, all liquids in step with one clock."""

from __future__ import annotations

import argparse
from pathlib import Path

from poresim.cli.terminal import DONE, bar, result_json, say

NAME = "animate"
ABOUT = "make a film (GIF) of a record: liquids side by side, in step with one clock"
MORE = """\
example (after `poresim run my_rusk.toml`):
  poresim animate results/my_rusk/my_rusk.h5

Every frame is a state that was computed, at its own time; the first solid is shown.
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("record", metavar="RECORD", type=Path, help="record (.h5)")
    parser.add_argument(
        "--out", metavar="DIR", type=Path, help="where to write (default: beside the record)"
    )
    parser.add_argument("--force", action="store_true", help="replace an earlier film there")
    parser.add_argument(
        "--seconds", metavar="S", type=float, default=8.0, help="length of the film (default: 8)"
    )
    parser.add_argument(
        "--width", metavar="PX", type=int, default=960, help="of the picture (default: 960)"
    )


def execute(asked: argparse.Namespace) -> int:
    """Run the command; the exit code."""
    from poresim.record.files import make_folder, write_whole
    from poresim.record.layout import RecordError
    from poresim.record.reading import load_record

    if not 0.5 <= asked.seconds <= 600:
        raise RecordError(f"--seconds must lie in 0.5 to 600, got {asked.seconds:g}")
    if not 240 <= asked.width <= 3840:
        raise RecordError(f"--width must lie in 240 to 3840, got {asked.width}")
    record = load_record(asked.record)
    out = asked.out if asked.out is not None else asked.record.parent
    path = out / f"{record.name}.gif"
    if path.exists() and not asked.force:
        raise RecordError(f"{path}: exists; --force replaces it, --out DIR writes elsewhere")
    from poresim.show.animation import Film, write_gif

    film = Film([record], asked.width)
    make_folder(out)
    with bar("drawing") as move:
        write_whole(
            path, lambda p: write_gif(film, p, asked.seconds, lambda n: move(n / len(film)))
        )
    if asked.json:
        result_json(
            {"film": str(path), "frames": len(film), "times_s": [float(t) for t in film.times]}
        )
    else:
        say(f"film:  {path} ({len(film)} frames)")
    return DONE
