"""Reading a record: every piece is checked before it is believed, and before memory is taken."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from poresim.record.layout import (
    FAILS,
    FORMAT,
    OPTIONAL,
    SHEAR,
    SOAK,
    SOFT,
    SOLID,
    Column,
    RecordError,
)
from poresim.record.model import GrainsOf, LiquidRecord, Record, Repeat
from poresim.solid.files import load_network
from poresim.solid.network import Network
from poresim.uptake.result import Ending

#: Largest single array read at once, bytes: 100 million numbers. A file that declares more is
#: broken or hostile; what poresim writes for the largest block it accepts stays far below.
MAX_BYTES = 800_000_000
#: Packed data cannot shrink by more than this (deflate's own limit is 1032).
_MAX_SHRINK = 1100
_MAX_MEMBERS = 100_000
_ALWAYS_KNOWN = ("uptake_kg", "saturation", "snapshot_time_s")
_MOST_LIFTS = 1000
_MAX_TEXT = 10_000_000


def load_record(path: str | Path) -> Record:
    """Read a record file.

    Raises RecordError, in one line: not there, not HDF5, cut short, of a newer format, a piece
    missing or of the wrong type or size, a link that leads elsewhere.
    """
    path = Path(path)
    with _opened(path) as file:
        root = _Place(path, file)
        found = root.number("format")
        if not 1 <= found <= FORMAT:
            raise root.error(
                f"has record format {found:g}; this version reads up to {FORMAT}: update poresim"
            )
        solids = {p.number_in_name(): _lengths(p) for p in root.members("solids")}
        liquids = [_liquid(place, solids) for place in root.members("liquids")]
        if not liquids:
            raise root.error("holds no liquids")
        return Record(
            path=path,
            title=root.text("title"),
            scenario=root.text("scenario"),
            seed=int(root.number("seed")),
            version=root.text("poresim_version"),
            created=root.text("created"),
            complete=bool(root.number("complete")),
            key=root.text("key"),
            faces=tuple(filter(None, root.text("faces").split(","))),
            liquids=liquids,
            solids=_Solids(path, list(solids)),
            area_m2=_area(root),
            lift_s=_lifts(root),
        )


@contextmanager
def _opened(path: Path) -> Iterator[h5py.File]:
    if not path.is_file():
        what = "is a folder" if path.is_dir() else "is not there" if not path.exists() else ""
        raise RecordError(f"{path}: {what or 'is not a plain file'}; expected a record (.h5)")
    try:
        with path.open("rb") as raw:
            raw.read(1)
    except OSError as error:
        raise RecordError(f"{path}: cannot be read: {error.strerror}") from None
    if not h5py.is_hdf5(path):
        raise RecordError(f"{path}: is not an HDF5 file; expected a record written by `run`")
    try:
        file = h5py.File(path, "r", locking=False)
    except OSError as error:
        raise RecordError(f"{path}: is damaged or cut short ({_short(error)})") from None
    try:
        with file:
            yield file
    except (OSError, RuntimeError, KeyError) as error:  # h5py's own, on a damaged file
        raise RecordError(f"{path}: is damaged ({_short(error)})") from None


def _short(error: Exception) -> str:
    return str(error).split("\n")[0].strip("'\"")[:120]


@dataclass(frozen=True)
class _Place:
    """A group inside a file; every access checks what it finds."""

    path: Path
    at: h5py.Group

    def error(self, text: str) -> RecordError:
        where = "" if self.at.name == "/" else f"{self.at.name}: "
        return RecordError(f"{self.path}: {where}{text}")

    def group(self, name: str) -> _Place:
        item = self._item(name)
        if not isinstance(item, h5py.Group):
            raise self.error(f"{name} must be a group")
        return _Place(self.path, item)

    def members(self, name: str) -> list[_Place]:
        """Groups named by whole numbers, in their order."""
        outer = self.group(name)
        if len(outer.at) > _MAX_MEMBERS:
            raise outer.error(f"has {len(outer.at)} members, more than any run")
        names = list(outer.at)
        for text in names:
            if not (text.isascii() and text.isdigit() and len(text) < 10):
                raise outer.error(f"has a member {text[:40]!r}; expected whole numbers")
        return [outer.group(text) for text in sorted(names, key=int)]

    def number_in_name(self) -> int:
        return int(self.at.name.rsplit("/", 1)[-1])

    def array(self, name: str, column: Column, sizes: dict[str, int]) -> NDArray[Any]:
        """One dataset, of the shape ``column`` states; letters are looked up or learnt."""
        dataset = self.dataset(name, column, sizes)
        size = dataset.size * np.dtype(column.dtype).itemsize
        if size > MAX_BYTES:
            raise self.error(f"{name} declares {size / 1e9:.3g} GB, more than is read")
        values: NDArray[Any] = dataset[()]
        return np.ascontiguousarray(values, dtype=column.dtype)

    def dataset(self, name: str, column: Column, sizes: dict[str, int]) -> h5py.Dataset:
        """A dataset whose kind, shape and stored size are plausible; nothing is read yet."""
        item = self._item(name)
        if not isinstance(item, h5py.Dataset):
            raise self.error(f"{name} must be a dataset")
        if item.is_virtual or item.external:
            raise self.error(f"{name} points to another file; a record holds its own data")
        if item.dtype.kind not in ("iu" if column.dtype == "i8" else "f"):
            raise self.error(f"{name} must hold numbers of type {column.dtype}, got {item.dtype}")
        expected = tuple(sizes.get(n, -1) if isinstance(n, str) else n for n in column.shape)
        fits = item.shape is not None and len(item.shape) == len(expected)
        if not fits or any(e not in (-1, got) for e, got in zip(expected, item.shape, strict=True)):
            wanted = ", ".join("any" if e == -1 else str(e) for e in expected)
            raise self.error(f"{name} must have shape ({wanted}), got {item.shape}")
        for letter, got in zip(column.shape, item.shape, strict=True):
            if isinstance(letter, str):
                sizes[letter] = got
        if item.nbytes > _MAX_SHRINK * item.id.get_storage_size() + 4096:
            raise self.error(
                f"{name} declares {item.nbytes / 1e6:.3g} MB, but the file does not hold them"
            )
        return item

    def number(self, name: str) -> float:
        value = self._attribute(name)
        if not isinstance(value, np.integer | np.floating | np.bool_ | int | float | bool):
            raise self.error(f"attribute {name} must be a number, got {type(value).__name__}")
        return value if isinstance(value, int) else value.item()  # type: ignore[union-attr]

    def figures(self, name: str, column: Column) -> NDArray[np.float64] | float:
        """An attribute of numbers, or of one; NaN where an older file has none."""
        attributes, shape = self.at.attrs, column.shape
        if name not in attributes:
            return np.full(shape, np.nan) if shape else np.nan  # type: ignore[arg-type]
        stored = attributes.get_id(name)
        if stored.shape != shape or stored.dtype.kind != "f":
            raise self.error(
                f"attribute {name} must hold {shape[0] if shape else 1} floating-point "
                f"number{'s' * bool(shape)}, got {stored.dtype} of shape {stored.shape}"
            )
        return np.array(attributes[name], dtype=np.float64) if shape else float(attributes[name])

    def row(self, name: str) -> tuple[float, ...]:
        """An attribute of some numbers; none where it is absent."""
        if name not in self.at.attrs:
            return ()
        stored = self.at.attrs.get_id(name)
        shape = stored.shape or (0, 0)  # None: there is nothing in it
        if len(shape) != 1 or shape[0] > _MOST_LIFTS or stored.dtype.kind != "f":
            raise self.error(
                f"attribute {name} must hold up to {_MOST_LIFTS} floating-point numbers, "
                f"got {stored.dtype} of shape {stored.shape}"
            )
        return tuple(float(value) for value in self.at.attrs[name])

    def text(self, name: str) -> str:
        value = self._attribute(name)
        if not isinstance(value, str) or len(value) > _MAX_TEXT:
            raise self.error(f"attribute {name} must be text")
        return value

    def _attribute(self, name: str) -> Any:
        attributes = self.at.attrs
        if name not in attributes:
            raise self.error(f"lacks the attribute {name!r}; not a record, or a damaged one")
        if attributes.get_id(name).shape != ():
            raise self.error(f"attribute {name} must be a single value")
        return attributes[name]

    def _item(self, name: str) -> h5py.Group | h5py.Dataset:
        link = self.at.get(name, getlink=True)
        if link is None:
            raise self.error(f"lacks {name!r}; not a record, or a damaged one")
        if not isinstance(link, h5py.HardLink):
            raise self.error(f"{name} is a link to elsewhere; a record holds its own data")
        return self.at[name]


def _area(root: _Place) -> float:
    """Of what touched the liquid, m2; NaN where that is whole faces, or an older file has none."""
    if "area_m2" not in root.at.attrs:
        return math.nan
    area = float(root.number("area_m2"))
    if not (0.0 < area < math.inf or math.isnan(area)):
        raise root.error(f"attribute area_m2 must be above 0 and finite, or NaN, got {area:g}")
    return area


def _lifts(root: _Place) -> tuple[float, ...]:
    """When the solid was lifted out and put back, in turn, s."""
    lifts = root.row("lift_s")
    if not all(map(math.isfinite, lifts)) or np.any(np.diff([0.0, *lifts]) <= 0):
        raise root.error(
            "attribute lift_s must hold finite times above 0 s, each later than the last"
        )
    return lifts


def _lengths(place: _Place) -> dict[str, int]:
    """Numbers of junctions (n) and tubes (m) of a solid, without reading it."""
    sizes: dict[str, int] = {}
    for name, column in SOLID.items():
        place.dataset(name, column, sizes)
    return {letter: sizes[letter] for letter in "nm"}


def _liquid(place: _Place, solids: dict[int, dict[str, int]]) -> LiquidRecord:
    repeats = {}
    for group in place.members("repeats"):
        number = group.number_in_name()
        if number not in solids:
            raise group.error(f"its solid, /solids/{number}, is missing")
        repeats[number] = _repeat(group, dict(solids[number]))
    line = place.number("log_length_ratio") if "log_length_ratio" in place.at.attrs else 0.0
    density = float(place.number("density_kg_m3"))
    grains = GrainsOf()
    if "kind" in place.at.attrs:
        fraction, stood = (float(place.number(n)) for n in ("volume_fraction", "stood_s"))
        grains = GrainsOf(fraction, stood, place.text("kind"), place.text("without"))
    return LiquidRecord(place.text("name"), density, repeats, float(line), grains)


def _repeat(place: _Place, sizes: dict[str, int]) -> Repeat:
    plain: dict[str, Any] = {n: place.array(n, c, sizes) for n, c in SOAK.items() if not c.stays}
    rows = {n: place.dataset(n, c, sizes) for n, c in SOAK.items() if c.stays}
    time = plain["time_s"]
    if not (len(time) and np.all(np.isfinite(time)) and np.all(np.diff(time) >= 0)):
        raise place.error("time_s must hold finite, rising times")
    for name in _ALWAYS_KNOWN:
        if not np.all(np.isfinite(plain[name])):
            raise place.error(f"{name} must hold finite numbers")
    fill = rows["snapshot_fill"]
    ending = place.text("ending")
    if ending not in Ending.__members__:
        raise place.error(f"ending {ending[:40]!r} is unknown")
    plain |= {n: place.figures(n, c) for n, c in SHEAR.items()}
    for group in OPTIONAL:
        if any(n in place.at for n in group):
            plain |= {n: place.array(n, c, sizes) for n, c in group.items()}
    if any(n in place.at for n in SOFT):
        plain |= {n: place.figures(n, c) for n, c in FAILS.items()}
    return Repeat(
        **plain,
        snapshot_fill=_Rows(place.path, fill.name, fill.shape),
        ending=Ending[ending],
        steps=int(place.number("steps")),
        solves=int(place.number("solves")),
        volume_balance=float(place.number("volume_balance")),
        accuracy=float(place.number("accuracy")),
    )


@dataclass(frozen=True)
class _Rows:
    """Snapshots left in the file: ``rows[i]`` reads one, ``rows[:]`` all."""

    path: Path
    name: str
    shape: tuple[int, ...]

    def __len__(self) -> int:
        return self.shape[0]

    def __getitem__(self, index: Any, /) -> NDArray[np.float32]:
        with _opened(self.path) as file:
            if file.get(self.name) is None or file[self.name].shape != self.shape:
                raise RecordError(f"{self.path}: was changed while it was being read")
            values: NDArray[np.float32] = file[self.name][index]
        if not np.all(np.isfinite(values)):
            raise RecordError(f"{self.path}: {self.name} must hold finite numbers")
        return values


class _Solids(Mapping[int, Network]):
    """Number of the repeat -> network, read when first asked for."""

    def __init__(self, path: Path, numbers: list[int]) -> None:
        self._path = path
        self._numbers = numbers
        self._read: dict[int, Network] = {}

    def __getitem__(self, number: int) -> Network:
        if number not in self._numbers:
            raise KeyError(number)
        if number not in self._read:
            try:
                self._read[number] = load_network(self._path, f"solids/{number}")
            except (ValueError, OSError) as error:
                raise RecordError(str(error)) from None
        return self._read[number]

    def __iter__(self) -> Iterator[int]:
        return iter(self._numbers)

    def __len__(self) -> int:
        return len(self._numbers)
