"""How fast frames of films are made.

    python benchmarks/films.py [RECORD] [--size 1920x1080]

Without a record, the rusk of scenarios/rusk_in_broth.toml is soaked once, 12 000 junctions in four
broths. Printed for each view: pictures a second, drawn alone and written as H.264, and the most
memory that a film of 50 and one of 200 pictures take.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

from poresim.record.reading import load_record
from poresim.scenario.reading import load_scenario
from poresim.show.films.asked import VIEWS, Asked, film_of
from poresim.show.films.files import write_film
from poresim.show.section import NothingToShow

ROOT = Path(__file__).resolve().parent.parent
_PICTURES = 100
_LONG_SIZE = "size_mm = [1.9, 1.9, 2.9]"


def soaked(folder: Path) -> Path:
    """20 x 20 x 30 junctions, one solid."""
    from poresim.ensemble.run import run

    text = (ROOT / "scenarios" / "rusk_in_broth.toml").read_text()
    text = text.replace("size_mm = [1.9, 1.9, 2.4]", _LONG_SIZE).replace(
        "repeats = 4", "repeats = 1"
    )
    assert _LONG_SIZE in text
    path = folder / "rusk_12000.toml"
    path.write_text(text)
    run(load_scenario(path), folder)
    return folder / "rusk_12000.h5"


def timed(record: Path, asked: Asked, folder: Path) -> tuple[float, float]:
    """Pictures a second, drawn alone and written to a file."""
    film = film_of([load_record(record)], asked)
    film.image(0)
    start = time.perf_counter()
    for number in range(len(film)):
        film.image(number)
    drawn = time.perf_counter() - start
    start = time.perf_counter()
    write_film(film, folder / f"{asked.view}.mp4")
    written = time.perf_counter() - start
    return len(film) / drawn, len(film) / written


def memory_mb(record: Path, view: str, size: str, pictures: int) -> float:
    """The most that the command takes, in a process of its own."""
    code = (
        "import resource, sys; from poresim.cli.main import main; code = main(sys.argv[1:]); "
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024); sys.exit(code)"
    )
    with tempfile.TemporaryDirectory() as folder:
        words = ["animate", str(record), "--view", view, "--size", size, "--format", "mp4"]
        words += ["--out", folder, "--fps", "25", "--seconds", str(pictures / 25)]
        done = subprocess.run(
            [sys.executable, "-c", code, *words], check=True, capture_output=True, text=True
        )
    return float(done.stdout.split()[-1])


def main() -> None:
    """As said above."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("record", nargs="?", type=Path)
    asked.add_argument("--size", default="1920x1080")
    given = asked.parse_args()
    width, height = (int(side) for side in given.size.split("x"))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        record = given.record or soaked(folder)
        wish = Asked(size=(width, height), seconds=_PICTURES / 25)
        print(f"{given.size}; view, pictures a second drawn, written as MP4; MB for 50, for 200")
        for view in VIEWS:
            try:
                drawn, written = timed(record, replace(wish, view=view), folder)
            except NothingToShow:
                continue
            memory = [memory_mb(record, view, given.size, count) for count in (50, 200)]
            print(
                f"{view:8} {drawn:6.1f} {written:6.1f}  {memory[0]:5.0f} {memory[1]:5.0f}",
                flush=True,
            )


if __name__ == "__main__":
    main()
