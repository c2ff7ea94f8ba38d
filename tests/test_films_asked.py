"""``poresim animate``: what cannot be is refused in a line, what can be is the same every time."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from fakes import record_file
from films_made_up import files
from films_seen import check_words, film
from films_soaked import DROPS, WAISTED, soaked

from poresim.cli.main import main
from poresim.show.films.asked import Asked, film_of
from poresim.show.films.dunk import DunkScene
from poresim.show.films.faults import FilmError
from poresim.show.films.front import FrontScene
from poresim.show.films.section import SectionScene
from poresim.show.films.stage import Stage

SMALL = ("--size", "320x240", "--seconds", "0.5", "--fps", "4")


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    return record_file(tmp_path_factory.mktemp("asked"), liquids=2, repeats=1, cells=(4, 4, 6))


@pytest.fixture
def record(made, tmp_path, monkeypatch) -> Path:
    monkeypatch.chdir(tmp_path)
    shutil.copy(made, tmp_path / "made_up.h5")
    return Path("made_up.h5")


def refused(capsys, *words: str) -> str:
    """The one line of a refusal; nothing is left behind."""
    before = set(Path().iterdir())
    assert main(["animate", *words]) == 2
    said = capsys.readouterr()
    assert said.out == "" and said.err.count("\n") == 1, said
    assert "Traceback" not in said.err
    assert set(Path().iterdir()) == before
    return said.err


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--view", "side"), "--view must be one of section, block, front, drop, dunk, throat"),
        (("--pace", "slow"), "--pace must be one of root, even, real, got slow"),
        (("--format", "avi"), "--format must be one of gif, webp, mp4, png, got avi"),
        (("--size", "321x240"), "in even numbers, not 321 x 240"),
        (("--size", "9999999x240"), "--size is too large"),
        (("--size", "99999x99998"), "not 99999 x 99998"),
        (("--size=-320x240",), "--size must be two numbers such as 1920x1080, got -320x240"),
        (("--size", "large"), "--size must be two numbers such as 1920x1080, got large"),
        (("--size", "320"), "--size must be two numbers"),
        (("--size", "320x240x3"), "--size must be two numbers"),
        (("--size", "٣٢٠x٢٤٠"), "--size must be two numbers"),
        (("--size", "200x200"), "words need 240 px each way, got 200 x 200"),
        (("--size", "0x0"), "not 0 x 0"),
        (("--fps", "0"), "1 to 120 pictures a second, not 0"),
        (("--fps", "nan"), "1 to 120 pictures a second, not nan"),
        (("--fps", "60"), "at most 50 pictures a second, not 60"),
        (("--fps", "many"), "invalid float value"),
        (("--seconds", "0"), "--seconds must lie in 0.5 to 3600, got 0"),
        (("--seconds", "nan"), "--seconds must lie in 0.5 to 3600, got nan"),
        (("--seconds", "1e9"), "--seconds must lie in 0.5 to 3600, got 1e+09"),
        (("--until", "0"), "--until must be above 0, got 0"),
        (("--until", "-3"), "--until must be above 0, got -3"),
        (("--until", "inf"), "--until must be above 0, got inf"),
        (("--title", "-1"), "--title must lie in 0 to 60, got -1"),
        (("--title", "1000"), "--title must lie in 0 to 60, got 1000"),
        (("--turn", "1e9"), "--turn must lie in -3600 to 3600, got 1e+09"),
        (("--turn", "nan"), "--turn must lie in -3600 to 3600, got nan"),
        (("--view", "drop"), "no liquid is a drop on a face"),
        (("--format", "mp4", "--transparent"), "write .webp, .gif or frames"),
        (("--width", "9"), "unrecognized arguments: --width 9"),
    ],
)
def test_faults_of_options(record, capsys, options, says):
    assert says in refused(capsys, str(record), *options)


def test_records_without_snapshots(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    bare = record_file(tmp_path, liquids=1, repeats=1, cells=(3, 3, 4), snapshots=0)
    for view in ("section", "block", "dunk", "throat"):
        assert "no repeat has snapshots" in refused(capsys, str(bare), "--view", view)
    assert main(["animate", str(bare), "--view", "front", *SMALL]) == 0


def test_too_many_liquids_for_the_picture(record, capsys):
    line = refused(capsys, *[str(record)] * 8, "--size", "240x240")
    assert "16 liquids do not fit into a picture of 240 x 240" in line


def test_nothing_is_replaced_unasked(record, capsys):
    assert main(["animate", str(record), *SMALL]) == 0
    said = capsys.readouterr()
    assert said.out == "film:  made_up.gif (2 frames)\n" and said.err == ""
    first = Path("made_up.gif").read_bytes()
    assert "made_up.gif: exists; --force replaces it" in refused(capsys, str(record), *SMALL)
    assert main(["animate", str(record), *SMALL, "--dark", "--force"]) == 0
    assert Path("made_up.gif").read_bytes() != first
    assert main(["animate", str(record), *SMALL, "--out", "elsewhere"]) == 0
    assert Path("elsewhere/made_up.gif").read_bytes() == first


@pytest.mark.parametrize("kind", ["gif", "webp", "png"])
def test_the_same_bytes_twice_and_when_gone_on_with(record, capsys, monkeypatch, kind):
    fps, stop = ("8", 5) if kind == "gif" else ("4", 2)  # its palette is made first, of some
    words = ["animate", str(record), "--format", kind, *SMALL[:2], "--fps", fps, "--seconds", "1"]
    ending = {"gif": "gif", "webp": "webp", "png": "frames"}[kind]
    assert main([*words, "--out", "a"]) == 0
    assert main([*words, "--out", "b"]) == 0
    assert files(Path(f"a/made_up.{ending}")) == files(Path(f"b/made_up.{ending}"))
    whole = Stage.image

    def broken(self: Stage, number: int) -> np.ndarray:
        if number == stop:
            raise KeyboardInterrupt
        return whole(self, number)

    monkeypatch.setattr(Stage, "image", broken)
    capsys.readouterr()
    assert main([*words, "--out", "c"]) == 130
    assert "--resume goes on" in capsys.readouterr().err
    assert not Path(f"c/made_up.{ending}").exists()
    monkeypatch.setattr(Stage, "image", whole)
    assert "is another film" in refused(capsys, *words[1:], "--dark", "--out", "c", "--resume")
    assert main([*words, "--out", "c", "--resume"]) == 0
    assert files(Path(f"a/made_up.{ending}")) == files(Path(f"c/made_up.{ending}"))
    assert [path.name for path in Path("c").iterdir()] == [f"made_up.{ending}"]


def test_a_film_that_replaces_another_is_gone_on_with(record, capsys, monkeypatch):
    words = ["animate", str(record), *SMALL, "--format", "webp"]
    assert main([*words, "--dark"]) == 0
    before = Path("made_up.webp").read_bytes()
    with monkeypatch.context() as here:
        here.setattr(Stage, "image", lambda *_: (_ for _ in ()).throw(KeyboardInterrupt))
        assert main([*words, "--force"]) == 130
    assert Path("made_up.webp").read_bytes() == before
    capsys.readouterr()
    assert "exists; --force replaces it" in refused(capsys, *words[1:], "--resume")
    assert main([*words, "--force", "--resume"]) == 0
    assert Path("made_up.webp").read_bytes() != before


def test_as_json(record, capsys):
    assert main(["animate", str(record), *SMALL, "--view", "front", "--title", "1", "--json"]) == 0
    said = capsys.readouterr()
    told = json.loads(said.out)
    assert told["film"] == "made_up-front.gif" and told["frames"] == 6
    assert told["times_s"][0] == 0 and len(told["times_s"]) == 2
    assert Path("made_up-front.gif").is_file()


def test_records_side_by_side(record, capsys):
    """Liquids of all records, by name; the film ends with the longest."""
    shutil.copy(record, "other.h5")
    assert main(["animate", str(record), "other.h5", *SMALL, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["times_s"][-1] == 20.0
    from poresim.record.reading import load_record

    records = [load_record(path) for path in (record, Path("other.h5"))]
    scene = SectionScene(records)
    assert [one.name for one in scene.series] == [
        "clear broth, made up", "gum broth, made up", "clear broth, other", "gum broth, other",
    ]  # fmt: skip
    assert len({one.place for one in scene.series}) == 4


def test_how_long_it_lasts_and_shows(tmp_path):
    record = soaked(WAISTED, tmp_path)
    usual = film_of([record], Asked("dunk", size=(320, 240), seconds=2, fps=10))
    assert len(usual) == 20 and usual.times[-1] == 0.5 and usual.rest_s == 2.0
    short = film_of([record], Asked("dunk", size=(320, 240), seconds=2, fps=10, until_s=0.1))
    assert short.times[-1] == 0.1
    real = film_of([record], Asked("dunk", size=(320, 240), fps=20, pace="real"))
    assert len(real) == 10 and real._pace.words == "real time"
    beyond = film_of([record], Asked("dunk", size=(320, 240), until_s=1e6))
    assert beyond.times[-1] == 0.5  # nothing is known of later
    titled = film_of([record], Asked("dunk", size=(320, 240), seconds=2, fps=10, title_s=1.5))
    assert len(titled) == 35 and len(titled.times) == 20
    with pytest.raises(FilmError, match="words need 240 px"):
        film_of([record], Asked("dunk", size=(320, 200)))


def test_a_view_of_drops_shows_drops(tmp_path):
    one = film_of([soaked(DROPS, tmp_path)], Asked("drop", (320, 240), seconds=0.5, fps=4))
    assert len(one) == 2


HOSTILE = (
    "a\x1b[31m\nb\x07 \x00c",
    "$x^2$ $\\frac{1}{$ \\bad & <b>",
    "\u202eright to left\u202c and back",
    "x" * 5000,
    "word " * 1000,
    "",
    "\u0301" * 50,
)


@pytest.mark.parametrize("title", HOSTILE)
def test_hostile_titles_are_words(tmp_path, title):
    """Whole on the page, off the clock, and nothing in them is obeyed."""
    scene = DunkScene([soaked(WAISTED, tmp_path)])
    one = film(scene, [0.0, scene.until_s], (640, 360), title=title)
    one.image(1)
    check_words(one, scene.panels.cells)
    said = one._page.figure.texts[0].get_text() if title else ""
    assert not any(ord(c) < 32 and c != "\n" for c in said)
    assert "\u202e" not in said
    if title.startswith("$"):
        assert "$x^2$" in said
    assert one._titled().shape == (360, 640, 4)


def test_hostile_names_are_words(tmp_path):
    record = soaked(WAISTED, tmp_path)
    liquids = [replace(record.liquids[0], name=name) for name in HOSTILE[:4]]
    hostile = replace(record, liquids=liquids)
    for scene in (DunkScene([hostile]), FrontScene([hostile])):
        one = film(scene, [0.0, scene.until_s], (640, 360))
        one.image(1)
        check_words(one)
        said = [name.get_text() for name in one._page.figure.texts]
        assert not any("\x1b" in text or "\u202e" in text for text in said)
        assert any("$x^2$" in text for text in said)
