"""How much memory there is, how much a network needs, and how large it may be."""

from __future__ import annotations

import os
from pathlib import Path

#: Junctions of a network in which air is trapped: every event is followed, and more take hours.
TRAPPED_UP_TO = 1500
#: Bytes a tube, all in: building it, soaking it and keeping its record. One place for all.
#: Measured on blocks of 50,000 tubes, with 0, 60 and 1000 snapshots: 800, 2400 and 25,000.
BYTES_PER_TUBE = 800
#: Bytes a tube and snapshot more: its share of the picture is kept, gathered and handed over.
BYTES_PER_SNAPSHOT = 25
#: Bytes a tube more for a liquid with grains, and for each of their size classes. Measured on the
#: same, with 1 to 64 classes: 240, and 24 a class.
BYTES_FOR_GRAINS, BYTES_PER_CLASS = 250, 25
#: Bytes a junction that does not go with its tubes (matters only for very thin networks).
BYTES_PER_JUNCTION = 200

_WHEN_UNKNOWN = 4 * 2**30


def needed_bytes(junctions: int, tubes: int, snapshots: int = 0, classes: int = 0) -> int:
    """Bytes that a soak of a network of this size takes, with so many snapshots kept.

    classes : size classes of the liquid's grains; 0 without.
    """
    a_tube = BYTES_PER_TUBE + snapshots * BYTES_PER_SNAPSHOT
    if classes:
        a_tube += BYTES_FOR_GRAINS + classes * BYTES_PER_CLASS
    return junctions * BYTES_PER_JUNCTION + tubes * a_tube


def available_bytes() -> int:
    """Bytes that can still be had: of the machine, or of the container if that is less."""
    found = [n for n in (_machine(), _container()) if n is not None]
    return min(found) if found else _WHEN_UNKNOWN


def in_words(size: float) -> str:
    """A number of bytes for people: "3.2 GB"."""
    if size < 999.5e6:
        return f"{max(1, round(size / 1e6))} MB"
    for unit, bytes_ in (("GB", 1e9), ("TB", 1e12), ("PB", 1e15)):
        if size < 999.5 * bytes_:
            return f"{size / bytes_:.3g} {unit}"
    return "over 1000 PB"


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
