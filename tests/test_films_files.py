"""Films in files: every picture as it was, at its time, however often the work was broken off."""

from __future__ import annotations

import errno
import math
import os
import signal
import subprocess
import sys
import tracemalloc
from contextlib import closing
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from films_made_up import GROUND, LIQUID, MadeUp, boxes, decoded, files, pictures

from poresim.cli import animate, main
from poresim.record.files import locked
from poresim.record.layout import RecordError
from poresim.show.films import growing
from poresim.show.films.faults import FilmError, FilmStopped
from poresim.show.films.files import write_film
from poresim.show.films.growing import Growing
from poresim.show.films.pace import rate, ticks, turns
from poresim.show.films.palette import palette_of
from poresim.show.films.part import part_of, unfinished
from poresim.show.films.pixels import unpacked

ENDINGS = (".gif", ".webp", ".mp4", ".frames")


def hidden(folder: Path) -> list[str]:
    return [path.name for path in folder.iterdir() if path.name.startswith(".")]


@pytest.mark.parametrize("transparent", [False, True])
@pytest.mark.parametrize("ending", [".gif", ".webp"])
def test_every_picture_is_shown_for_its_time(tmp_path, ending, transparent) -> None:
    """By Pillow, another reader; the clear ground of a GIF has no colour."""
    film = MadeUp(transparent=transparent, fps=30.0, rest_s=1.5)
    write_film(film, tmp_path / f"film{ending}")
    found = list(pictures(tmp_path / f"film{ending}"))
    assert len(found) == len(film)
    for number, (image, _) in enumerate(found):
        np.testing.assert_array_equal(image[..., 3], film.image(number)[..., 3])
        drawn = image[..., 3] > 0
        np.testing.assert_array_equal(image[drawn], film.image(number)[drawn])
    unit = 10 if ending == ".gif" else 1
    times = np.cumsum([0] + [lasts for _, lasts in found])
    even = 1000 * np.arange(len(film)) / 30
    assert np.abs(times[:-1] - even).max() <= unit / 2 + 1e-9
    assert found[-1][1] == 1500
    assert hidden(tmp_path) == []


def test_a_webp_keeps_what_is_half_clear(tmp_path) -> None:
    film = MadeUp(transparent=True, soft=True)
    write_film(film, tmp_path / "film.webp")
    for number, (image, _) in enumerate(pictures(tmp_path / "film.webp")):
        np.testing.assert_array_equal(image, film.image(number))


def test_a_gif_draws_what_is_at_least_half_opaque(tmp_path) -> None:
    film = MadeUp(transparent=True, soft=True)
    write_film(film, tmp_path / "film.gif")
    for number, (image, _) in enumerate(pictures(tmp_path / "film.gif")):
        np.testing.assert_array_equal(image[..., 3] > 0, film.image(number)[..., 3] >= 128)


@pytest.mark.parametrize("ending", [".gif", ".webp"])
def test_what_stays_is_not_written_again(tmp_path, rng, ending) -> None:
    """On a speckled ground, which a picture alone holds as a whole; pictures of half a GIF's size
    are its colours, left out here."""
    ground = rng.integers(0, 2, (48, 64, 1), dtype=np.uint8) * np.uint8(40)

    class Speckled(MadeUp):
        def image(self, number: int) -> np.ndarray:
            return super().image(number) ^ np.pad(ground, ((0, 0), (0, 0), (0, 3)))

    colours = 800 if ending == ".gif" else 0
    sizes = []
    for length in (1, 20):
        write_film(Speckled(length=length), tmp_path / f"film{ending}")
        sizes.append((tmp_path / f"film{ending}").stat().st_size - colours)
    assert sizes[1] < 0.5 * 20 * sizes[0], sizes


