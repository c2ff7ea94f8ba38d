"""The figures of a run as parts of a page: vector where that is light, else pixels."""

from __future__ import annotations

import base64
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from io import BytesIO

from poresim.record.model import Record
from poresim.show.figures import drawn, encoded
from poresim.show.report.alts import alt, caption
from poresim.show.section import NothingToShow
from poresim.show.series import Series

#: Heavier vector files are replaced by their picture.
LIGHT = 200_000  # bytes
_ORDER = ("section", "uptake", "front", "drop", "caught", "standing", "firmness", "strength")
_TYPES = {"svg": "image/svg+xml", "png": "image/png"}


@dataclass(frozen=True)
class Picture:
    """One figure: its address (data:), size in px, what it shows, a short name, how to read it."""

    name: str
    address: str
    width: int
    height: int
    alt: str
    head: str
    how: str


def pictures(
    records: Sequence[Record],
    series: Sequence[Series],
    move: Callable[[float], None] = lambda done: None,
) -> tuple[list[Picture], list[str]]:
    """All that there is something to show in; a remark for each other that was asked for."""
    found: list[Picture] = []
    remarks: list[str] = []
    for name, figure in drawn(records, _ORDER):
        if isinstance(figure, NothingToShow):
            remarks.append(f"no {name} figure: {figure}")
            continue
        files = encoded(name, figure)
        kind = "svg" if len(files.get("svg", b"")) in range(1, LIGHT) else "png"
        width, height = _size(files["png"])
        address = f"data:{_TYPES[kind]};base64,{base64.b64encode(files[kind]).decode('ascii')}"
        found.append(Picture(name, address, width, height, alt(name, series), *caption(name)))
        move((_ORDER.index(name) + 1) / len(_ORDER))
    return found, remarks


def _size(png: bytes) -> tuple[int, int]:
    from PIL import Image

    with Image.open(BytesIO(png)) as picture:
        return picture.size
