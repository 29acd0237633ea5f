"""The examples load, and every key in them stands under what is to be known about it."""

import re
import tomllib
from importlib.machinery import SourceFileLoader
from importlib.util import module_from_spec, spec_from_loader
from pathlib import Path

import pytest

from bridge.config import keys
from bridge.config.convert import to_banks, to_machine, to_steps, to_tapes
from bridge.config.faults import ConfigFaults
from bridge.config.load import load, loads

ROOT = Path(__file__).parents[2]
LISTS = [("machine", "speeds"), ("midi", "tone"), ("midi", "bind"), ("midi", "meter"), ("midi", "lamp")]
EXAMPLES = sorted((ROOT / "configs").glob("*.toml"))


def tool(name: str) -> object:
    loader = SourceFileLoader(name, str(ROOT / "tools" / name))
    spec = spec_from_loader(name, loader)
    assert spec is not None
    module = module_from_spec(spec)
    loader.exec_module(module)
    return module


def test_the_examples_are_there() -> None:
    assert {path.stem for path in EXAMPLES} >= {
        "one-inch-8-track",
        "two-inch-24-track-on-8-inputs",
        "practice",
        "quarter-inch-transfer",
        "half-inch-4-track-at-two-speeds",
    }


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_an_example_loads_and_says_that_it_is_invented(path: Path) -> None:
    settings = load(path)
    to_machine(settings)
    to_tapes(settings)
    assert to_banks(settings)
    assert to_steps(settings)
    head = path.read_text(encoding="utf-8").split("\n\n\n", 1)[0]
    assert "invented" in head


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_an_example_is_as_the_template_writes_it(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert tool("examples").rewritten(text) == text  # type: ignore[attr-defined]


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_every_key_is_there_and_explained(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    for section in keys.names(()):
        tables = [(section,), (section, 0)] if section == "step" else [(section,)]
        lists = [path for path in LISTS if path[0] == section]
        tables += [(*path, 0) for path in lists]
        for table in tables:
            for name in keys.names(table):
                if (*table, name) not in LISTS:
                    known = keys.key((*table, name))
                    found = re.search(rf"((?:# .*\n)+)#?{name} = ", text)
                    assert found, name
                    flat = re.sub(r"\s+", " ", text.replace("\n# ", " "))
                    assert known.meaning in flat
                    assert known.allowed[1:] in flat


MARKED_ENTRY = re.compile(r"^#\[\[(.*)\]\]\n((?:(?!#?\[).*\n)*)", re.MULTILINE)


def test_every_key_that_is_commented_out_is_right_without_its_mark() -> None:
    text = (ROOT / "configs" / "one-inch-8-track.toml").read_text(encoding="utf-8")
    text = MARKED_ENTRY.sub("\n", text)
    marked = re.findall(r"^#(\w+) = .*$", text, re.MULTILINE)
    assert len(marked) > 15
    together = {
        "track_width_mm": ["a full-track tape has none; leave it out or set full_track = false"],
        "certificate_key": ["does not go without certificate"],
        "machine_control": ["needs machine_port, the output that leads to the recorder"],
        "locate_on_step": ["needs machine_control = true"],
        "groups": ['a group of IPv4 is heard only with listen = "0.0.0.0"'],
    }
    for position in (match.start() for match in re.finditer(r"^#\w+ = ", text, re.MULTILINE)):
        bare = text[:position] + text[position + 1 :]
        tomllib.loads(bare)
        try:
            loads(bare, Path("studio.toml"))
        except ConfigFaults as wrong:
            name = text[position + 1 :].split(" ", 1)[0]
            assert [fault.problem for fault in wrong.faults] == together[name]


def test_every_entry_that_is_commented_out_is_right_without_its_marks() -> None:
    text = (ROOT / "configs" / "one-inch-8-track.toml").read_text(encoding="utf-8")
    entries = list(MARKED_ENTRY.finditer(text))
    assert [entry[1] for entry in entries] == ["midi.tone", "midi.bind", "midi.meter", "midi.lamp"]
    # In this test a key stands beside the required ones only.
    alone = {
        "last_number": ["needs number, the first of them"],
        "offset": ['goes with take = "number" or "value" only'],
        "encoder": ['goes with take = "turn" only'],
        "share": ['goes with command = "practice turn" only'],
        "hz": ['goes with command = "practice tone" only'],
    }
    for entry in entries:
        required = [
            line[1:]
            for line in entry[2].splitlines()
            if line.startswith("#") and line[1:].split(" ")[0] in keys.required((*entry[1].split("."), 0))
        ]
        for line in filter(re.compile(r"#\w+ = ").match, entry[2].splitlines()):
            lines = dict.fromkeys([*required, line[1:]])
            bare = "\n".join([f"[[{entry[1]}]]", *lines, ""])
            try:
                loads(text[: entry.start()] + bare + text[entry.end() :], Path("studio.toml"))
            except ConfigFaults as wrong:
                assert [fault.problem for fault in wrong.faults] == alone[line[1:].split(" ", 1)[0]]
