"""Writes a film to a file: which format, what is refused, and what stays when it is broken off."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, Protocol

import poresim
from poresim.show.films import gif, mp4, stills, webp
from poresim.show.films.faults import FilmError, FilmStopped
from poresim.show.films.film import Film
from poresim.show.films.part import Work, deliver, holds_only_frames, opened, part_of


class Form(Protocol):
    """A format. check : raises FilmError for what it cannot hold. maker : who has a say in it."""

    def check(self, film: Film) -> None: ...
    def maker(self) -> str: ...
    def write(self, film: Film, work: Work) -> None: ...


#: By the ending of the path; without one, or with ``.frames``, a folder of pictures.
FORMS: dict[str, Form] = {
    ".gif": gif,
    ".webp": webp,
    ".mp4": mp4,
    ".frames": stills,
    "": stills,
}
#: Raised when the same pictures become other bytes.
_LAYOUT = 1

_LEAST_PX, _MOST_PX = 16, 7680
_LEAST_FPS, _MOST_FPS = 1, 120
_MOST_PICTURES = 1_000_000
_LONGEST_REST_S = 600


def write_film(
    film: Film,
    path: Path,
    *,
    resume: bool = False,
    progress: Callable[[int], None] | None = None,
) -> None:
    """Write a film; ``path`` is what it was before until it is the whole film.

    What was done of this film before it was broken off is gone on with, if ``resume``; otherwise
    it is thrown away. The film is the same, byte for byte, however often it was broken off.
    progress : called with the number of pictures done so far.

    Raises FilmError: the request is wrong, and nothing was touched; RecordError: the folder cannot
    be written to, or another process writes the film; FilmStopped: it could not be finished, and
    what is done is kept. A KeyboardInterrupt passes, and says in ``kept`` what is kept.
    """
    form = check_film(film, path)
    work = Work(path, part_of(path), progress)
    try:
        with opened(work, _about(film, path, form), resume=resume):
            form.write(film, work)
            deliver(work)
    except (FilmStopped, KeyboardInterrupt) as stop:
        kept = f"{work.kept} of {len(film)} pictures are kept; --resume goes on"
        stop.kept = kept if work.kept else "nothing is kept"  # type: ignore[union-attr]
        raise


def check_film(film: Film, path: Path) -> Form:
    """The format that the path asks for. FilmError: none does, or it cannot hold the film."""
    ending = path.suffix.lower()
    if ending not in FORMS or path.name.lower() in FORMS:
        raise FilmError(
            f"{path}: a film is a .gif, .webp or .mp4, or a folder of frames (name it .frames or "
            "without an ending)"
        )
    form = FORMS[ending]
    if form is stills:
        if path.is_symlink() or (path.exists() and not path.is_dir()):
            raise FilmError(f"{path}: is no folder; frames need one, or a name that is free")
        if path.exists() and not holds_only_frames(path):
            raise FilmError(f"{path}: holds more than frames of a film; name another folder")
    elif path.is_dir():
        raise FilmError(f"{path}: is a folder; name a file for the film")
    check_shape(film.size, film.fps, len(film))
    if not 0 <= film.rest_s <= _LONGEST_REST_S:
        raise FilmError(f"a film rests for 0 to {_LONGEST_REST_S} s, not {film.rest_s:g}")
    form.check(film)
    return form


def check_shape(size: tuple[int, int], fps: float, pictures: int) -> None:
    """FilmError for a film that is too small, too large, too long, too slow or too fast."""
    for side in size:
        if not _LEAST_PX <= side <= _MOST_PX or side % 2:
            raise FilmError(
                f"a film is {_LEAST_PX} to {_MOST_PX} px each way, in even numbers, "
                f"not {size[0]} x {size[1]}"
            )
    if not _LEAST_FPS <= fps <= _MOST_FPS:
        raise FilmError(f"a film shows {_LEAST_FPS} to {_MOST_FPS} pictures a second, not {fps:g}")
    if not 1 <= pictures <= _MOST_PICTURES:
        raise FilmError(f"a film has 1 to {_MOST_PICTURES} pictures, not {pictures}")


def _about(film: Film, path: Path, form: Form) -> dict[str, Any]:
    """All that decides the bytes of the film."""
    return {
        "film": film.key,
        "form": path.suffix.lower(),
        "pictures": len(film),
        "size": [int(side) for side in film.size],
        "fps": float(film.fps),
        "rest_s": float(film.rest_s),
        "transparent": bool(film.transparent),
        "maker": f"poresim {poresim.__version__}, layout {_LAYOUT}, {form.maker()}",
    }
