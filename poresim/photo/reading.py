"""Photographs from files: sizes are checked before anything is decoded."""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from poresim.bench.error import BenchError

_LARGEST_FILE = 16_000_000  # bytes
_MOST_PIXELS = 60_000_000
_FORMATS = ("PNG", "JPEG")


def read_picture(path: Path) -> NDArray[np.uint8]:
    """(rows, columns) of brightness, 0 to 255, upright as the camera was held.

    PNG or JPEG. Raises BenchError (one line): no such file, another format, too large, damaged.
    """
    from PIL import Image, ImageOps

    if "\0" in str(path) or not path.exists():
        raise BenchError(f"{path}: there is no such file")
    if not path.is_file():
        raise BenchError(f"{path}: is not a file")
    if path.stat().st_size > _LARGEST_FILE:
        most = f"{_LARGEST_FILE // 1_000_000} MB"
        raise BenchError(f"{path}: is larger than {most}; scale it down or save it as JPEG")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            with Image.open(path, formats=_FORMATS) as picture:
                wide, high = picture.size
                if wide * high > _MOST_PIXELS:
                    raise BenchError(
                        f"{path}: has {wide} by {high} px; {_MOST_PIXELS // 1_000_000} million "
                        "at most"
                    )
                upright = ImageOps.exif_transpose(picture)
                deep = upright.mode.startswith("I") or upright.mode == "F"
                if deep:  # 16 bits
                    return _scaled(np.asarray(upright, np.float64))
                return np.asarray(upright.convert("L"))
    except BenchError:
        raise
    except (Image.DecompressionBombError, Image.DecompressionBombWarning):
        raise BenchError(f"{path}: has too many pixels") from None
    except Image.UnidentifiedImageError:
        raise BenchError(f"{path}: is no PNG or JPEG picture") from None
    except (OSError, SyntaxError, ValueError, EOFError, MemoryError) as fault:
        reason = getattr(fault, "strerror", None) or str(fault) or type(fault).__name__
        raise BenchError(f"{path}: cannot be read ({reason.splitlines()[0][:80]})") from None


def _scaled(deep: NDArray[np.float64]) -> NDArray[np.uint8]:
    low, high = float(deep.min()), float(deep.max())
    if not high > low:
        return np.zeros(deep.shape, np.uint8)
    return np.asarray((deep - low) / (high - low) * 255 + 0.5).astype(np.uint8)


def cropped(picture: NDArray[np.uint8], crop: tuple[int, int, int, int]) -> NDArray[np.uint8]:
    """The part from x1, y1 to x2, y2 (px). BenchError where that is none."""
    x1, y1, x2, y2 = crop
    high, wide = picture.shape
    if not (0 <= x1 < x2 <= wide and 0 <= y1 < y2 <= high):
        raise BenchError(
            f"the crop {x1},{y1},{x2},{y2} is no part of a picture of {wide} by {high} px"
        )
    return picture[y1:y2, x1:x2]
