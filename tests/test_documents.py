"""What the documents tell a reader to type, open or look at is there, and does what they say."""

from __future__ import annotations

import ast
import inspect
import re
import tomllib
from pathlib import Path

import pytest
from documents import DOCUMENTS, ROOT, all_blocks, blocks, commands, inline_code, links, name

import poresim as ps
from poresim.cli import animate
from poresim.cli.main import main, parser
from poresim.scenario import schema
from poresim.scenario.believable import checked_priors
from poresim.scenario.reading import load_scenario, parse_scenario

GALLERY = ROOT / "scenarios" / "gallery"
WHOLE = ROOT / "scenarios" / "four_broths.toml"
SCENARIOS = {path.stem for path in (ROOT / "scenarios").glob("*.toml")}

#: Blocks without a language are not code: what each begins with.
PRINTED = {
    "README.md": ["property    share", "explanation                       probability"],
    "DEVELOPERS.md": ["scenario file"],
}
MEASURE = [words for block in all_blocks("sh") for words in commands(block) if "measure" in words]


def test_every_block_is_of_a_kind_that_is_looked_at_here():
    for document in DOCUMENTS:
        found = blocks(document)
        assert {block.language for block in found} <= {"sh", "toml", "python", ""}
        printed = [block.text.strip() for block in found if not block.language]
        expected = PRINTED.get(name(document), [])
        assert len(printed) == len(expected), name(document)
        for text, begins in zip(printed, expected, strict=True):
            assert text.startswith(begins), name(document)


@pytest.mark.parametrize("block", all_blocks("sh"), ids=lambda block: block.where)
def test_commands_can_be_typed(block, capsys):
    asked = commands(block)
    made = {words[2] for words in asked if words[:2] == ["poresim", "new"]}
    assert asked
    for words in asked:
        _check_command(words, made, capsys)


def _check_command(words: list[str], made: set[str], capsys) -> None:
    """A command's words. made : what `poresim new` has made before, by name."""
    told = " ".join(words)
    program = words[0].removeprefix(".venv/bin/")
    if program == "poresim":
        _check_poresim(words[1:], made, capsys)
    elif program in ("python", "python3"):
        _check_python(words[1:])
    elif program == "pip":
        extras = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
        asked = re.findall(r"\[(\w+)\]", words[-1])
        assert words[1] == "install" and set(asked) <= set(extras["optional-dependencies"]), told
    else:
        assert program in ("ruff", "mypy"), f"how is this looked at? {told}"


def _check_poresim(words: list[str], made: set[str], capsys) -> None:
    try:
        asked = parser().parse_args(words)
    except SystemExit:
        pytest.fail(f"poresim {' '.join(words)}: {capsys.readouterr().err}")
    for word in words[1:]:
        if re.search(r"\.(toml|h5|csv|jpg)$", word):
            _check_file(word, made)
    if words[0] == "animate":
        animate._wish(asked)
    given = words[1] if len(words) > 1 else ""
    if given.startswith("scenarios/") and given.endswith(".toml"):
        scenario = load_scenario(ROOT / given)
        if words[0] in ("explain", "sweep"):
            assert getattr(scenario.questions, words[0]) is not None, given
        if words[0] in ("judge", "plan"):
            assert scenario.measured and checked_priors(scenario), given


def _check_file(word: str, made: set[str]) -> None:
    """It is in the repository, or a command before this one has made it."""
    if word.startswith("results/"):
        assert set(word.removesuffix(".h5").split("/")[1:]) <= {"*", *made, *SCENARIOS}, word
    else:
        assert word.removesuffix(".toml") in made or (ROOT / word).is_file(), word


def _check_python(words: list[str]) -> None:
    if words[0] == "-m":
        assert words[1] in ("venv", "pytest", "poresim"), words
        return
    file = ROOT / words[0]
    assert file.is_file(), words
    known = _options(file)
    for word in words[1:]:
        assert not word.startswith("--") or word in known, f"{words[0]} knows no {word}"


def _options(file: Path) -> set[str]:
    """Texts of a script that are names of options."""
    constants = (
        node for node in ast.walk(ast.parse(file.read_text())) if isinstance(node, ast.Constant)
    )
    return {str(node.value) for node in constants if str(node.value).startswith("--")}


def test_measure_has_its_examples():
    assert [words[2] for words in MEASURE] == ["angle", "uptake", "flow", "sizes"]


