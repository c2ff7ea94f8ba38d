"""The colours of a GIF: at most 255 for all pictures, found by a table."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from poresim.show.films.film import Film
from poresim.show.films.pixels import Packed, packed

#: Index of what is not drawn; those below are colours.
CLEAR = 255
_SEEN = 6
_EXACT = 64
#: Alpha from which a pixel of a GIF, which knows only all or nothing, is drawn.
_HALF = 128


class Palette:
    """colours : (255, 3) uint8, the commonest first.

    A pixel's colour is found by its upper six bits a channel: of its cell of colours, that which is
    in it, or else the one nearest to its middle, sought when the cell is first met.
    """

    def __init__(self, colours: NDArray[np.uint8]) -> None:
        from scipy.spatial import cKDTree

        self.colours = colours
        self._tree = cKDTree(colours.astype(float))
        self._table = np.full(1 << 18, -1, dtype=np.int16)
        own = (colours >> 2).astype(np.int64) @ [1 << 12, 1 << 6, 1]
        self._table[own[::-1]] = np.arange(CLEAR)[::-1]

    def indices(self, pixels: Packed) -> NDArray[np.uint8]:
        """The number of each pixel's colour; CLEAR where it is clear."""
        cell = (pixels & 0xFC) << 10 | (pixels >> 4) & 0xFC0 | (pixels >> 18) & 0x3F
        found = self._table[cell]
        if np.any(found < 0):
            new = np.unique(cell[found < 0])
            self._table[new] = self._nearest(new)
            found = self._table[cell]
        found[pixels >> 24 < _HALF] = CLEAR
        return found.astype(np.uint8)

    def _nearest(self, cells: NDArray[np.uint32]) -> NDArray[np.intp]:
        middles = np.stack([cells >> shift & 0x3F for shift in (12, 6, 0)], axis=-1) * 4 + 1.5
        nearest: NDArray[np.intp] = self._tree.query(middles)[1]
        return nearest


def palette_of(film: Film) -> Palette:
    """From a few pictures spread over the film, the first and the last among them.

    A run of one colour along a row counts once, or the ground would have the palette to itself.
    The commonest colours are in it exactly (all, if they are few), the others by median cut and
    k-means.
    """
    numbers = sorted({round(i * (len(film) - 1) / (_SEEN - 1)) for i in range(_SEEN)})
    runs = np.concatenate([_runs(packed(film, number)) for number in numbers])
    colours, counts = np.unique(runs, return_counts=True)
    colours = colours[np.argsort(-counts, kind="stable")]
    if len(colours) > CLEAR:
        rest = runs[~np.isin(runs, colours[:_EXACT])]
        colours = np.concatenate([colours[:_EXACT], _median_cut(rest, CLEAR - _EXACT)])
    if not len(colours):
        colours = np.zeros(1, dtype=np.uint32)
    return Palette(_channels(np.pad(colours, (0, CLEAR - len(colours)), mode="edge")))


def _runs(pixels: Packed) -> Packed:
    """The colours (alpha off) at which runs along the rows begin, of what is drawn."""
    begins = np.ones(pixels.shape, dtype=bool)
    np.not_equal(pixels[:, 1:], pixels[:, :-1], out=begins[:, 1:])
    begins &= pixels >> 24 >= _HALF
    return pixels[begins] & np.uint32(0xFFFFFF)


def _median_cut(colours: Packed, count: int) -> Packed:
    from PIL import Image

    row = Image.fromarray(_channels(colours)[np.newaxis])
    cut = Image.Quantize.MEDIANCUT
    found = row.quantize(count, method=cut, kmeans=2, dither=Image.Dither.NONE)
    channels = np.array(found.getpalette(), dtype=np.uint32)[: 3 * count].reshape(-1, 3)
    return channels @ np.array([1, 1 << 8, 1 << 16], dtype=np.uint32)


def _channels(colours: Packed) -> NDArray[np.uint8]:
    return np.stack([colours >> shift & 0xFF for shift in (0, 8, 16)], axis=-1).astype(np.uint8)
