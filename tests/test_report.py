"""The page of a run: every section, the summary's own numbers, nothing that could act on it."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import math
import os
import shutil
import tomllib
from pathlib import Path

import h5py
import numpy as np
import pytest
from reported import SCENARIO, Pieces, change, key_of, made_up
from small import TWO_BROTHS

from poresim.cli.main import main
from poresim.ensemble.request import header_of
from poresim.outcome.cautions import CAUTIONS
from poresim.outcome.spread import spread
from poresim.outcome.summary import Summary
from poresim.outcome.words import headline
from poresim.record import reading
from poresim.record.layout import FORMAT, RecordError
from poresim.record.reading import load_record
from poresim.record.summaries import summaries
from poresim.scenario.comments import comments
from poresim.scenario.reading import load_scenario
from poresim.show.report import numbers
from poresim.show.report import page as module
from poresim.show.report.alts import alt
from poresim.show.report.answer import answer
from poresim.show.report.assumed import assumed
from poresim.show.report.checks import endings, runs_of
from poresim.show.report.page import page
from poresim.show.report.visible import held, visible
from poresim.show.series import series_of

SECTIONS = [
    "question", "answer", "pictures", "numbers", "assumed", "checks", "cautions", "repeat",
]  # fmt: skip


@pytest.fixture(scope="module")
def path(tmp_path_factory) -> Path:
    return made_up(tmp_path_factory.mktemp("report"))


@pytest.fixture(scope="module")
def made(path) -> tuple[str, list[tuple[str, object]]]:
    """The page, drawn once, and which snapshots were read for it."""
    read = []
    whole = reading._Rows.__getitem__

    def counted(self, index):
        read.append((self.name, index))
        return whole(self, index)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(reading._Rows, "__getitem__", counted)
        return page([load_record(path)]).text, read


@pytest.fixture(scope="module")
def text(made) -> str:
    return made[0]


@pytest.fixture(scope="module")
def pieces(text) -> Pieces:
    return Pieces(text)


@pytest.fixture
def undrawn(monkeypatch) -> None:
    """Figures take their time: tests of what stands beside them do without."""
    monkeypatch.setattr(module, "pictures", lambda *_: ([], []))


def plain(text: str) -> str:
    return " ".join(text.replace("\u00a0", " ").split())


# ---- what stands on the page -----------------------------------------------------------------


def test_every_section_stands_there_in_its_order(pieces):
    assert [one.attributes["id"] for one in pieces.all("section")] == SECTIONS
    assert [one.attributes["href"] for one in pieces.all("a") if "nav#" in one.inside] == [
        f"#{name}" for name in SECTIONS
    ]
    assert len(pieces.all("h1")) == 1
    assert pieces.all("html")[0].attributes["lang"] == "en"


def test_title_date_and_question(pieces):
    assert pieces.text_of("h1") == "A rusk in three broths"
    assert pieces.text_of("time") == "4 March 2026, 05:06 UTC"
    question = plain(pieces.all("p", "question")[0].text)
    assert question == (
        "How far and how fast does each of three liquids (clear broth, gum broth, spiced broth) "
        "soak into “twice-baked rusk” by its bottom face, within 20 s?"
    )


def test_the_answer_is_the_sentence_that_a_run_prints(path, pieces):
    assert pieces.text_of("p", class_="answer") == headline(summaries(load_record(path)))


#: How many of a unit make one of SI's; the fields themselves bear theirs in their names.
FACTORS = {
    "": 1, "s": 1, "%": 100, "% of its rise": 100, "mg": 1e6, "µL": 1e9, "mN": 1e3, "°": 1,
    "1/s": 1, "mPa s": 1e3, "kg/(m² √s)": 1, "mm/√min": 1,
}  # fmt: skip


def test_drops_are_told_apart_from_what_is_none(path):
    """Side by side with a soak by a face, of which there is nothing to be left on top."""
    faces = series_of([load_record(path)])
    left, never = spread([0.25, 0.25]), spread([math.nan, math.nan])
    summary = dataclasses.replace(
        faces[1].summary, name="a drop", drop_left_share=left, drop_half_s=never,
        drop_gone_s=never, drop_count=spread([1.0, 1.0]), drop_angle_deg=spread([60.0, 60.0]),
    )  # fmt: skip
    said = answer([], [faces[0], dataclasses.replace(faces[1], summary=summary)])
    assert said.sentence == (
        f"{headline([faces[0].summary])} A drop still has 25 % on top after 20 s."
    )
    assert [head for head, _ in said.details] == ["Drops", "Pores filled, and when"]


def test_of_many_liquids_the_answer_tells_of_the_first_and_the_last(path):
    several = series_of([load_record(path)]) * 2
    names = [f"broth {n}" for n in range(6)]
    series = [
        dataclasses.replace(one, summary=dataclasses.replace(one.summary, name=name))
        for one, name in zip(several, names, strict=True)
    ]
    said = answer([], series)
    whole = headline([one.summary for one in series]).split("; ")
    assert said.sentence == f"{whole[0]}; {whole[-1]}"
    assert [len(rows) for _, rows in said.details] == [6]


def test_every_number_is_the_summarys(path, pieces):
    """Read back from the page: median in full and as shown, lowest, highest, how many have one."""
    found = summaries(load_record(path))
    rows = _rows(pieces)
    told = 0
    for fields in numbers._BLOCKS.values():
        for name, label, unit, _, _ in fields:
            factor = FACTORS[unit]
            spreads = [numbers._spread(one, name) for one in found]
            key = plain(f"{label} ({unit})" if unit else label)
            if not any(one.reached for one in spreads) or key not in rows:
                assert key not in rows
                continue
            assert len(rows[key]) == len(found)
            for (shown, exact, ranged), one in zip(rows[key], spreads, strict=True):
                if not math.isfinite(one.median):
                    assert exact is None
                    continue
                assert float(exact) == pytest.approx(factor * one.median, rel=1e-15)
                assert _number(shown) == pytest.approx(factor * one.median, rel=5.1e-3)
                if ranged:
                    low, high = map(_number, ranged.split(" to "))
                    assert low == pytest.approx(factor * one.low, rel=5.1e-3)
                    assert high == pytest.approx(factor * one.high, rel=5.1e-3)
                else:
                    assert one.high == pytest.approx(one.low, rel=1.1e-2)
                told += 1
    assert told > 40
    assert rows["Solids"] == [("2", None, "")] * 3


def _rows(pieces: Pieces) -> dict[str, list[tuple[str, str | None, str]]]:
    """Name of a row -> what each cell shows, its exact value, its range."""
    rows: dict[str, list[tuple[str, str | None, str]]] = {}
    cells: list[tuple[str, str | None, str]] = []
    for one in pieces.elements:
        if "section#numbers" not in one.inside:
            continue
        if one.tag == "th" and one.attributes["scope"] == "row":
            cells = rows.setdefault(plain(one.text), [])
        elif one.tag == "td":
            cells.append((plain(one.text), None, ""))
        elif one.tag == "data":
            cells[-1] = (one.text, one.attributes["value"], "")
        elif one.tag == "span" and one.attributes.get("class") == "range" and cells[-1][1]:
            cells[-1] = (*cells[-1][:2], plain(one.text))
    return rows


def _number(text: str) -> float:
    return float(text.replace("\u202f", ""))


def test_no_figure_of_the_summary_is_forgotten():
    told = {name.split(" ")[0] for rows in numbers._BLOCKS.values() for name, *_ in rows}
    spreads = {name for name, kind in Summary.__annotations__.items() if "Spread" in kind}
    assert told == spreads


def test_a_figure_that_some_solids_never_reach_says_so():
    cell = numbers._cell(spread([1.0, math.nan, 3.0]), "never", 1.0)
    assert (cell.median, cell.low, cell.high, cell.some) == ("3", "1", "3", "in 2 of 3")
    cell = numbers._cell(spread([math.nan, math.nan, 3.0]), "never", 1.0)
    assert (cell.median, cell.exact, cell.low, cell.some) == ("never", "", "3", "in 1 of 3")
    assert numbers._cell(spread([math.nan]), "never", 1.0).median == "never"


def test_many_liquids_are_told_in_several_tables(path):
    one = series_of([load_record(path)])[0]
    groups = numbers.groups([one] * 10)
    assert [len(group.series) for group in groups] == [5, 5]
    assert all(len(line.cells) == 5 for g in groups for b in g.blocks for line in b.lines)


def test_what_the_spread_means(pieces, path):
    said = plain(pieces.all("p", "numbers")[0].text)
    assert "median over 2 solids" in said
    assert "does not hold what is not known of the values" in said
    one = summaries(load_record(path))[0]
    alone = dataclasses.replace(one, repeats=1)
    assert "one solid" in numbers.solids([alone])
    assert "2 to 1" not in numbers.solids([one, alone])


def test_pictures_say_what_they_show_with_numbers(path, pieces):
    images = pieces.all("img")
    assert len(images) == len(pieces.all("figcaption", "pictures")) == 3
    found = summaries(load_record(path))
    for image in images:
        alt = image.attributes["alt"]
        assert image.attributes["src"].startswith(("data:image/png;base64,", "data:image/svg+xml;"))
        assert all(one.name in alt.lower() for one in found), alt
        assert sum(c.isdigit() for c in alt) >= 3, alt
        assert int(image.attributes["width"]) > 500
    assert "100 % of the pores are full in the end" in images[0].attributes["alt"]


def test_of_many_liquids_a_picture_tells_of_some(path):
    series = series_of([load_record(path)])
    text = alt("front", series * 4)
    assert text.endswith("6 more liquids: see the table of numbers.")
    assert text.count("has come through") + text.count("mm deep") == 6


def test_a_figure_that_cannot_be_drawn_is_named(tmp_path, monkeypatch):
    said = "no section figure: no repeat has snapshots of Every liquid"
    monkeypatch.setattr(module, "pictures", lambda *_: ([], [said]))
    text = page([load_record(made_up(tmp_path))]).text
    assert "No section figure: no repeat has snapshots of Every liquid." in text
    assert "There is no figure" in text


def test_tables_are_tables(pieces):
    for table in pieces.all("table"):
        assert table.text.strip()
    assert len(pieces.all("caption")) == len(pieces.all("table"))
    assert all(one.attributes["scope"] for one in pieces.all("th"))


def test_nothing_is_fetched_and_nothing_runs(pieces):
    policy = [m for m in pieces.all("meta") if m.attributes.get("http-equiv")]
    assert [m.attributes["http-equiv"] for m in policy] == ["Content-Security-Policy"]
    assert policy[0].attributes["content"].startswith("default-src 'none'; ")
    assert "script" not in policy[0].attributes["content"]
    assert not pieces.all("script") + pieces.all("link") + pieces.all("iframe")
    for one in pieces.elements:
        for name, value in one.attributes.items():
            assert not name.startswith("on")
            if name in ("src", "href", "action", "srcset"):
                assert value.startswith(("#", "data:image/")), (name, value[:40])
    style = pieces.all("style")[0].text
    assert "url(" not in style and "@import" not in style


# ---- what was assumed ------------------------------------------------------------------------


def test_comments_stand_with_what_they_are_of():
    said = comments(SCENARIO)
    assert said[()] == "Three broths, one rusk.  INVENTED DATA. Nobody measured these."
    assert said["solid", "size_mm"] == "a small piece, as deep as it is"
    assert said["solid", "tubes"] == "Invented: wide cells joined by narrow throats."
    assert said["liquids", 0, "contact_angle_deg"] == '"# advancing"'
    assert said["liquids", 1, "name"] == "thick"
    assert len(said) == 5


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('a = "# no" # yes', {("a",): "yes"}),
        ("a = [1, # inside\n 2] # behind\n", {("a",): "behind"}),
        ('a = """\n# no\n"""\n# of b\nb = 1', {("b",): "of b"}),
        ("# of the file\n\n# and of a\r\na = 1\r\n", {(): "of the file  and of a"}),
        ("[t] # table\na.b = 1 # deep", {("t",): "table", ("t", "a", "b"): "deep"}),
        ("a = 1\n# last", {}),
        ("", {}),
        ("= not TOML # at all", {}),
    ],
)
def test_where_comments_stand(text, said):
    assert comments(text) == said


