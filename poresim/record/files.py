"""Files that are whole or absent: written beside their place, flushed to disk, then renamed."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from poresim.record.layout import RecordError

_TEMPORARY = ".partial"
_RESERVED = {"con", "prn", "aux", "nul", *(f"{p}{i}" for p in ("com", "lpt") for i in range(1, 10))}


def safe_name(text: str) -> str:
    """A file name made from any text: letters, digits, ``-``, ``_`` and ``.``, never a path."""
    name = re.sub(r"[^\w.-]+", "_", text).strip("._-")[:80].rstrip("._-")
    if not name or name.split(".")[0].lower() in _RESERVED:
        name = f"scenario_{name}".rstrip("_")
    return name


def make_folder(path: Path) -> None:
    """Make a folder for results, and those above it. RecordError when that cannot be."""
    try:
        path.mkdir(parents=True, exist_ok=True)
    except FileExistsError:
        raise RecordError(
            f"{path}: is a file; results need a folder, name one with --out"
        ) from None
    except OSError as error:
        why = error.strerror or error
        raise RecordError(
            f"{path}: cannot be made a folder ({why}); name another with --out"
        ) from None
    if not os.access(path, os.W_OK):
        raise RecordError(f"{path}: nothing may be written there; name another folder with --out")


def refuse_existing(paths: Iterable[Path]) -> None:
    """RecordError when one of them is there already; for results that no --force may replace."""
    for path in paths:
        if path.exists():
            raise RecordError(f"{path}: exists; --force replaces it, --out DIR writes elsewhere")


def write_whole(path: Path, write: Callable[[Path], None]) -> None:
    """Let ``write`` fill a temporary file beside ``path``, flush it to disk, rename it.

    Whatever happens, ``path`` is either what it was before or complete. An OSError names it.
    """
    temporary = path.with_name(f"{path.name}.{os.getpid()}{_TEMPORARY}")
    try:
        write(temporary)
        with temporary.open("rb+") as file:
            os.fsync(file.fileno())
        temporary.replace(path)
    except OSError as error:
        if error.filename is not None and os.fspath(error.filename) != str(temporary):
            raise
        raise OSError(error.errno, error.strerror or str(error), str(path)) from None
    finally:
        temporary.unlink(missing_ok=True)
    flush_folder(path.parent)


def write_text(path: Path, text: str) -> None:
    """Write a text file, UTF-8, whole or not at all."""

    def write(temporary: Path) -> None:
        temporary.write_text(text, encoding="utf-8")

    write_whole(path, write)


def clear_temporary(folder: Path, stem: str = "") -> None:
    """Remove what a killed run left half written."""
    for path in folder.glob(f"*{_TEMPORARY}"):
        if path.name.startswith(stem):
            path.unlink(missing_ok=True)


def flush_folder(folder: Path) -> None:
    """See to it that what was renamed in a folder stays so; nothing where that cannot be."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:  # no such thing on this system
        return
    try:
        os.fsync(handle)
    except OSError:
        pass
    finally:
        os.close(handle)


@contextmanager
def locked(path: Path) -> Iterator[None]:
    """Hold ``path`` as a lock; the system frees it even when the process is killed.

    Raises RecordError when another process holds it.
    """
    while True:
        file = path.open("a+")
        if not _try_lock(file.fileno()):
            file.seek(0)
            holder = file.read(20).strip()
            file.close()
            raise RecordError(
                f"{path.parent}: another run{f' (process {holder})' if holder else ''} is writing "
                f"{path.stem.lstrip('.')} there; wait for it or give another --out folder"
            )
        try:
            same = os.path.samestat(os.fstat(file.fileno()), path.stat())
        except FileNotFoundError:
            same = False
        if same:
            break
        file.close()  # its holder removed it between opening and locking: try again
    try:
        file.truncate(0)
        file.write(str(os.getpid()))
        file.flush()
        yield
    finally:
        path.unlink(missing_ok=True)
        file.close()


def _try_lock(handle: int) -> bool:
    try:
        import fcntl
    except ImportError:  # pragma: no cover - Windows
        import msvcrt

        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
        except OSError:
            return False
        return True
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True
