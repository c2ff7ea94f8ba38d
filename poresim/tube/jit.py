"""How kernels are compiled: one decorator, one cache, never stale.

numba's on-disk cache does not notice an edit in another file whose function was inlined. The
cache folder is therefore keyed by a hash of every source of this package, the Python and the
numba version: any edit starts an empty cache, and old ones are cleared.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import sys
import tempfile
import time
from pathlib import Path

import numba

_PACKAGE = Path(__file__).resolve().parents[1]
_KEPT_CACHES = 3
_KEPT_SECONDS = 3600.0  # a cache used this recently may belong to a process still at work


def _source_key() -> str:
    digest = hashlib.sha256(f"{sys.version_info[:3]} {numba.__version__}".encode())
    for folder in ("tube", "uptake"):
        for path in sorted((_PACKAGE / folder).glob("*.py")):
            digest.update(path.name.encode())
            digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def _cache_folder() -> Path:
    home = os.environ.get("PORESIM_CACHE") or os.environ.get("XDG_CACHE_HOME")
    base = Path(home) if home else Path.home() / ".cache"
    for root in (base / "poresim", Path(tempfile.gettempdir()) / f"poresim-{os.getuid()}"):
        folder = root / _source_key()
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError:
            continue
        if os.access(folder, os.W_OK):
            os.utime(folder)
            _clear_old(root)
            return folder
    raise OSError("no writable folder for compiled kernels; set PORESIM_CACHE to one")


def _clear_old(root: Path) -> None:
    try:
        used = sorted((p.stat().st_mtime, p) for p in root.iterdir() if p.is_dir())
    except OSError:  # another process clears it too
        return
    for last, folder in used[:-_KEPT_CACHES]:
        if time.time() - last > _KEPT_SECONDS:
            shutil.rmtree(folder, ignore_errors=True)


CACHE_FOLDER = _cache_folder()
numba.config.CACHE_DIR = str(CACHE_FOLDER)  # type: ignore[attr-defined]

#: Decorator of every kernel. No fastmath: volume balance is asserted. Division by zero gives
#: inf or nan, as in numpy.
kernel = numba.njit(cache=True, error_model="numpy", nogil=True)
#: The same, for kernels whose loop is shared out among cores.
team_kernel = numba.njit(cache=True, error_model="numpy", nogil=True, parallel=True)


def compiled_already() -> bool:
    """True when the cache holds compiled kernels, so that nothing has to be waited for."""
    return any(CACHE_FOLDER.rglob("*.nbi"))