def test_values_in_words(pieces):
    found = assumed(SCENARIO)
    assert found.readable
    rows = {(s.name, r.name): r for s in found.subjects for r in s.rows}
    solid = "The solid: twice-baked rusk"
    assert rows[solid, "Size (x, y and the depth z)"].value == "0.4 × 0.4 × 0.6 mm"
    tubes = rows[solid, "Tubes"]
    assert tubes.value == (
        "lognormal law, median radius 15 µm, standard deviation of ln(radius) 0.5, "
        "waist (narrowest radius over radius) 0.5"
    )
    assert tubes.said == "Invented: wide cells joined by narrow throats."
    tension = rows["clear broth", "Surface tension"].value
    assert tension == "52 (standard deviation 0.8) mN/m"
    assert rows["gum broth", "Viscosity"].value == (
        "Herschel-Bulkley law, yield stress 0.02 Pa, consistency 0.12 Pa sⁿ, flow index 0.5"
    )
    taken = rows["gum broth", "As clear broth"]
    assert taken.taken and "advancing contact angle: 48°" in taken.value
    assert "density" not in taken.value  # its own
    assert (
        "share of its flow that a closed throat keeps: 0.02" in rows["spiced broth", "Grains"].usual
    )
    offered = {s.name: s for s in found.subjects}["How the liquid is offered"]
    assert offered.usual == "gravity: yes; air: free"
    assert "Not stated, so as usual" in " ".join(one.text for one in pieces.all("th", "assumed"))