@pytest.mark.parametrize("transparent", [False, True])
def test_a_palette_has_common_colours_exactly_and_others_nearly(rng, transparent) -> None:
    """Also where thousands of others are nearly the same."""

    class Shaded(MadeUp):
        def image(self, number: int) -> np.ndarray:
            image = super().image(number)
            shade = np.linspace(0, 255, 64).astype(np.uint8)
            image[:4, :, 0] = shade
            image[:4, :, 1] = np.roll(shade, 3 * number)
            for rows, colour in ((slice(4, 10), GROUND), (slice(10, 16), LIQUID)):
                nearly = np.array(colour) + rng.integers(-9, 6, (6, 64, 3))
                image[rows] = np.dstack([nearly, np.full((6, 64), 255)])
            return image

    film = Shaded(transparent=transparent)
    palette = palette_of(film)
    for number in (0, 5, 11):
        image = film.image(number)
        found = palette.indices(image.view("<u4")[..., 0])
        np.testing.assert_array_equal(found == 255, image[..., 3] < 128)
        drawn = found < 255
        off = np.abs(palette.colours[found[drawn]].astype(int) - image[drawn][:, :3])
        # shades all over 256 x 256 reds and greens: 64 colours for them are 32 apart
        assert np.quantile(off, 0.99) <= 16
        drawn[:30] = False
        np.testing.assert_array_equal(palette.colours[found[drawn]], image[drawn][:, :3])


@pytest.mark.parametrize("transparent", [False, True])
def test_frames_are_png_files_in_order(tmp_path, transparent) -> None:
    from PIL import Image

    film = MadeUp(transparent=transparent, soft=transparent, fps=12.5)
    write_film(film, tmp_path / "film")
    told = (tmp_path / "film" / "film.txt").read_text(encoding="utf-8")
    assert "fps     12.5\n" in told and "frames  12\n" in told
    names = sorted(path.name for path in (tmp_path / "film").glob("*.png"))
    assert names[0] == "frame_00001.png" and len(names) == 12
    for number, name in enumerate(names):
        with Image.open(tmp_path / "film" / name) as image:
            assert image.mode == ("RGBA" if transparent else "RGB")
            channels = 4 if transparent else 3
            np.testing.assert_array_equal(np.asarray(image), film.image(number)[..., :channels])


@pytest.mark.parametrize("fps", [25.0, 29.97, 1.0])
def test_a_video_has_every_picture_at_its_time(tmp_path, fps) -> None:
    film = MadeUp(fps=fps, rest_s=2.0, length=180 if fps > 1 else 5)
    path = tmp_path / "film.mp4"
    write_film(film, path)
    found = list(boxes(path.read_bytes()))
    names, by_name = [name for name, _ in found], dict(found)
    assert names.index("moov") < names.index("mdat")
    header = by_name["mdhd"]
    clock, lasts = (int.from_bytes(header[i : i + 4], "big") for i in (12, 16))
    total = 179 + round(2 * fps) if fps > 1 else 6
    assert Fraction(lasts, clock) == total / rate(film)
    # one entry: all pictures take the same number of ticks
    assert by_name["stts"][4:12] == (1).to_bytes(4, "big") + total.to_bytes(4, "big")
    shown = decoded(path, film.size)
    assert len(shown) == total
    for number in range(total):
        expected = film.image(min(number, len(film) - 1))[..., :3]
        # Colour is at half resolution, so 4 px around edges are left out. Elsewhere what is left is
        # the step of video range (2 or so; the mean), and up to 14 (measured) in blocks where
        # something has just moved; a picture too early or too late is off by more than 100.
        inner = _flat(expected, 4)
        assert inner.mean() > 0.3
        off = np.abs(shown[number].astype(int) - expected)[inner]
        assert off.max() <= 24 and off.mean() < 2.5, number
        for colour in (GROUND, LIQUID):
            flat = inner & (expected == colour).all(axis=-1)
            if flat.any():
                median = np.median(shown[number][flat], axis=0)
                np.testing.assert_allclose(median, colour, atol=3)


def _flat(image: np.ndarray, reach: int) -> np.ndarray:
    """Where all pixels within reach have one colour."""
    from scipy.ndimage import maximum_filter, minimum_filter

    size = (2 * reach + 1, 2 * reach + 1, 1)
    return (maximum_filter(image, size) == minimum_filter(image, size)).all(axis=-1)


def test_pictures_keep_step_with_the_clock() -> None:
    for fps in (7.0, 24.0, 29.97, 48.0):
        film = MadeUp(length=1000, fps=fps, rest_s=3.0)
        for per_s in (100, 1000):
            lasts = [ticks(film, number, per_s) for number in range(1000)]
            off = np.cumsum(lasts[:-1]) - per_s * np.arange(1, 1000) / float(rate(film))
            assert np.abs(off).max() <= 0.5 + 1e-9 and lasts[-1] == 3 * per_s
            assert np.ptp(lasts[:-1]) <= 1
    assert ticks(MadeUp(length=1, rest_s=0.0), 0, 100) == 4  # it has its turn all the same
    assert turns(MadeUp(length=10, rest_s=0.0)) == 10


