"""Records for tests of the report, made up in a moment, and a page taken to pieces."""

from __future__ import annotations

import functools
import hashlib
import tempfile
from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path

import h5py
from fakes import record_file

from poresim import __version__
from poresim.record.layout import FORMAT

SCENARIO = """\
# Three broths, one rusk.
#
# INVENTED DATA. Nobody measured these.
title = "A rusk in three broths"
seed = 11

[solid]
name = "twice-baked rusk"
size_mm = [0.4, 0.4, 0.6]    # a small piece,
                             # as deep as it is
dry_density_kg_m3 = 420
# Invented: wide cells
# joined by narrow throats.
tubes = { law = "lognormal", median_radius_um = 15, log_sd = 0.5, waist = 0.5 }
lattice = { kind = "cubic", spacing_um = 100 }

[[liquids]]
name = "clear broth"
density_kg_m3 = 1005
surface_tension_mN_m = { value = 52, sd = 0.8 }

# Not of the angle: a line is left free below.

contact_angle_deg = 48       # "# advancing"
viscosity = { law = "newtonian", mPa_s = 1.2 }

[[liquids]]
name = "gum broth"           # thick
based_on = "clear broth"
density_kg_m3 = 1010
viscosity = { law = "herschel_bulkley", yield_Pa = 0.02, consistency_Pa_sn = 0.12, index = 0.5 }

[[liquids]]
name = "spiced broth"
based_on = "clear broth"
particles = { volume_fraction = 0.05, law = "lognormal", median_diameter_um = 12, log_sd = 0.5 }

[run]
until_s = 20
repeats = 2

[exposure]
kind = "face"
faces = ["bottom"]
"""


def key_of(text: str) -> str:
    """The key of a record whose scenario names no files, as a run writes it."""
    return hashlib.sha256(f"{FORMAT} {__version__}\n{text}".encode()).hexdigest()


def made_up(folder: Path, scenario: str = SCENARIO, name: str = "three_broths", **more) -> Path:
    """A record of three liquids in two solids with that scenario; ``more`` are attributes."""
    path = folder / f"{name}.h5"
    path.write_bytes(_soaked())
    with h5py.File(path, "r+") as file:
        attributes = {"scenario": scenario, "key": key_of(scenario), **more}
        attributes.setdefault("created", "2026-03-04T05:06:07+00:00")
        for key, value in attributes.items():
            file.attrs[key] = value
    return path


@functools.cache
def _soaked() -> bytes:
    """Three liquids in two solids: the file."""
    with tempfile.TemporaryDirectory() as folder:
        title = "A rusk in three broths"
        return record_file(Path(folder), 3, 2, (4, 4, 6), 12, title=title).read_bytes()


def change(path: Path, liquid: int, repeat: int, **attributes) -> Path:
    """Attributes of one soak put in place of its own."""
    with h5py.File(path, "r+") as file:
        for key, value in attributes.items():
            file[f"liquids/{liquid}/repeats/{repeat}"].attrs[key] = value
    return path


@dataclass
class Element:
    """A piece of a page: its name, attributes, and the text in it."""

    tag: str
    attributes: dict[str, str]
    text: str = ""
    inside: list[str] = field(default_factory=list)


class Pieces(HTMLParser):
    """Every element of a page in its order, with all text that stands in it."""

    _ALONE = {"meta", "img", "br", "link", "input"}

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[Element] = []
        self._open: list[Element] = []
        self.feed(page)
        self.close()
        assert not self._open, [one.tag for one in self._open]

    def handle_starttag(self, tag, attrs):
        inside = [f"{one.tag}#{one.attributes.get('id', '')}" for one in self._open]
        element = Element(tag, {k: v or "" for k, v in attrs}, inside=inside)
        self.elements.append(element)
        if tag not in self._ALONE:
            self._open.append(element)

    def handle_endtag(self, tag):
        assert self._open and self._open[-1].tag == tag, (tag, [one.tag for one in self._open])
        self._open.pop()

    def handle_data(self, data):
        for one in self._open:
            one.text += data

    def all(self, tag: str, within: str = "") -> list[Element]:
        """Elements of that name; ``within``: inside of a section of that id."""
        return [
            one for one in self.elements
            if one.tag == tag and (not within or f"section#{within}" in one.inside)
        ]  # fmt: skip

    def text_of(self, tag: str, **attributes: str) -> str:
        """Text of the one element with these attributes."""
        found = [
            one for one in self.all(tag)
            if all(one.attributes.get(k.rstrip("_")) == v for k, v in attributes.items())
        ]  # fmt: skip
        assert len(found) == 1, (tag, attributes, len(found))
        return " ".join(found[0].text.replace("\u00a0", " ").split())