def test_what_is_invented_is_said(pieces):
    head = " ".join(one.text for one in pieces.all("p") if "header#" in one.inside)
    assert "Invented example values" in head
    note = plain(" ".join(one.text for one in pieces.all("p", "assumed")))
    assert "calls values invented, in 2 of its remarks" in note
    found = assumed(SCENARIO)
    assert f"{found.unsaid} of its {found.stated} statements" in note
    assert (found.unsaid, found.stated) == (12, 15)


def test_a_scenario_that_calls_nothing_invented_is_not_called_measured(tmp_path, undrawn):
    path = made_up(tmp_path, SCENARIO.replace("INVENTED", "SOME").replace("Invented", "Some"))
    text = page([load_record(path)]).text
    assert "Invented example values" not in text
    assert "which does not make them measured" in text


@pytest.mark.parametrize(
    "scenario",
    ["", "this is = not [TOML", "title = 1\nsolid = 3\nliquids = [1, {}]", "a." * 90 + "a=1"],
)
def test_a_scenario_that_cannot_be_read_is_shown_as_it_is(tmp_path, undrawn, scenario):
    pieces = Pieces(page([load_record(made_up(tmp_path, scenario))]).text)
    assert _scenario(pieces) == [scenario]
    readable = assumed(scenario).readable
    said = " ".join(one.text for one in pieces.all("p", "assumed"))
    assert ("cannot be read as one" in said) == (not readable)


