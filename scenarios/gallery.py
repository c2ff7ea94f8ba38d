"""README's pictures, made anew from the scenarios beside this file.

    python scenarios/gallery.py [--only NAME ...] [--work results/gallery]

Some twenty minutes on two cores, most of them for the four broths; what was soaked already in the
work folder is not soaked again. All of the gallery stays below 3 MB.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from PIL import Image

HERE = Path(__file__).resolve().parent
GALLERY = HERE / "gallery"
_MOST_BYTES = 3_000_000


class Picture(NamedTuple):
    """A file of the gallery. words : a command of poresim, whose scenario and folder are added.
    made : what it writes in that folder."""

    name: str
    scenario: str
    words: tuple[str, ...]
    made: str


def _figure(name: str, scenario: str, command: str, figure: str) -> Picture:
    return Picture(name, scenario, (command,), f"{scenario}{figure}.png")


def _film(name: str, scenario: str, view: str, *options: str) -> Picture:
    made = scenario if view == "section" else f"{scenario}-{view}"
    made += ".frames" if "png" in options else ".gif"
    return Picture(name, scenario, ("animate", "--view", view, *options), made)


def _bench(name: str, kind: str, files: Sequence[str], *options: str) -> Picture:
    paths = (str(HERE / "bench" / file) for file in files)
    made = f"{Path(files[0]).stem}-{kind}.png"
    return Picture(name, "bench", ("measure", kind, *paths, *options), made)


_SMALL = "--size", "800x450", "--fps", "12.5", "--seconds", "6"
_STILL = "--format", "png", "--size", "960x540", "--fps", "1", "--seconds", "2", "--until"
PICTURES = [
    _figure("uptake.png", "rusk_in_broth", "run", "-uptake"),
    _figure("section.png", "rusk_in_broth", "run", "-section"),
    _film("soak.gif", "rusk_in_broth", "section", *_SMALL),
    _film("block.png", "rusk_in_broth", "block", *_STILL, "2"),
    _film("throat.png", "rusk_in_broth", "throat", "--dark", *_STILL, "0.6"),
    _film("front.gif", "rusk_in_broth", "front", *_SMALL),
    _figure("caught.png", "grains_or_gum", "run", "-caught"),
    _figure("standing.png", "grains_or_gum", "run", "-standing"),
    _figure("firmness.png", "dunk_and_lift", "run", "-firmness"),
    _film("dunk.gif", "dunk_and_lift", "dunk", *_SMALL),
    _figure("drop.png", "drop_on_tile", "run", "-drop"),
    _film("drop.gif", "drop_on_tile", "drop", *_SMALL),
    _bench("angle.jpg", "angle", ["drop_1.jpg", "drop_2.jpg"], "--um-per-px", "12"),
    _bench("flow.png", "flow", ["gum_broth_flow.csv"]),
    _figure("why_so_little.png", "why_so_little", "explain", ".explain"),
    _figure("pore_sizes.png", "pore_sizes", "sweep", ".sweep-saturation_at_s_0.5"),
    _figure("four_broths.png", "four_broths", "judge", ".judge"),
]


def make(picture: Picture, work: Path) -> Path:
    """What it is a copy of, made in the work folder if it is not there."""
    folder = work / picture.scenario
    made, record = folder / picture.made, folder / f"{picture.scenario}.h5"
    scenario, (command, *options) = str(HERE / f"{picture.scenario}.toml"), picture.words
    if command == "animate":
        if not record.exists():
            _poresim("run", scenario, "--out", str(folder))
        _poresim("animate", str(record), *options, "--force")
    elif command == "measure":
        _poresim("measure", *options, "--out", str(folder), "--force")
    elif not made.exists():
        _poresim(command, scenario, "--out", str(folder))
    return max(made.glob("*.png")) if made.is_dir() else made


def copy(made: Path, to: Path) -> None:
    """A photograph is kept as such."""
    if to.suffix == made.suffix:
        shutil.copyfile(made, to)
    else:
        Image.open(made).convert("RGB").save(to, quality=70)


def _poresim(*words: str) -> None:
    print("poresim", *words, flush=True)
    subprocess.run([sys.executable, "-m", "poresim", *words], check=True, stdout=subprocess.DEVNULL)


def main() -> None:
    """As said above."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--only", nargs="*", metavar="NAME", help="these pictures")
    asked.add_argument("--work", type=Path, default=Path("results/gallery"))
    given = asked.parse_args()
    known = {picture.name for picture in PICTURES}
    if unknown := set(given.only or []) - known:
        raise SystemExit(f"no such picture: {', '.join(sorted(unknown))}")
    for picture in PICTURES:
        if given.only is None or picture.name in given.only:
            copy(make(picture, given.work), GALLERY / picture.name)
    size = sum(path.stat().st_size for path in GALLERY.iterdir())
    print(f"{GALLERY}: {size / 1e6:.2f} MB")
    if size > _MOST_BYTES:
        raise SystemExit(f"the gallery is to stay below {_MOST_BYTES / 1e6:.0f} MB")


if __name__ == "__main__":
    main()
