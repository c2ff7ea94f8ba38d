"""The hidden folder beside a film in which it comes to be, and from which it is moved when whole.

``about.json`` says which film that is, to the version of all that has a say in its bytes; ``film``
is what becomes the film, a file or a folder of pictures. Nothing is taken for a part, and nothing
thrown away, where there is anything that does not come from here.
"""

from __future__ import annotations

import json
import os
import re
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from poresim.record.files import flush_folder, locked, make_folder, write_text
from poresim.show.films.faults import FilmError, FilmStopped, writing

_OURS = re.compile(r"about\.json|film|replaced|index|segment_\d+\.h264|.+\.partial")
_FRAMES = re.compile(r"frame_\d+\.png|film\.txt|.+\.partial")
_LONGEST = 10_000


class Work:
    """A film on its way. target : as the user named it. folder : the part, while it is written.

    kept : how many pictures would not have to be drawn again if it ended here.
    """

    def __init__(self, target: Path, folder: Path, progress: Callable[[int], None] | None) -> None:
        self.target = target
        self.folder = folder
        self.kept = 0
        self._progress = progress

    @property
    def film(self) -> Path:
        """What becomes the film."""
        return self.folder / "film"

    def done(self, pictures: int, kept: int | None = None) -> None:
        """So many pictures are done; all of them are kept, or only some."""
        self.kept = pictures if kept is None else kept
        if self._progress is not None:
            self._progress(pictures)


def part_of(target: Path) -> Path:
    """Where a film that is not finished lies."""
    return target.with_name(f".{target.name}.part")


def unfinished(target: Path) -> bool:
    """Whether there is a film that was broken off, of whatever pictures."""
    return (part_of(target) / "about.json").is_file()


@contextmanager
def opened(work: Work, about: dict[str, Any], *, resume: bool) -> Iterator[None]:
    """Hold the part of the film ``about`` to be written; it goes when the film is delivered.

    Raises FilmError when it must not be touched, or when it is to be gone on with and is another
    film's; RecordError when another process is at it.
    """
    make_folder(work.target.parent)
    with locked(work.target.with_name(f".{work.target.name}.lock")):
        _settle(work, json.loads(json.dumps(about)), resume)
        yield


def deliver(work: Work) -> None:
    """Put the film, flushed to disk, in the place of what was there, and remove the part."""
    with writing(work.target):
        if work.film.is_dir() and work.target.exists():
            if not holds_only_frames(work.target):
                raise FilmStopped(f"{work.target}: there is more in it now than frames of a film")
            work.target.rename(work.folder / "replaced")
        work.film.replace(work.target)
        flush_folder(work.target.parent)
        _clear(work.folder)
        work.folder.rmdir()


def holds_only_frames(folder: Path) -> bool:
    """Whether a folder may be replaced by another film's frames."""
    with os.scandir(folder) as found:
        return all(
            _FRAMES.fullmatch(entry.name) and entry.is_file(follow_symlinks=False)
            for entry in found
        )


def _settle(work: Work, about: dict[str, Any], resume: bool) -> None:
    """Leave in the part nothing but pictures of this film."""
    folder = work.folder
    with writing(work.target):
        if folder.is_symlink() or (folder.exists() and not _is_ours(folder)):
            raise FilmError(f"{folder}: is no part of a film of poresim; move it out of the way")
        folder.mkdir(exist_ok=True)
        _put_back(work)
        found = _read(folder / "about.json")
        if resume and found is not None and found != about:
            raise FilmError(
                f"{work.target}: what was broken off is another film, or of another version; "
                "without --resume it is begun anew"
            )
        if not resume or found is None:
            _clear(folder)
            write_text(folder / "about.json", json.dumps(about, indent=1))


def _is_ours(folder: Path) -> bool:
    if not folder.is_dir():
        return False
    with os.scandir(folder) as found:
        return all(_OURS.fullmatch(entry.name) and not entry.is_symlink() for entry in found)


def _read(path: Path) -> Any:
    """What the part says that it is; None when it says nothing, as it was killed at its start."""
    try:
        with path.open("rb") as file:
            return json.loads(file.read(_LONGEST))
    except (FileNotFoundError, ValueError, RecursionError):
        return None


def _put_back(work: Work) -> None:
    """Undo a delivery that was killed between its two moves."""
    before = work.folder / "replaced"
    if before.is_dir() and not work.target.exists():
        before.rename(work.target)


def _clear(folder: Path) -> None:
    """Empty the part; what it says that it is goes last."""
    for path in sorted(folder.iterdir(), key=lambda path: path.name == "about.json"):
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
        else:
            path.unlink()
