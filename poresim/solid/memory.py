"""How much memory there is, and how much a network needs."""

from __future__ import annotations

import os
from pathlib import Path

#: Bytes a tube, all in: building it, soaking it and keeping its record. One place for all.
BYTES_PER_TUBE = 650
#: Bytes a junction that does not go with its tubes (matters only for very thin networks).
BYTES_PER_JUNCTION = 200

_WHEN_UNKNOWN = 4 * 2**30


def needed_bytes(junctions: int, tubes: int) -> int:
    """Bytes that a soak of a network of this size takes."""
    return junctions * BYTES_PER_JUNCTION + tubes * BYTES_PER_TUBE


def available_bytes() -> int:
    """Bytes that can still be had: of the machine, or of the container if that is less."""
    found = [n for n in (_machine(), _container()) if n is not None]
    return min(found) if found else _WHEN_UNKNOWN


def in_words(size: float) -> str:
    """A number of bytes for people: "3.2 GB"."""
    if size < 999.5e6:
        return f"{max(1, round(size / 1e6))} MB"
    return f"{size / 1e9:.3g} GB" if size < 999.5e9 else f"{size / 1e12:.3g} TB"


def _machine() -> int | None:
    try:
        for line in Path("/proc/meminfo").read_text().splitlines():
            if line.startswith("MemAvailable:"):
                return int(line.split()[1]) * 1024
    except (OSError, ValueError, IndexError):
        pass
    try:
        return os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    except (AttributeError, ValueError, OSError):
        return None


def _container() -> int | None:
    folder = Path("/sys/fs/cgroup")
    try:
        limit = int((folder / "memory.max").read_text())
        used = int((folder / "memory.current").read_text())
        stat = dict(line.split() for line in (folder / "memory.stat").read_text().splitlines())
        return max(0, limit - used + int(stat.get("inactive_file", 0)))  # file cache gives way
    except (OSError, ValueError):
        return None
