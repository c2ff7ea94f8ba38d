"""Films as MP4: H.264 (ITU-T H.264) of even pace, its index in front so that it plays at once.

Encoded by ffmpeg in segments of two seconds, each by a process of its own and none leaning on
another (closed groups, no bidirectional pictures): segments that are there already are the same
bytes as those of a film that was never broken off. Colours go to BT.709 in video range.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from fractions import Fraction
from itertools import count
from pathlib import Path

from poresim.show.films.faults import FilmError, writing
from poresim.show.films.ffmpeg import Fed, program, version
from poresim.show.films.film import Film
from poresim.show.films.pace import rate, turns
from poresim.show.films.part import Work
from poresim.show.films.pixels import picture

#: Blocks of 16 x 16 px in a picture, at most: H.264 Table A-1, levels 6 to 6.2.
_MOST_BLOCKS = 139_264
_SEGMENT_S = 2
#: Threads are part of the encoder's result, so they are not left to the machine.
_THREADS = 4
_TO_VIDEO = (
    "scale=in_range=pc:out_range=tv:out_color_matrix=bt709:flags=bicubic+accurate_rnd"
    "+full_chroma_int+bitexact,format=yuv420p,setparams=range=tv:color_primaries=bt709"
    ":color_trc=bt709:colorspace=bt709"
)
#: Ticks a second, at least: players round to their clock's ticks.
_FINEST = 10_000
_BLOCK = 1 << 20


def check(film: Film) -> None:
    """FilmError when an MP4 cannot hold it, or ffmpeg is missing."""
    if film.transparent:
        raise FilmError(
            "an .mp4 has no see-through ground: write .webp, .gif or frames, or give it a ground"
        )
    width, height = film.size
    if -(-width // 16) * -(-height // 16) > _MOST_BLOCKS:
        raise FilmError(
            f"an .mp4 of {width} x {height} px is more than players show: "
            "make it smaller (7680 x 4320 at most), or write .webp or frames"
        )
    program()


def maker() -> str:
    """Whose version has a say in the bytes."""
    return f"ffmpeg {version()}"


def write(film: Film, work: Work) -> None:
    """Write what is missing of the film."""
    with writing(work.target):
        for torn in work.folder.glob("*.partial"):
            torn.unlink()
    whole, total = round(_SEGMENT_S * rate(film)), turns(film)
    segments = -(-total // whole)
    have = next(i for i in count() if i == segments or not _path(work, i).exists())
    work.done(min(have * whole, len(film)))
    for i in range(have, segments):
        _encode(film, work, range(i * whole, min((i + 1) * whole, total)), _path(work, i))
    _join(film, work, segments)


def _encode(film: Film, work: Work, numbers: range, path: Path) -> None:
    """One segment: these pictures, the last of the film again and again where they go beyond it."""
    width, height = film.size
    given = ["-f", "rawvideo", "-pixel_format", "rgb0", "-video_size", f"{width}x{height}"]
    given += ["-framerate", str(rate(film)), "-i", "pipe:0"]
    coded = ["-vf", _TO_VIDEO, "-fps_mode", "passthrough", "-c:v", "libx264"]
    coded += ["-preset", "veryfast", "-crf", "18", "-bf", "0", "-rc-lookahead", "0"]
    coded += ["-g", str(len(numbers)), "-sc_threshold", "0", "-threads", str(_THREADS)]
    kept = work.kept

    def feed(ffmpeg: Fed) -> None:
        for number in numbers:
            if number < len(film) or number == numbers[0]:
                image = picture(film, min(number, len(film) - 1)).data.cast("B")
            ffmpeg.feed(image)
            work.done(min(number + 1, len(film)), kept)

    _run([*given, *coded, "-f", "h264"], feed, path, work)
    work.kept = min(numbers[-1] + 1, len(film))


def _join(film: Film, work: Work, segments: int) -> None:
    """Make of the segments, one after another, the film."""
    pace = rate(film)
    given = ["-f", "h264", "-framerate", str(pace), "-i", "pipe:0"]
    # The reader's times drift: it rounds each picture's turn to a clock of its own. So they are
    # counted anew.
    clock = _clock(pace)
    each = int(clock / pace)
    even = f"setts=ts=round(N*{each}/({clock}*TB)):duration=round({each}/({clock}*TB))"
    made = ["-c", "copy", "-bsf:v", even, "-video_track_timescale", str(clock)]
    made += ["-movie_timescale", str(clock)]
    made += ["-fflags", "+bitexact", "-movflags", "+faststart", "-f", "mp4"]

    def feed(ffmpeg: Fed) -> None:
        for i in range(segments):
            with _path(work, i).open("rb") as file:
                while block := file.read(_BLOCK):
                    ffmpeg.feed(block)

    _run([*given, *made], feed, work.film, work)


def _run(arguments: list[str], feed: Callable[[Fed], None], path: Path, work: Work) -> None:
    """Let ffmpeg write a file of the part, which has its name only once it is on the disk."""
    torn = path.with_name(f"{path.name}.{os.getpid()}.partial")  # a killed run's may still be open
    with Fed([*arguments, torn.name], work.folder, work.target) as ffmpeg:
        feed(ffmpeg)
        ffmpeg.end()
    with writing(work.target):
        with torn.open("rb+") as file:
            os.fsync(file.fileno())
        torn.replace(path)


def _clock(pace: Fraction) -> int:
    """Ticks a second, of which each picture takes a whole number."""
    return pace.numerator * -(-_FINEST // pace.numerator)


def _path(work: Work, number: int) -> Path:
    return work.folder / f"segment_{number + 1:06d}.h264"
