"""ffmpeg as a process of its own: fed through a pipe, never left behind, its faults one line."""

from __future__ import annotations

import subprocess
import tempfile
from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from types import TracebackType
from typing import Any

from poresim.show.films.faults import FilmError, FilmStopped

_QUIET = ["-hide_banner", "-nostdin", "-loglevel", "error", "-y"]


def program() -> str:
    """The path of ffmpeg. FilmError: there is none."""
    try:
        import imageio_ffmpeg

        return str(imageio_ffmpeg.get_ffmpeg_exe())
    except (ImportError, RuntimeError, OSError):
        raise FilmError("an .mp4 needs ffmpeg: pip install 'poresim[video]'") from None


def version() -> str:
    """The version of ffmpeg."""
    import imageio_ffmpeg

    return str(imageio_ffmpeg.get_ffmpeg_version())


class Fed:
    """ffmpeg in a folder, reading from a pipe; files in its arguments are names in that folder.

    A second thread hands over what it is fed with, so that the next picture is drawn meanwhile.
    In a session of its own, so that Ctrl-C at the terminal is ours alone to answer. Should this
    process be killed, the pipe ends, and ffmpeg with it.
    """

    def __init__(self, arguments: Sequence[str], folder: Path, target: Path) -> None:
        self._target = target
        path = program()
        self._told = tempfile.TemporaryFile()  # noqa: SIM115
        self._hand = ThreadPoolExecutor(1)
        self._given: Future[Any] | None = None
        try:
            self._process: subprocess.Popen[Any] = subprocess.Popen(
                [path, *_QUIET, *arguments],
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=self._told,
                cwd=folder,
                start_new_session=True,
            )
        except OSError as error:
            self._told.close()
            self._hand.shutdown()
            why = error.strerror or error
            raise FilmError(f"{path}: ffmpeg does not start ({why})") from None

    def __enter__(self) -> Fed:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._process.poll() is None:
            self._process.kill()
        self._process.wait()
        self._hand.shutdown()  # what it still writes to is gone
        self._close()
        self._told.close()

    def feed(self, data: memoryview | bytes) -> None:
        """Hand over some input, which may be changed after. FilmStopped: ffmpeg is gone."""
        self._wait()
        self._given = self._hand.submit(self._process.stdin.write, bytes(data))  # type: ignore[union-attr]

    def end(self) -> None:
        """End its input and wait for it. FilmStopped: it failed."""
        self._wait()
        if not self._close() or self._process.wait():
            raise self._stopped()

    def _wait(self) -> None:
        """Until all is handed over that was fed."""
        try:
            if self._given is not None:
                self._given.result()
        except OSError:  # it reads no more
            raise self._stopped() from None

    def _close(self) -> bool:
        try:
            self._process.stdin.close()  # type: ignore[union-attr]
        except OSError:
            return False
        return True

    def _stopped(self) -> FilmStopped:
        code = self._process.wait()
        self._told.seek(0)
        lines = self._told.read(10_000).decode(errors="replace").strip().splitlines()
        why = lines[-1].strip() if lines else f"signal {-code}" if code < 0 else f"code {code}"
        full = [line for line in lines if "No space left" in line]
        return FilmStopped(f"{self._target}: ffmpeg stopped ({'disk full' if full else why})")
