"""Writing: every finished soak is its own small file at once; the record gathers them.

A run keeps its finished work in ``<out>/<name>.parts/``: one file a solid, one a soak, each
whole or absent. The record ``<out>/<name>.h5`` is made from them, again whole or absent. So a
kill at any moment costs only the soaks that were under way.
"""

from __future__ import annotations

import io
import math
import os
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import product
from pathlib import Path

import h5py
import numpy as np

from poresim import __version__
from poresim.record.files import clear_temporary, write_whole
from poresim.record.layout import (
    FAILS,
    FORMAT,
    OPTIONAL,
    QUANTILES,
    SHEAR,
    SOAK,
)
from poresim.record.model import GrainsOf, Record, Repeat
from poresim.solid.files import write_network
from poresim.solid.network import Network
from poresim.solid.packing import CHUNK, write_packed


@dataclass(frozen=True)
class Header:
    """What a record says of the whole run. ``liquids``: (name, density in kg/m3), in order.

    double_precision : filling times keep all their figures, not seven. lines : ln(L/l) of each
    liquid's moving line, 0 where angles do not depend on the speed; empty: nowhere. grains : of
    each liquid; empty: none has any. area_m2, lift_s : as in Record.
    """

    title: str
    scenario: str
    seed: int
    key: str
    faces: Sequence[str]
    liquids: Sequence[tuple[str, float]]
    repeats: int
    double_precision: bool = False
    lines: Sequence[float] = ()
    grains: Sequence[GrainsOf] = ()
    area_m2: float = math.nan
    lift_s: Sequence[float] = ()


class Parts:
    """The finished solids and soaks of one run, in one folder, keyed by what was asked."""

    def __init__(self, folder: Path, header: Header) -> None:
        self.folder = folder
        self.header = header

    def look(self) -> tuple[int, int]:
        """Numbers of finished soaks in the folder: of this scenario, and of others."""
        soaks = list(self.folder.glob("soak-*.h5"))
        kept = sum(self._valid(path) for path in soaks)
        return kept, len(soaks) - kept

    def open(self, *, resume: bool) -> set[tuple[int, int]]:
        """Make the folder ready; the (liquid, repeat) pairs that are already there.

        What is there is removed unless it is to be resumed.
        """
        if not resume:
            self.remove()
        self.folder.mkdir(parents=True, exist_ok=True)
        clear_temporary(self.folder)
        return self.finished()

    def finished(self) -> set[tuple[int, int]]:
        """The (liquid, repeat) pairs that are in the folder."""
        pairs = product(range(len(self.header.liquids)), range(self.header.repeats))
        return {(k, n) for k, n in pairs if self._has(k, n)}

    def adopt(self, record: Record) -> set[tuple[int, int]]:
        """Take over the soaks of a record of the same run; the pairs it held."""
        pairs = {(k, n) for k, liquid in enumerate(record.liquids) for n in liquid.repeats}
        for k, n in sorted(pairs):
            if not self._has(k, n):
                self.add(k, n, record.liquids[k].repeats[n], record.solid(n))
        return pairs

    def _has(self, liquid: int, number: int) -> bool:
        return self._valid(self._solid(number)) and self._valid(self._soak(liquid, number))

    def add(self, liquid: int, number: int, repeat: Repeat, network: Network) -> None:
        """Keep one finished soak, and its solid if it is the first in it."""
        key, double = self.header.key, self.header.double_precision
        self.keep(liquid, number, soak_image(key, repeat, double), solid_image(key, network))

    def keep(self, liquid: int, number: int, soak: bytes, solid: bytes) -> None:
        """The same with the files themselves, from :func:`soak_image` and :func:`solid_image`."""
        if not self._valid(self._solid(number)):
            _write(self._solid(number), solid)
        _write(self._soak(liquid, number), soak)

    def merge(self, target: Path, finished: set[tuple[int, int]]) -> None:
        """Gather the finished soaks in ``target``; ``complete`` says whether that is all."""
        write_whole(target, lambda path: self._write_record(path, finished))

    def remove(self) -> None:
        """Delete the folder and all that is in it."""
        if self.folder.is_dir() and not self.folder.is_symlink():
            for path in self.folder.glob("*.h5*"):
                path.unlink()
            self.remove_empty()

    def remove_empty(self) -> None:
        """Delete the folder if nothing is in it."""
        with suppress(OSError):
            self.folder.rmdir()

    def _solid(self, number: int) -> Path:
        return self.folder / f"solid-{number}.h5"

    def _soak(self, liquid: int, number: int) -> Path:
        return self.folder / f"soak-{liquid}-{number}.h5"

    def _valid(self, path: Path) -> bool:
        try:
            with h5py.File(path, "r") as file:
                return bool(file.attrs.get("key") == self.header.key)
        except (OSError, TypeError, ValueError):
            return False

    def _write_record(self, path: Path, finished: set[tuple[int, int]]) -> None:
        header = self.header
        parts = [self._soak(k, n) for k, n in finished] + [self._solid(n) for _, n in finished]
        _reserve(path, len(header.scenario) + sum(p.stat().st_size for p in set(parts)))
        with h5py.File(path, "w") as file:
            liquids = file.create_group("liquids")
            solids = file.create_group("solids")
            for k, (name, density) in enumerate(header.liquids):
                group = liquids.create_group(str(k))
                group.attrs.update(name=name, density_kg_m3=density)
                if any(header.lines[k : k + 1]):
                    group.attrs["log_length_ratio"] = header.lines[k]
                for grains in header.grains[k : k + 1]:
                    group.attrs.update(grains._asdict())
                repeats = group.create_group("repeats")
                for n in sorted(n for j, n in finished if j == k):
                    _copy(self._soak(k, n), repeats, str(n))
            for n in sorted({n for _, n in finished}):
                _copy(self._solid(n), solids, str(n))
            file.attrs.update(
                title=header.title,
                scenario=header.scenario,
                seed=header.seed,
                key=header.key,
                faces=",".join(header.faces),
                poresim_version=__version__,
                created=datetime.now(UTC).isoformat(timespec="seconds"),
                complete=len(finished) == len(header.liquids) * header.repeats,
                format=FORMAT,
            )
            if len(header.lift_s):
                file.attrs.update(area_m2=header.area_m2, lift_s=np.array(header.lift_s))