# ---- checks ----------------------------------------------------------------------------------


def verdicts(path: Path) -> dict[str, str]:
    made = page([load_record(path)])
    return {one["name"].split("(")[0].strip(): one["verdict"] for one in made.told["checks"]}


def test_a_sound_run_passes(path, undrawn):
    found = verdicts(path)
    assert len(found) == 4
    assert set(found.values()) == {"passed"}
    assert "Read this first" not in page([load_record(path)]).text


def test_an_unfinished_run_is_said_loudly(tmp_path, undrawn):
    path = made_up(tmp_path, complete=False)
    with h5py.File(path, "r+") as file:
        del file["liquids/1/repeats/1"]
    made = page([load_record(path)])
    alarm = Pieces(made.text).text_of("div", class_="alarm")
    assert "Read this first." in alarm
    assert "not finished: 5 of 6 soaks are in the record" in alarm
    assert verdicts(path)["Every soak is finished"] == "FAILED"


def test_a_record_that_lacks_soaks_cannot_pass_as_complete(tmp_path, undrawn):
    path = made_up(tmp_path)
    with h5py.File(path, "r+") as file:
        del file["liquids/1/repeats/1"]
    assert verdicts(path)["Every soak is finished"] == "FAILED"
    assert "Only 5 of the 6 soaks" in page([load_record(path)]).text


def test_a_failed_soak_is_said_loudly(tmp_path, undrawn):
    path = change(made_up(tmp_path), 2, 1, ending="NOT_CONVERGED")
    made = page([load_record(path)])
    pieces = Pieces(made.text)
    assert "spiced broth, solid 1: the pressures could not be solved" in pieces.text_of(
        "div", class_="alarm"
    )
    assert verdicts(path)["The pressures were solved in every soak"] == "FAILED"
    rows = [
        one.text for one in pieces.all("span") if one.attributes.get("class") == "verdict failed"
    ]
    assert len(rows) == 2  # of the check, and of the soak that ended so
    assert "1 of 6 were not" in made.text


@pytest.mark.parametrize("balance", [1.01e-4, 0.5, math.nan, math.inf])
def test_volumes_that_do_not_balance_are_said_loudly(tmp_path, undrawn, balance):
    path = change(made_up(tmp_path), 0, 0, volume_balance=balance)
    text = page([load_record(path)]).text
    assert "Do not trust this run." in text
    assert "FAILED" in verdicts(path).values()


