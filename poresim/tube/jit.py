"""How kernels are compiled: one decorator, one cache, never stale.

numba's on-disk cache does not notice an edit in another file whose function was inlined. The
cache folder is therefore keyed by a hash of every source of this package, where it lies, the Python
and the numba version, the processor, and whether indices are checked: any edit starts an empty
cache, and old ones are cleared.

numba itself is loaded with the first kernel, so that to look into the cache takes no time.
"""

from __future__ import annotations

import fcntl
import hashlib
import os
import platform
import shutil
import stat
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import suppress
from importlib.metadata import version
from itertools import takewhile
from pathlib import Path
from typing import Any

_PACKAGE = Path(__file__).resolve().parents[1]
_KEPT_CACHES = 3
_KEPT_SECONDS = 3600.0  # a cache used this recently may belong to a process still at work


def _source_key() -> str:
    checked = os.environ.get("NUMBA_BOUNDSCHECK", "")
    made_by = f"{sys.version_info[:3]} {version('numba')} {_PACKAGE} {_processor()} {checked}"
    digest = hashlib.sha256(made_by.encode())
    for folder in ("tube", "uptake", "curves"):
        for path in sorted((_PACKAGE / folder).glob("*.py")):
            digest.update(path.name.encode())
            digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def _processor() -> str:
    """What kernels are compiled for: homes are shared between machines."""
    told = [platform.machine()]
    try:
        with Path("/proc/cpuinfo").open() as file:
            for line in takewhile(str.strip, file):  # the first processor; the others are like it
                if line.startswith(("model name", "flags", "CPU", "Features")):
                    told.append(line)
    except OSError:
        told.append(platform.processor())
    return "".join(told)


def _cache_folder() -> Path:
    key = _source_key()
    given = os.environ.get("PORESIM_CACHE") or os.environ.get("XDG_CACHE_HOME")
    common = Path(tempfile.gettempdir()) / f"poresim-{os.getuid()}"
    for root in ((Path(given) if given else _home() / ".cache") / "poresim", common):
        folder = root / key
        try:
            root.mkdir(parents=True, exist_ok=True, mode=0o700)
            folder.mkdir(exist_ok=True)
            safe = root != common or _ours(root)
        except OSError:
            continue
        if safe and os.access(folder, os.W_OK):
            os.utime(folder)
            _clear_old(root)
            return folder
    raise OSError("no writable folder for compiled kernels; set PORESIM_CACHE to one")


def _home() -> Path:
    try:
        return Path.home()
    except RuntimeError:  # there is none
        return Path(os.devnull)


def _ours(root: Path) -> bool:
    """Whether nobody else can have put kernels there: what is in a cache is run."""
    found = root.stat()
    others = stat.S_IWGRP | stat.S_IWOTH
    return found.st_uid == os.getuid() and not found.st_mode & others


def _clear_old(root: Path) -> None:
    try:
        used = sorted((p.stat().st_mtime, p) for p in root.iterdir() if p.is_dir())
    except OSError:  # another process clears it too
        return
    for last, folder in used[:-_KEPT_CACHES]:
        if time.time() - last > _KEPT_SECONDS:
            shutil.rmtree(folder, ignore_errors=True)


CACHE_FOLDER = _cache_folder()


def kernel(function: Callable[..., Any]) -> Any:
    """Decorator of kernels that Python may call.

    No fastmath: volume balance is asserted. Division by zero gives inf or nan, as in numpy.
    """
    return _compiled(function)


def inner(function: Callable[..., Any]) -> Any:
    """Decorator of kernels that only kernels call: they compile in three quarters of the time.

    What makes a kernel callable from Python unpacks every array of every argument, and would be
    most of its machine code.
    """

    def refuse(*_: Any, **__: Any) -> None:
        raise TypeError(f"{function.__qualname__}: only kernels can call it; see jit.kernel")

    dispatcher = _compiled(function, no_cpython_wrapper=True)
    # without these a call from Python would jump to an address of nothing
    dispatcher._insert = lambda *_: None
    dispatcher._compile_for_args = refuse
    return dispatcher


def _compiled(function: Callable[..., Any], **options: Any) -> Any:
    import numba

    numba.config.CACHE_DIR = str(CACHE_FOLDER)  # type: ignore[attr-defined]
    # nobody calls kernels by their addresses from C
    options["no_cfunc_wrapper"] = True
    dispatcher = numba.njit(cache=True, error_model="numpy", nogil=True, **options)(function)
    if hasattr(dispatcher, "_cache"):
        _keep_one_by_one(dispatcher._cache)
    return dispatcher


def _keep_one_by_one(cache: Any) -> None:
    """Let processes wait for one another when they keep a kernel.

    numba reads the list of what a kernel was compiled for and writes it again. If two processes do
    so at once, one list is lost, and the file of one signature can come to lie under another's.
    """
    keep = cache.save_overload

    def keep_alone(signature: Any, data: Any) -> None:
        with (CACHE_FOLDER / ".keeping").open("a") as file:
            with suppress(OSError):  # no locks on this disk
                fcntl.flock(file, fcntl.LOCK_EX)
            keep(signature, data)

    cache.save_overload = keep_alone