@pytest.mark.parametrize("words", MEASURE, ids=lambda words: words[2])
def test_bench_data_are_measured_as_told(words, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(ROOT)
    assert main([*words[1:], "--out", str(tmp_path)]) == 0
    assert "for a scenario:" in capsys.readouterr().out
    assert list(tmp_path.glob("*.png"))


@pytest.mark.parametrize("block", all_blocks("toml"), ids=lambda block: block.where)
def test_tables_are_those_of_a_scenario(block):
    """A fragment stands in a whole scenario, in place of the tables of those names."""
    own = tomllib.loads(block.text)
    around = [] if "solid" in own else re.split(r"^(?=\[)", WHOLE.read_text(), flags=re.M)
    kept = [part for part in around if not set(tomllib.loads(part)) & set(own)]
    checked_priors(parse_scenario("".join([*kept, "\n", block.text]), WHOLE))


@pytest.mark.parametrize("block", all_blocks("python"), ids=lambda block: block.where)
def test_python_runs_and_prints_what_it_says(block, capsys):
    exec(compile(block.text, block.where, "exec"), {})
    told = re.findall(r"^print\(.*\)  # (.*?)(?:: .*)?$", block.text, re.M)
    assert told and capsys.readouterr().out.splitlines() == told


@pytest.mark.parametrize("document", DOCUMENTS, ids=name)
def test_commands_within_lines_can_be_typed(document):
    """Options are those of some command; scripts are there and know their options."""
    known = _all_options()
    for code in inline_code(document):
        words = code.split()
        if words[0] == "poresim" and len(words) > 1:
            assert words[1] in _subcommands(), code
        if words[0] in ("python", "python3") and len(words) > 1:
            _check_python(words[1:])
        elif words[0].startswith("--"):
            assert words[0] in known, code


def _subcommands() -> dict:
    return next(action.choices for action in parser()._actions if action.choices)


def _all_options() -> set[str]:
    """Of all commands, of the kinds of `measure`, and of the scripts beside them."""
    every = list(_subcommands().values())
    for one in _subcommands().values():
        kinds = (action.choices for action in one._actions if isinstance(action.choices, dict))
        every += [kind for choices in kinds for kind in choices.values()]
    scripts = [*(ROOT / "benchmarks").glob("*.py"), ROOT / "scenarios" / "gallery.py"]
    found = {option for one in every for action in one._actions for option in action.option_strings}
    return found.union(*(_options(script) for script in scripts))


@pytest.mark.parametrize("document", DOCUMENTS, ids=name)
def test_names_of_the_library_are_there(document):
    text = document.read_text()
    named = set(re.findall(r"\bps\.(\w+)", text))
    assert named <= set(ps.__all__), named - set(ps.__all__)
    for called in re.findall(r"`ps\.(\w+)\(\.\.\., ([^`]*)\)`", text):
        function, arguments = called[0], re.findall(r"(\w+)=", called[1])
        names = inspect.signature(getattr(ps, function)).parameters
        assert arguments and set(arguments) <= set(names), called


@pytest.mark.parametrize("document", DOCUMENTS, ids=name)
def test_keys_within_lines_are_those_of_a_scenario(document):
    known = _all_keys()
    for code in inline_code(document):
        if "PORESIM" in code or "(" in code:
            continue
        for key in re.findall(r"(?:^|[{,] ?)(\w+) = ", code):
            assert key in known, f"{key} in `{code}`"


def _all_keys() -> set[str]:
    """Of every table that the scenario's reader knows; of numbers with a standard deviation."""
    found = {"value", "sd"}
    waiting = list(schema.Keys.__subclasses__())
    while waiting:
        model = waiting.pop()
        found |= set(model.model_fields)
        waiting += model.__subclasses__()
    return found


@pytest.mark.parametrize("document", DOCUMENTS, ids=name)
def test_links_lead_to_files(document):
    for link in links(document):
        if not link.startswith("https://"):
            assert (document.parent / link).exists(), link


def test_files_that_documents_name_are_there():
    folders = [ROOT, ROOT / "poresim"]
    for document in DOCUMENTS:
        for code in inline_code(document):
            if re.fullmatch(r"(\w+/)+\w+\.(py|toml|md|html|css|csv)", code):
                assert any((folder / code).is_file() for folder in folders), code


def test_the_gallery_holds_what_is_linked_and_is_small():
    linked = {(path.parent / link).resolve() for path in DOCUMENTS for link in links(path)}
    assert set(GALLERY.iterdir()) <= linked
    assert sum(file.stat().st_size for file in GALLERY.iterdir()) < 3_000_000
    pictures = set((ROOT / "benchmarks").glob("*.png"))
    assert pictures <= linked