def test_volumes_that_just_balance_pass(tmp_path, undrawn):
    path = change(made_up(tmp_path), 0, 0, volume_balance=1e-4)  # accuracy 0.01 over 100
    assert set(verdicts(path).values()) == {"passed"}


def test_work_outside_a_measured_flow_curve_is_told(tmp_path, undrawn):
    path = change(made_up(tmp_path), 1, 0, extrapolated_share=np.array([0.02, 0.4]))
    found = page([load_record(path)]).told["checks"]
    one = next(c for c in found if "flow curve of gum broth" in c["name"])
    assert one["verdict"] == "caution" and "42 % outside" in one["found"]
    change(path, 1, 0, extrapolated_share=np.array([0.02, 0.01]))
    assert verdicts(path)["Work within the measured flow curve of gum broth"] == "passed"


def test_every_soak_is_accounted_for(path, pieces):
    rows = [one.text for one in pieces.all("td", "checks")]
    assert "0, 1" in rows
    record = load_record(path)
    assert sum(one.count for one in endings(record)) == record.soaks


def test_numbers_of_solids_are_drawn_together():
    assert runs_of([3, 0, 1, 2, 7]) == "0 to 3, 7"
    assert runs_of([0, 1]) == "0, 1"
    assert runs_of([4]) == "4"


# ---- how to repeat it ------------------------------------------------------------------------


def _scenario(pieces: Pieces) -> list[str]:
    found = [p.text for p in pieces.all("pre") if p.attributes.get("class") == "scenario"]
    return [one.removeprefix("\n") for one in found]


def test_the_scenario_stands_there_to_the_letter(pieces):
    assert _scenario(pieces) == [SCENARIO]
    assert tomllib.loads(_scenario(pieces)[0])["seed"] == 11


def test_a_leading_line_end_is_kept(tmp_path, undrawn):
    """Browsers drop one line end after <pre>: that one is ours."""
    text = page([load_record(made_up(tmp_path, "\n\n" + SCENARIO))]).text
    assert '<pre class="scenario">\n\n\n# Three' in text


def test_how_to_repeat_it(path, pieces, text):
    record = load_record(path)
    said = plain(" ".join(one.text for one in pieces.all("code", "repeat")))
    for word in ("poresim run three_broths.toml", record.key, key_of(SCENARIO)):
        assert word in said
    assert "poresim report results/three_broths/three_broths.h5" in said
    assert hashlib.sha256(SCENARIO.encode()).hexdigest() in said
    assert hashlib.sha256(path.read_bytes()).hexdigest() in said
    assert f"poresim {record.version}" in plain(
        " ".join(o.text for o in pieces.all("td", "repeat"))
    )


def test_the_key_is_checked_against_the_scenario(tmp_path, undrawn):
    """Against the key that a run makes of its own scenario file."""
    (tmp_path / "small.toml").write_text(TWO_BROTHS)
    key = header_of(load_scenario(tmp_path / "small.toml")).key
    text = TWO_BROTHS.replace("repeats = 3", "repeats = 2")
    name = "The scenario below is the one that was run"
    assert verdicts(made_up(tmp_path, TWO_BROTHS, key=key))[name] == "passed"
    other = made_up(tmp_path, text, key=key, name="other")
    assert verdicts(other)[name] == "FAILED"
    assert "not the one that its numbers are from" in page([load_record(other)]).text
    needs = SCENARIO.replace('law = "newtonian", mPa_s = 1.2', 'law = "measured", file = "a b.csv"')
    made = page([load_record(made_up(tmp_path, needs, name="needs"))])
    assert {c["name"]: c["verdict"] for c in made.told["checks"]}[name] == "not known"
    assert "lay beside it <code>a b.csv</code>" in made.text


def test_cautions(pieces):
    items = [plain(one.text) for one in pieces.all("li", "cautions")]
    assert items[: len(CAUTIONS)] == list(CAUTIONS)
    text = " ".join(items)
    for word in (
        "scald",
        "allergens",
        "Do not eat test samples",
        "texture-modified",
        "Local codes",
    ):
        assert word in text


# ---- several records -------------------------------------------------------------------------