@pytest.mark.parametrize(
    ("ending", "transparent"),
    [(e, t) for e in ENDINGS for t in (False, True) if not (t and e == ".mp4")],
)
def test_a_film_gone_on_with_is_the_film(tmp_path, ending, transparent) -> None:
    """Broken off at several places by Ctrl-C; no picture is drawn again that need not be."""
    film = MadeUp(length=120, transparent=transparent, rest_s=2.5)
    whole, path = tmp_path / f"whole{ending}", tmp_path / f"film{ending}"
    write_film(film, whole)
    told: list[int] = []
    for wrong in (0, 1, 61, 118, 119):
        broken = replace(film, wrong=wrong)
        with pytest.raises(KeyboardInterrupt) as stop:
            write_film(broken, path, resume=True, progress=told.append)
        assert unfinished(path) and not path.exists()
        assert "kept" in stop.value.kept
    last = replace(film)
    write_film(last, path, resume=True, progress=told.append)
    assert files(path) == files(whole)
    assert told[-1] == 120 and hidden(tmp_path) == []
    if ending == ".gif":  # 119 is one of those the palette is made from: nothing was kept before
        return
    assert min(last.asked) >= (100 if ending == ".mp4" else 117), last.asked


@pytest.mark.parametrize("ending", ENDINGS)
def test_a_killed_film_is_gone_on_with(tmp_path, ending) -> None:
    script = (
        "import sys; from pathlib import Path; from films_made_up import MadeUp\n"
        "from poresim.show.films.files import write_film\n"
        "write_film(MadeUp(length=120, fatal=97), Path(sys.argv[1]))\n"
    )
    path, whole = tmp_path / f"film{ending}", tmp_path / f"whole{ending}"
    there = os.pathsep.join([os.path.dirname(__file__), os.environ.get("PYTHONPATH", "")])
    killed = subprocess.run(
        [sys.executable, "-c", script, str(path)],
        env={**os.environ, "PYTHONPATH": there},
    )
    assert killed.returncode == -signal.SIGKILL
    assert not path.exists() and unfinished(path)
    film = MadeUp(length=120)
    write_film(film, path, resume=True)
    write_film(MadeUp(length=120), whole)
    assert files(path) == files(whole)
    assert len(film.asked) <= (70 if ending == ".mp4" else 25), film.asked
    assert hidden(tmp_path) == []


def test_a_frame_that_is_torn_is_written_again(tmp_path) -> None:
    """As a power cut may leave it."""
    write_film(MadeUp(), tmp_path / "whole.frames")
    with pytest.raises(KeyboardInterrupt):
        write_film(MadeUp(wrong=8), tmp_path / "film.frames")
    torn = part_of(tmp_path / "film.frames") / "film" / "frame_00004.png"
    for left in (b"", torn.read_bytes()[:-1]):
        torn.write_bytes(left)
        film = MadeUp(wrong=9)
        with pytest.raises(KeyboardInterrupt):
            write_film(film, tmp_path / "film.frames", resume=True)
        assert film.asked[0] == 3
    write_film(MadeUp(), tmp_path / "film.frames", resume=True)
    assert files(tmp_path / "film.frames") == files(tmp_path / "whole.frames")


def test_a_frame_of_a_webp_is_the_box_that_changed(tmp_path) -> None:
    """RFC 9649: in an ANMF chunk half the corner, then size less one, 24 bits each."""

    class Still(MadeUp):
        def image(self, number: int) -> np.ndarray:
            return super().image(0 if number in (0, 3) else 2)

    write_film(Still(length=4), tmp_path / "film.webp")
    data, at, found = (tmp_path / "film.webp").read_bytes(), 12, []
    while at < len(data):
        size = int.from_bytes(data[at + 4 : at + 8], "little")
        if data[at : at + 4] == b"ANMF":
            numbers = data[at + 8 : at + 20]
            found.append([int.from_bytes(numbers[i : i + 3], "little") for i in (0, 3, 6, 9)])
        at += 8 + size + size % 2
    assert int.from_bytes(data[4:8], "little") == len(data) - 8
    expected = film_box(Still(length=4).image(0), Still(length=4).image(1))
    assert found == [[0, 0, 63, 47], expected, [0, 0, 0, 0], expected]


