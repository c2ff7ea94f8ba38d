"""What can keep a film from its file, each in one line."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


class FilmError(ValueError):
    """A film that cannot be written as asked; the text says why and what can, in one line."""

    wrong_request = True


class FilmStopped(Exception):
    """A film that was broken off, by a full disk or an encoder that died.

    kept : what has been done and stays, a sentence without its full stop.
    """

    not_finished = True

    def __init__(self, text: str) -> None:
        super().__init__(text)
        self.kept = ""

    def __str__(self) -> str:
        return "; ".join(filter(None, [super().__str__(), self.kept]))


@contextmanager
def writing(target: Path) -> Iterator[None]:
    """Turn what the disk refuses into FilmStopped. target : the film as the user named it."""
    try:
        yield
    except OSError as error:
        raise FilmStopped(f"{target}: {error.strerror or error}") from None