def test_records_side_by_side(path, tmp_path, undrawn):
    other = made_up(tmp_path, SCENARIO.replace("seed = 11", "seed = 12"), "other", title="Again")
    pieces = Pieces(page([load_record(path), load_record(other)]).text)
    assert pieces.text_of("h1") == "A rusk in three broths; Again"
    assert len(_scenario(pieces)) == 2 and "seed = 12" in _scenario(pieces)[1]
    heads = [one.text for one in pieces.all("th", "numbers") if one.attributes["scope"] == "col"]
    assert heads == [
        "Quantity (unit)",
        *(f"{liquid} broth, three broths" for liquid in ("clear", "gum", "spiced")),
        *(f"{liquid} broth, other" for liquid in ("clear", "gum", "spiced")),
    ]
    labels = [one.attributes["aria-label"] for one in pieces.all("div") if "role" in one.attributes]
    assert len(labels) == len(set(labels))


# ---- hostile text ----------------------------------------------------------------------------

SCRIPT = "<script>document.title='x'</script>"
IMAGE = "\"><img src=x onerror=document.title='x'>"
COMMENT = "</pre><script>document.title='x'</script><style>*{display:none}</style>"
BIDI = "gum \u202ehtorb\u2066 {{ 7 * 7 }} {% raw %}"


def hostile(folder: Path) -> Path:
    scenario = SCENARIO.replace('"gum broth"', json.dumps(IMAGE)).replace(
        '"spiced broth"', json.dumps(BIDI, ensure_ascii=False)
    )
    scenario = scenario.replace("# thick", f"# {COMMENT}").replace("# Three", f"# {SCRIPT}\n#")
    path = made_up(folder, scenario, f"hostile{SCRIPT[:8]}", title=SCRIPT, created=IMAGE)
    with h5py.File(path, "r+") as file:
        file["liquids/1"].attrs["name"] = IMAGE
        file["liquids/2"].attrs["name"] = BIDI
        file.attrs["poresim_version"] = COMMENT
    return path


def test_text_from_a_record_is_text(tmp_path, undrawn):
    text = page([load_record(hostile(tmp_path))]).text
    pieces = Pieces(text)  # every element is closed where it should be
    assert not pieces.all("script")
    assert len(pieces.all("style")) == 1
    assert not pieces.all("img")
    assert not any(name.startswith("on") for one in pieces.elements for name in one.attributes)
    assert pieces.text_of("h1") == pieces.text_of("title") == SCRIPT
    assert [one.text for one in pieces.all("section")] and len(pieces.all("section")) == 8
    scenario = _scenario(pieces)[0]
    assert COMMENT in scenario and SCRIPT in scenario
    assert "\u202e" not in text and "\u2066" not in text
    assert "⟨U+202E⟩" in scenario and "⟨U+2066⟩" in scenario
    names = [one.text for one in pieces.all("th", "answer")]
    assert any(IMAGE in name for name in names)
    assert "{{ 7 * 7 }} {% raw %}" in scenario and "49" not in names[-1]


def test_what_steers_text_is_spelt_out():
    assert visible("plain text, µL, 2 × 3\n\tline") == "plain text, µL, 2 × 3\n\tline"
    assert visible("a\u202eb\u200fc\x00d\x1b[2Je\u2028") == (
        "a⟨U+202E⟩b⟨U+200F⟩c⟨U+0000⟩d⟨U+001B⟩[2Je⟨U+2028⟩"
    )
    assert visible("\udcff") == "⟨U+DCFF⟩"  # cannot be written otherwise
    assert visible("नि\u200d") == "नि\u200d"


def test_numbers_keep_their_units():
    assert (
        held("in 3.2 s, 80 % of 2 400 000 1/s") == "in 3.2\xa0s, 80\xa0% of 2\xa0400\xa0000\xa01/s"
    )
    assert held("1.4 mPa s there") == "1.4\xa0mPa\xa0s there"
    assert held("3 solids") == "3 solids"


# ---- the command -----------------------------------------------------------------------------