def soak_image(key: str, repeat: Repeat, double_precision: bool = False) -> bytes:
    """The file of one finished soak, made wherever it was computed. ``key`` is the run's."""
    return _image(key, lambda group: write_soak(group, repeat, double_precision))


def solid_image(key: str, network: Network) -> bytes:
    """The file of one solid."""
    return _image(key, lambda group: write_network(group, network))


def _image(key: str, fill: Callable[[h5py.Group], None]) -> bytes:
    """A whole file, made in memory and written in one go: HDF5 itself may crash on a full disk."""
    image = io.BytesIO()
    with h5py.File(image, "w") as file:
        file.attrs["key"] = key
        fill(file.create_group("part"))
    return image.getvalue()


def _write(target: Path, image: bytes) -> None:
    def write(path: Path) -> None:
        path.write_bytes(image)

    write_whole(target, write)


def _reserve(path: Path, size: int) -> None:
    """OSError now, rather than a crash later, when ``size`` bytes do not fit on the disk."""
    with path.open("wb") as file:
        if hasattr(os, "posix_fallocate"):
            os.posix_fallocate(file.fileno(), 0, size)


def write_soak(group: h5py.Group, repeat: Repeat, double_precision: bool = False) -> None:
    """Fill a group with one soak."""
    columns, soft = dict(SOAK), len(repeat.snap_force_N) > 0
    for optional in OPTIONAL:
        columns |= optional if len(getattr(repeat, next(iter(optional)))) else {}
    for name, column in columns.items():
        dataset = write_packed(
            group,
            name,
            getattr(repeat, name),
            "f4" if column.single and not double_precision else column.dtype,
            rows=1 if column.stays else CHUNK,
        )
        dataset.attrs.update(units=column.units, long_name=column.long_name)
    group["front_m"].attrs["quantiles"] = QUANTILES
    group.attrs.update(
        steps=repeat.steps,
        solves=repeat.solves,
        volume_balance=repeat.volume_balance,
        ending=repeat.ending.name,
        ending_words=repeat.ending.value,
        accuracy=repeat.accuracy,
        **{name: getattr(repeat, name) for name in SHEAR | (FAILS if soft else {})},
    )


def _copy(source: Path, group: h5py.Group, name: str) -> None:
    with h5py.File(source, "r") as file:
        file.copy("part", group, name=name)


__all__ = ["Header", "Parts", "soak_image", "solid_image", "write_soak"]