def film_box(one: np.ndarray, other: np.ndarray) -> list[int]:
    rows, columns = np.nonzero((one != other).any(axis=-1))
    x, y = columns.min() // 2, rows.min() // 2
    return [int(n) for n in (x, y, columns.max() - 2 * x, rows.max() - 2 * y)]


def test_a_torn_file_grows_on_from_its_last_whole_piece(tmp_path) -> None:
    pieces = [b"head" * 3, b"", b"one", b"two" * 100, b"three"]
    with closing(Growing(tmp_path, b"LEAD")) as file:
        for piece in pieces:
            file.append(piece)
        assert file.last(3) == b"thr"
        file.finish(b"DONE")
    film, index = ((tmp_path / name).read_bytes() for name in ("film", "index"))
    assert film == b"DONE" + b"".join(pieces)
    ends = [4 + sum(map(len, pieces[:i])) for i in range(1, 6)]
    for cut in [0, 3, 4, 5, 16, 18, 19, 320, len(film) - 1]:
        for kept in (*range(0, len(index), 7), len(index)):
            (tmp_path / "film").write_bytes(film[:cut] + b"torn" * 200 * (cut > 300))
            (tmp_path / "index").write_bytes(index[:kept] + b"torn")
            with closing(Growing(tmp_path, b"LEAD")) as file:
                whole = min(sum(end <= cut for end in ends), kept // 12) if cut >= 4 else 0
                assert file.count == whole
                for piece in pieces[whole:]:
                    file.append(piece)
                file.finish(b"DONE")
            assert (tmp_path / "film").read_bytes() == film
            assert (tmp_path / "index").read_bytes() == index
    spoilt = bytearray(film)
    spoilt[20] ^= 1  # within "two": what comes after it is not taken either
    (tmp_path / "film").write_bytes(spoilt)
    with closing(Growing(tmp_path, b"LEAD")) as file:
        assert file.count == 3


def test_an_index_that_lies_is_not_believed(tmp_path) -> None:
    """Ends far beyond the file, or before where they begin, cost no memory and no time."""
    (tmp_path / "film").write_bytes(b"x" * 50)
    for end in (2**63, 10**15, 51):
        (tmp_path / "index").write_bytes(growing._ENTRY.pack(end, 0))
        with closing(Growing(tmp_path)) as file:
            assert file.count == 0
        (tmp_path / "film").write_bytes(b"x" * 50)
    (tmp_path / "index").write_bytes(b"".join(growing._ENTRY.pack(e, 0) for e in (0, 0)))
    with closing(Growing(tmp_path)) as file:
        assert file.count == 2  # two empty pieces, both true


@pytest.mark.parametrize("ending", ENDINGS)
def test_another_films_part_is_not_taken(tmp_path, ending) -> None:
    path = tmp_path / f"film{ending}"
    film = MadeUp(length=70, wrong=69 if ending != ".gif" else 68)
    with pytest.raises(KeyboardInterrupt):
        write_film(film, path)
    part = files_below(part_of(path))
    others = [replace(film, wrong=-1, key="other"), replace(film, wrong=-1, fps=24.0)]
    for other in [*others, replace(film, wrong=-1, rest_s=0.6)]:
        with pytest.raises(FilmError, match="is another film, or of another version"):
            write_film(other, path, resume=True)
        assert files_below(part_of(path)) == part
    write_film(others[0], path)  # without resume it is begun anew
    assert others[0].asked.count(1) == 1
    write_film(others[0], tmp_path / f"whole{ending}")
    assert files(path) == files(tmp_path / f"whole{ending}")
    assert hidden(tmp_path) == []


def files_below(folder: Path) -> dict[str, bytes]:
    return {str(p): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_another_version_of_the_encoder_makes_another_film(tmp_path, monkeypatch) -> None:
    import PIL

    with pytest.raises(KeyboardInterrupt):
        write_film(MadeUp(wrong=8), tmp_path / "film.webp")
    monkeypatch.setattr(PIL, "__version__", "0.0")
    with pytest.raises(FilmError, match="of another version"):
        write_film(MadeUp(), tmp_path / "film.webp", resume=True)


def test_nothing_of_others_is_thrown_away(tmp_path) -> None:
    """Neither from a folder that is called like a part, nor from one that frames would replace."""
    part = part_of(tmp_path / "film.gif")
    part.mkdir()
    (part / "letter.txt").write_text("mine")
    with pytest.raises(FilmError, match="is no part of a film"):
        write_film(MadeUp(), tmp_path / "film.gif")
    outside = tmp_path / "outside"
    outside.write_text("mine")
    other = part_of(tmp_path / "film.webp")
    other.mkdir()
    (other / "film").symlink_to(outside)
    with pytest.raises(FilmError, match="is no part of a film"):
        write_film(MadeUp(), tmp_path / "film.webp", resume=True)
    assert outside.read_text() == "mine" and (part / "letter.txt").exists()
    (tmp_path / "frames").mkdir()
    (tmp_path / "frames" / "letter.txt").write_text("mine")
    with pytest.raises(FilmError, match="holds more than frames of a film"):
        write_film(MadeUp(), tmp_path / "frames")
    with pytest.raises(FilmError, match="is a folder"):
        (tmp_path / "folder.gif").mkdir()
        write_film(MadeUp(), tmp_path / "folder.gif")
    with pytest.raises(FilmError, match="is no folder"):
        (tmp_path / "file.frames").write_text("mine")
        write_film(MadeUp(), tmp_path / "file.frames")


@pytest.mark.parametrize("ending", ENDINGS)
def test_what_was_there_stays_until_the_film_is_whole(tmp_path, ending) -> None:
    path = tmp_path / f"film{ending}"
    write_film(MadeUp(length=20), path)
    before = files(path)
    with pytest.raises(KeyboardInterrupt):
        write_film(MadeUp(wrong=7), path)
    assert files(path) == before
    write_film(MadeUp(), path)
    assert files(path) != before
    if ending == ".frames":
        assert len(files(path)) == 13
    assert hidden(tmp_path) == []


def test_what_was_put_beside_old_frames_meanwhile_stays(tmp_path) -> None:
    path = tmp_path / "film.frames"
    write_film(MadeUp(), path)

    def put(pictures: int) -> None:
        (path / "letter.txt").write_text("mine")

    with pytest.raises(FilmStopped, match="more in it now than frames.*12 of 12 pictures are kept"):
        write_film(MadeUp(), path, progress=put)
    assert (path / "letter.txt").read_text() == "mine" and len(files(path)) == 14


def test_frames_that_were_being_replaced_come_back(tmp_path) -> None:
    """Killed between the two moves of a delivery: the old film away, the new not yet there."""
    path = tmp_path / "film.frames"
    write_film(MadeUp(length=20), path)
    before = files(path)
    with pytest.raises(KeyboardInterrupt):
        write_film(MadeUp(wrong=7), path)
    path.rename(part_of(path) / "replaced")
    with pytest.raises(KeyboardInterrupt):
        write_film(MadeUp(wrong=3), path)
    assert files(path) == before


@pytest.mark.parametrize(
    ("name", "film", "says"),
    [
        ("film.avi", MadeUp(), "is a .gif, .webp or .mp4, or a folder of frames"),
        (".gif", MadeUp(), "is a .gif, .webp or .mp4, or a folder of frames"),
        ("film.gif", MadeUp(size=(14, 48)), "16 to 7680 px each way, in even numbers"),
        ("film.gif", MadeUp(size=(64, 10**9)), "not 64 x 1000000000"),
        ("film.gif", MadeUp(size=(64, 47)), "in even numbers, not 64 x 47"),
        ("film.mp4", MadeUp(size=(-64, 48)), "not -64 x 48"),
        ("film.mp4", MadeUp(size=(7680, 7680)), "more than players show"),
        ("film.webp", MadeUp(fps=0.5), "1 to 120 pictures a second, not 0.5"),
        ("film.webp", MadeUp(fps=math.nan), "1 to 120 pictures a second, not nan"),
        ("film", MadeUp(fps=121), "1 to 120 pictures a second, not 121"),
        ("film.gif", MadeUp(fps=51), "at most 50 pictures a second, not 51"),
        ("film.webp", MadeUp(fps=100), "at most 90 pictures a second, not 100"),
        ("film.gif", MadeUp(length=0), "1 to 1000000 pictures, not 0"),
        ("film.gif", MadeUp(length=1_000_001), "1 to 1000000 pictures, not 1000001"),
        ("film.gif", MadeUp(rest_s=math.inf), "rests for 0 to 600 s, not inf"),
        ("film.gif", MadeUp(rest_s=-1), "rests for 0 to 600 s, not -1"),
        ("film.mp4", MadeUp(transparent=True), "write .webp, .gif or frames"),
    ],
)
def test_what_cannot_be_is_refused_in_one_line(tmp_path, name, film, says) -> None:
    with pytest.raises(FilmError) as refused:
        write_film(film, tmp_path / name)
    assert says in str(refused.value) and "\n" not in str(refused.value)
    assert refused.value.wrong_request
    assert list(tmp_path.iterdir()) == [] and film.asked == []


def test_without_ffmpeg_it_is_said_what_to_install(tmp_path, monkeypatch) -> None:
    monkeypatch.setitem(sys.modules, "imageio_ffmpeg", None)
    with pytest.raises(FilmError) as refused:
        write_film(MadeUp(), tmp_path / "film.mp4")
    assert str(refused.value) == "an .mp4 needs ffmpeg: pip install 'poresim[video]'"
    assert list(tmp_path.iterdir()) == []


def as_ffmpeg(tmp_path: Path, monkeypatch, script: str) -> None:
    import imageio_ffmpeg

    fake = tmp_path / "tool"
    fake.write_text(f"#!/bin/sh\nreal={imageio_ffmpeg.get_ffmpeg_exe()}\n{script}\n")
    fake.chmod(0o755)
    monkeypatch.setattr(imageio_ffmpeg, "get_ffmpeg_exe", lambda: str(fake))


@pytest.mark.parametrize(
    ("script", "why"),
    [
        ('echo "[out] broken" >&2; exit 1', "ffmpeg stopped ([out] broken)"),
        ('cat >/dev/null; echo "x: No space left on device" >&2; exit 1', "(disk full)"),
        ("kill -9 $$", "ffmpeg stopped (signal 9)"),
        ("exit 3", "ffmpeg stopped (code 3)"),
    ],
)
def test_an_encoder_that_dies_is_told_and_gone_on_from(tmp_path, monkeypatch, script, why) -> None:
    """It dies in the second segment; what the first was is not drawn again."""
    out, film = tmp_path / "out", MadeUp(length=80)
    write_film(film, tmp_path / "whole.mp4")
    with monkeypatch.context() as here:
        first = 'case "$*" in *segment_000001*) exec $real "$@";; esac'
        as_ffmpeg(tmp_path, here, f"{first}\n{script}")
        with pytest.raises(FilmStopped) as stopped:
            write_film(film, out / "film.mp4")
    text = str(stopped.value)
    assert why in text and "\n" not in text and str(out / "film.mp4") in text
    assert text.endswith("50 of 80 pictures are kept; --resume goes on")
    film.asked.clear()
    write_film(film, out / "film.mp4", resume=True)
    assert min(film.asked) == 50
    assert files(out / "film.mp4") == files(tmp_path / "whole.mp4")


@pytest.mark.parametrize("ending", [".gif", ".webp", ".frames"])
def test_a_full_disk_is_told_and_gone_on_from(tmp_path, monkeypatch, ending) -> None:
    film, path = MadeUp(), tmp_path / f"film{ending}"
    write_film(film, tmp_path / f"whole{ending}")

    def full(*_: object) -> int:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as here:
        real, room = os.write, [9]

        def write(handle: int, data: bytes) -> int:
            room[0] -= 1
            if room[0] <= 0:  # half of it still fits
                real(handle, bytes(data)[: len(data) // 2])
                full()
            return real(handle, data)

        here.setattr(growing.os, "write", write)
        if ending == ".frames":
            real_bytes = Path.write_bytes
            here.setattr(
                Path,
                "write_bytes",
                lambda p, d: full() if "0005" in p.name else real_bytes(p, d),
            )
        with pytest.raises(FilmStopped) as stopped:
            write_film(film, path)
    text = str(stopped.value)
    assert text.startswith(f"{path}: No space left on device; ")
    assert "of 12 pictures are kept; --resume goes on" in text and "\n" not in text
    write_film(film, path, resume=True)
    assert files(path) == files(tmp_path / f"whole{ending}")


def test_a_webp_that_outgrows_its_format_is_told(tmp_path, monkeypatch) -> None:
    from poresim.show.films import webp

    monkeypatch.setattr(webp, "_MOST_BYTES", 500)
    with pytest.raises(FilmStopped, match="a .webp holds at most 4 GB"):
        write_film(MadeUp(), tmp_path / "film.webp")


def test_no_encoder_is_left_behind(tmp_path, monkeypatch) -> None:
    """Nor can one be met by a Ctrl-C that is meant for us: it is no part of our session."""
    started: list[subprocess.Popen[bytes]] = []
    real = subprocess.Popen

    def start(*given: object, **options: object) -> subprocess.Popen[bytes]:
        started.append(real(*given, **options))  # type: ignore[call-overload]
        if "-version" not in given[0]:  # type: ignore[operator]
            assert os.getsid(started[-1].pid) != os.getsid(0)
        return started[-1]

    monkeypatch.setattr(subprocess, "Popen", start)
    for error in (KeyboardInterrupt, ValueError):
        with pytest.raises(error):
            write_film(MadeUp(wrong=7, error=error), tmp_path / "film.mp4")
    assert started and all(process.returncode is not None for process in started)


def test_two_at_once_do_not_meet(tmp_path) -> None:
    with locked(tmp_path / ".film.gif.lock"), pytest.raises(RecordError, match="is writing film"):
        write_film(MadeUp(), tmp_path / "film.gif")
    assert not unfinished(tmp_path / "film.gif")


@pytest.mark.parametrize("name", ["-film.mp4", "%d ;$(touch x)'\"|:é.mp4", "-i.gif", "-y.frames"])
def test_names_are_nothing_but_names(tmp_path, monkeypatch, name) -> None:
    monkeypatch.chdir(tmp_path)
    write_film(MadeUp(), Path(name))
    assert [path.name for path in tmp_path.iterdir()] == [name]


@pytest.mark.parametrize("ending", ENDINGS)
def test_memory_does_not_grow_with_the_film(tmp_path, ending) -> None:
    """Twenty times the same pictures; what Python and NumPy hold at most is as much but for 2 %."""

    class Again(MadeUp):
        shown = 20

        def __len__(self) -> int:
            return self.shown

        def image(self, number: int) -> np.ndarray:
            self.asked.clear()
            return super().image(number % 20)

    peaks = []
    for shown in (20, 20, 400):  # the first loads what is needed
        film = Again(length=20, size=(128, 96), rest_s=0.0)
        film.shown = shown
        tracemalloc.start()
        write_film(film, tmp_path / f"{len(peaks)}{ending}")
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[2] <= 1.02 * peaks[1] + 4096, peaks


def test_the_command_tells_it_in_one_line(tmp_path, monkeypatch, capsys) -> None:
    """Exit codes 2, 3 and 130, each with what is wrong or kept."""

    def execute_with(film: MadeUp, name: str) -> tuple[int, str]:
        def execute(_: object) -> int:
            write_film(film, tmp_path / name, resume=True)
            return 0

        monkeypatch.setattr(animate, "execute", execute)
        code = main.main(["animate", "x.h5"])
        return code, capsys.readouterr().err

    code, said = execute_with(MadeUp(fps=51), "film.gif")
    assert code == 2 and said.startswith("a .gif shows at most 50") and said.count("\n") == 1
    code, said = execute_with(MadeUp(wrong=7), "film.webp")
    assert (code, said) == (130, "interrupted: 7 of 12 pictures are kept; --resume goes on\n")

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(Growing, "append", full)
    code, said = execute_with(MadeUp(), "film.webp")
    assert code == 3 and said.count("\n") == 1
    assert said.startswith("not finished: ") and "7 of 12 pictures are kept" in said


def test_packed_pixels_come_back(rng) -> None:
    image = rng.integers(0, 256, (6, 8, 4), dtype=np.uint8)
    np.testing.assert_array_equal(unpacked(image.view("<u4")[..., 0]), image)
