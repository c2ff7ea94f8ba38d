"""The page of a run in a real browser: nothing leaves it, all of it is seen, read and reached."""

from __future__ import annotations

import re
from pathlib import Path

import h5py
import pytest
from reported import change, made_up
from test_report import BIDI, COMMENT, IMAGE, SCRIPT, hostile

from poresim.record.reading import load_record
from poresim.show.report.page import page

LEAST_CONTRAST = 4.5  # WCAG 2.1, 1.4.3 (AA), of text that is not large
LEAST_OUTLINE = 3.0  # WCAG 2.1, 1.4.11 (AA)
PAPER_PX = (178 / 25.4 * 96, 261 / 25.4 * 96)  # A4 within the margins of the style sheet
WIDTHS = (360, 1024, 1920)


@pytest.fixture(scope="module")
def shown(browser, tmp_path_factory) -> Path:
    """A page that has all there is: two runs, one of them unfinished, with a failed soak."""
    folder = tmp_path_factory.mktemp("pages")
    bad = change(made_up(folder, name="cut_short", complete=False), 2, 1, ending="NOT_CONVERGED")
    with h5py.File(bad, "r+") as file:
        del file["liquids/1/repeats/1"]
    records = [load_record(made_up(folder)), load_record(bad)]
    path = folder / "page.html"
    path.write_text(page(records).text, encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def attacked(browser, tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("hostile")
    path = folder / "page.html"
    path.write_text(page([load_record(hostile(folder))]).text, encoding="utf-8")
    return path


def asks_nothing(browser, path: Path) -> None:
    assert browser.console() == []
    asked = [one for one in browser.asked_for() if not one.startswith("data:")]
    assert asked == [path.as_uri()]


@pytest.mark.parametrize("width", WIDTHS)
def test_it_is_quiet_and_fits(browser, shown, width):
    browser.open(shown, width)
    asks_nothing(browser, shown)
    assert browser.overflow() == []
    column = browser.run("return document.querySelector('main').getBoundingClientRect().width")
    assert column <= 710  # some seventy letters


def test_every_picture_is_there_and_says_what_it_shows(browser, shown):
    browser.open(shown)
    pictures = browser.pictures()
    assert len(pictures) == 3
    for one in pictures:
        assert one["width"] > 0 and one["height"] > 100
        assert len(one["alt"]) > 60
    shapes = browser.run(
        "return [...document.images].map(i => [i.naturalWidth / i.naturalHeight, "
        "i.getAttribute('width') / i.getAttribute('height')])"
    )
    for found, said in shapes:
        assert found == pytest.approx(said, rel=0.01)  # nothing jumps while it loads


@pytest.mark.parametrize("dark", [False, True])
def test_every_text_stands_out(browser, shown, dark):
    browser.open(shown, 1024, dark)
    ground = browser.run("return getComputedStyle(document.documentElement).backgroundColor")
    assert (sum(map(int, re.findall(r"\d+", ground))) < 200) == dark
    texts = browser.texts()
    assert len(texts) > 300
    assert [one for one in texts if one[0] < LEAST_CONTRAST] == []


def test_the_keyboard_reaches_all_and_shows_where_it_is(browser, shown):
    browser.open(shown, 360)
    wanted = browser.reachable()
    stops = browser.tab_stops()
    assert len(wanted) > 15
    missed = {name for place, name in wanted.items() if place not in {s["place"] for s in stops}}
    assert missed == set()
    assert stops[0]["name"] == "Go to the answer"
    assert [s for s in stops if s["outline"] < LEAST_OUTLINE or not s["seen"]] == []


def test_headings_are_in_order(browser, shown):
    browser.open(shown)
    levels = browser.headings()
    assert levels.count(1) == 1 and levels[0] == 1
    assert all(after <= before + 1 for before, after in zip(levels, levels[1:], strict=False))


def test_links_lead_somewhere_on_the_page(browser, shown):
    browser.open(shown)
    dead = browser.run(
        "return [...document.links].map(a => a.getAttribute('href'))"
        ".filter(h => !h.startsWith('#') || !document.querySelector(h))"
    )
    assert dead == []


def test_what_went_wrong_is_seen_first(browser, shown):
    browser.open(shown, 360)
    above, text = browser.run(
        "const a = document.querySelector('.alarm');"
        "return [a.getBoundingClientRect().top < document.querySelector('main')"
        ".getBoundingClientRect().top, a.innerText]"
    )
    assert above
    assert "not finished: 5 of 6 soaks" in text
    assert "cut short: " in text and "spiced broth, solid 1" in text


def test_it_prints_whole(browser, shown):
    """On paper nothing scrolls: all is spread out, and no figure is wider or taller than a page."""
    browser.open(shown)
    browser.size(round(PAPER_PX[0]))
    browser.mode("dark", "print")
    figures, hidden, cut, ground = browser.run(
        "const all = s => [...document.querySelectorAll(s)];"
        "return [all('#pictures figure').map(f => f.getBoundingClientRect())"
        ".map(r => [r.left, r.right, r.height]),"
        "all('nav, .skip').map(e => getComputedStyle(e).display),"
        "all('.scroll').filter(e => e.scrollWidth > e.clientWidth + 1 "
        "|| e.scrollHeight > e.clientHeight + 1).map(e => e.getAttribute('aria-label')),"
        "getComputedStyle(document.body).color]"
    )
    assert len(figures) == 3
    for left, right, height in figures:
        assert left >= 0 and right <= PAPER_PX[0] + 1 and height <= PAPER_PX[1]
    assert set(hidden) == {"none"}
    assert cut == []
    assert sum(map(int, re.findall(r"\d+", ground))) < 200  # dark ink, in dark mode too
    browser.mode("light")
    printed = browser.pdf()
    pages = len(re.findall(rb"/Type\s*/Page\b", printed))
    assert 6 <= pages <= 20
    assert len(re.findall(rb"/Subtype\s*/Image\b", printed)) >= 1


def test_text_from_a_record_does_nothing(browser, attacked):
    browser.open(attacked, 360)
    asks_nothing(browser, attacked)
    assert browser.run("return document.title") == SCRIPT
    counts = browser.run(
        "return ['script', 'style', 'img:not([src^=\"data:\"])', '[onerror]', 'main', 'pre code'"
        ", 'pre.scenario']"
        ".map(s => document.querySelectorAll(s).length)"
    )
    assert counts == [0, 1, 0, 0, 1, 2, 1]
    assert browser.run("return getComputedStyle(document.querySelector('h1')).display") == "block"
    text = browser.run("return document.body.innerText")
    for one in (SCRIPT, IMAGE, COMMENT, BIDI.replace("\u202e", "⟨U+202E⟩").split("\u2066")[0]):
        assert one in text
    assert browser.overflow() == []
    assert all(one["alt"] for one in browser.pictures())


def test_the_checks_themselves_see_what_is_wrong(browser, tmp_path):
    """A page with a fault of every kind: each is found, so that their silence means something."""
    bad = tmp_path / "bad.html"
    bad.write_text(
        "<!doctype html><html lang=en><meta name=viewport content='width=device-width'>"
        "<title>bad</title><h1>x</h1><h3>y</h3><p style='color:#999'>grey</p>"
        "<p style='color:#000; opacity: .5'>faint</p>"
        "<p style='width:2000px'>wide</p><img src='http://example.org/a.png'>"
        "<a href='#x' style='outline:none'>bare</a><a href='#x' tabindex=-1>lost</a>"
        "<script>console.warn('loud')</script>"
    )
    browser.open(bad, 360)
    assert browser.headings() == [1, 3]
    low = {text for ratio, text in browser.texts() if ratio < LEAST_CONTRAST}
    assert low == {"grey", "faint"}
    black = next(ratio for ratio, text in browser.texts() if text == "x")
    assert black == pytest.approx(21.0)  # WCAG: black on white
    assert "the page" in browser.overflow()
    assert browser.pictures()[0]["width"] == 0
    stops = browser.tab_stops()
    assert [(one["name"], one["outline"]) for one in stops] == [("bare", 0)]
    assert list(browser.reachable().values()) == ["A bare", "A lost"]
    assert any("loud" in one for one in browser.console())
    assert "http://example.org/a.png" in browser.asked_for()