@pytest.fixture
def here(tmp_path, monkeypatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_the_command_writes_one_page_beside_the_record(here, capsys, path, text):
    """The same, bit for bit, as was made of that record before."""
    shutil.copy(path, here)
    assert main(["report", path.name]) == 0
    said = capsys.readouterr()
    assert {one.name for one in here.iterdir()} == {path.name, "three_broths.html"}
    assert "three_broths.html" in said.out and headline(summaries(load_record(path))) in said.out
    assert said.err == ""
    assert (here / "three_broths.html").read_bytes() == text.encode()
    assert len(text) < 2_000_000


def test_json_goes_to_standard_output(here, capsys, undrawn):
    path = made_up(here)
    (here / "three_broths.html").write_text("an earlier one")
    assert main(["report", str(path), "--force", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["page"] == str(here / "three_broths.html")
    assert told["bytes"] == (here / "three_broths.html").stat().st_size > 10_000
    assert told["headline"] == headline(summaries(load_record(path)))
    assert [one["name"] for one in told["liquids"]] == ["clear broth", "gum broth", "spiced broth"]
    assert {one["verdict"] for one in told["checks"]} == {"passed"}


def test_an_unfinished_run_is_remarked_on(here, capsys, undrawn):
    path = made_up(here, complete=False)
    assert main(["report", str(path), "--out", "pages"]) == 0
    assert "not finished" in capsys.readouterr().err
    assert (here / "pages/three_broths.html").is_file()


def refused(capsys, *arguments: str) -> str:
    assert main(["report", *arguments]) == 2
    said = capsys.readouterr()
    assert said.out == "" and said.err.count("\n") == 1, said
    assert "Traceback" not in said.err
    return said.err


def test_faults_are_one_line_and_write_nothing(here, capsys):
    path = made_up(here)
    (here / "text.h5").write_text("not HDF5")
    with h5py.File(made_up(here, name="newer"), "r+") as file:
        file.attrs["format"] = FORMAT + 1
    with h5py.File(made_up(here, name="empty"), "r+") as file:
        for liquid in file["liquids"].values():
            for number in list(liquid["repeats"]):
                del liquid["repeats"][number]
    made_up(here, "#" * 200_001, "long")
    (here / "taken").write_text("a file")
    before = {one: one.stat().st_mtime_ns for one in here.rglob("*")}
    assert "absent.h5: is not there" in refused(capsys, "absent.h5")
    assert "text.h5: is not an HDF5 file" in refused(capsys, "text.h5")
    assert "update poresim" in refused(capsys, "newer.h5")
    assert "is not there" in refused(capsys, str(path), "absent.h5")
    assert "no soak in these records is finished" in refused(capsys, "empty.h5")
    assert "holds a scenario of 200,001 letters" in refused(capsys, "long.h5")
    assert "name one with --out" in refused(capsys, str(path), "--out", "taken")
    assert "name another with --out" in refused(capsys, str(path), "--out", "taken/below")
    assert {one: one.stat().st_mtime_ns for one in here.rglob("*")} == before


@pytest.mark.skipif(os.name == "posix" and os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_nothing_may_be_written_to(here, capsys):
    path = made_up(here)
    Path("closed").mkdir(mode=0o500)
    assert "nothing may be written there" in refused(capsys, str(path), "--out", "closed")


def test_an_earlier_page_stays(here, capsys):
    path = made_up(here)
    (here / "three_broths.html").write_text("mine")
    assert "--force replaces it" in refused(capsys, str(path))
    assert (here / "three_broths.html").read_text() == "mine"


def test_an_interrupted_page_leaves_nothing(here, monkeypatch):
    """Whatever happens while it is drawn: an earlier page stays whole, nothing lies beside it."""
    path = made_up(here)
    (here / "three_broths.html").write_text("mine")
    before = set(here.iterdir())

    def stopped(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr(module, "pictures", stopped)
    assert main(["report", str(path), "--force"]) == 130
    assert (here / "three_broths.html").read_text() == "mine"
    assert set(here.iterdir()) == before


def test_a_full_disk_leaves_an_earlier_page(here, monkeypatch, undrawn, capsys):
    path = made_up(here)
    (here / "three_broths.html").write_text("mine")

    def full(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("poresim.record.files.os.fsync", full)
    assert "No space left" in refused(capsys, str(path), "--force")
    assert (here / "three_broths.html").read_text() == "mine"
    assert {one.name for one in here.iterdir()} == {"three_broths.html", path.name}


def test_only_the_snapshots_that_are_shown_are_read(made):
    """A record may hold gigabytes of them: of twelve a liquid, four times are drawn."""
    read = made[1]
    assert 3 <= len(set(read)) <= 4 * 3
    assert all(isinstance(index, int) for _, index in read)


def test_nothing_to_report():
    with pytest.raises(RecordError, match="nothing to report"):
        page([])
