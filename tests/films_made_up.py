"""Made-up films of a few colours, and what files of films say when read by something else."""

from __future__ import annotations

import os
import signal
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

GROUND, LIQUID, MARK = (250, 249, 246), (40, 90, 160), (200, 60, 20)


@dataclass
class MadeUp:
    """Liquid that rises from the left, and a mark that jumps about above it, every second picture.

    asked : which pictures were asked for. fatal : the picture at which the process kills itself.
    wrong : the picture at which an error is raised.
    """

    length: int = 12
    size: tuple[int, int] = (64, 48)
    fps: float = 25.0
    rest_s: float = 0.5
    transparent: bool = False
    key: str = "made up"
    fatal: int = -1
    wrong: int = -1
    error: type[BaseException] = KeyboardInterrupt
    soft: bool = False
    asked: list[int] = field(default_factory=list, init=False)

    def __len__(self) -> int:
        return self.length

    def image(self, number: int) -> np.ndarray:
        self.asked.append(number)
        if number == self.fatal:
            os.kill(os.getpid(), signal.SIGKILL)
        if number == self.wrong:
            raise self.error
        width, height = self.size
        image = np.zeros((height, width, 4), dtype=np.uint8)
        if not self.transparent:
            image[:] = (*GROUND, 255)
        front = width * (number + 1) // self.length
        image[height // 2 :, :front] = (*LIQUID, 255)
        jumps = number // 2
        x, y = 7 * jumps % (width - 12), 5 * jumps % (height // 2 - 8)
        image[y : y + 8, x : x + 12] = (*MARK, 255)
        if self.soft:
            image[y : y + 2, x : x + 12, 3] = 20 * (number % 12)
        return image


def pictures(path: Path) -> Iterator[tuple[np.ndarray, int]]:
    """The pictures of a GIF or WebP, (h, w, 4), and for how many ms each stays, by Pillow."""
    from PIL import Image

    with Image.open(path) as film:
        for number in range(film.n_frames):
            film.seek(number)
            film.load()
            yield np.asarray(film.convert("RGBA")), film.info["duration"]


def decoded(path: Path, size: tuple[int, int]) -> np.ndarray:
    """The pictures of a video, (n, h, w, 3), by ffmpeg."""
    import imageio_ffmpeg

    said = subprocess.run(
        [
            imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", "-i", f"file:{path}", "-vf",
            "scale=in_color_matrix=bt709:in_range=tv:flags=bicubic+accurate_rnd+full_chroma_int",
            "-fps_mode", "passthrough", "-pix_fmt", "rgb24", "-f", "rawvideo", "-",
        ],
        capture_output=True,
        check=True,
    )  # fmt: skip
    assert not said.stderr
    return np.frombuffer(said.stdout, dtype=np.uint8).reshape(-1, size[1], size[0], 3)


def boxes(data: bytes) -> Iterator[tuple[str, bytes]]:
    """Boxes of an MP4 (ISO/IEC 14496-12), those within others after them."""
    at = 0
    while at + 8 <= len(data):
        length = int.from_bytes(data[at : at + 4], "big")
        name = data[at + 4 : at + 8].decode("latin-1")
        inner = data[at + 8 : at + length]
        yield name, inner
        if name in {"moov", "trak", "mdia", "minf", "stbl"}:
            yield from boxes(inner)
        at += length


def files(path: Path) -> dict[str, bytes]:
    """All that a film consists of: its file, or the files of its folder."""
    if path.is_dir():
        return {one.name: one.read_bytes() for one in sorted(path.iterdir())}
    return {"": path.read_bytes()}
