"""Layouts: those that ship load and are the examples; what is wrong in one is said in one line."""

import re
from pathlib import Path

import pytest

from bridge.config.layout import SHIPPED, LayoutError, load_layout, parse_layout, shipped_layouts

ROOT = Path(__file__).parents[2]
GOOD = """\
title = "Bench"
landscape = [ { height = 80, parts = ["figure", "strip"], widths = [3, 2] }, { height = 20, parts = ["commands"] } ]
portrait = [ { height = 100, parts = ["figure"] } ]
commands = ["back", "next"]
"""


@pytest.mark.parametrize("name", SHIPPED)
def test_the_examples_are_what_ships(name: str) -> None:
    example = ROOT / "configs" / "pages" / f"{name}.toml"
    assert load_layout(example) == shipped_layouts()[name]
    assert example.read_text(encoding="utf-8") == (ROOT / "bridge" / "page" / "layouts" / f"{name}.toml").read_text(
        encoding="utf-8"
    )


def test_a_good_one_loads() -> None:
    layout = parse_layout(GOOD, "bench.toml")
    assert [row.height for row in layout.landscape] == [80, 20]
    assert layout.views == ("trim", "prepare", "run", "log")


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("height = 80", "height = 70", "the heights of landscape add up to 90, not to 100"),
        ("widths = [3, 2]", "widths = [3]", "landscape.1: 1 widths for 2 parts"),
        ('"strip"]', '"figure"]', "landscape has figure twice"),
        ('"strip"]', '"clock"]', "landscape.1.parts.2: input should be 'step'"),
        ('"back"', '"explode"', "commands.1: input should be 'back'"),
        ('title = "Bench"', "", "title: field required"),
        ('title = "Bench"', 'title = "Bench"\ncolour = 1', "colour: extra inputs are not permitted"),
        ("height = 80", "height = true", "landscape.1.height: input should be a valid number"),
        ("title =", "title", "not TOML"),
    ],
)
def test_each_fault_has_its_line(old: str, new: str, said: str) -> None:
    assert old in GOOD
    with pytest.raises(LayoutError) as wrong:
        parse_layout(GOOD.replace(old, new, 1), "bench.toml")
    assert str(wrong.value).startswith("bench.toml: ")
    assert said in str(wrong.value)
    assert "\n" not in str(wrong.value)


@pytest.mark.parametrize("name", ["Mine", "live", "a b", "pair", "../x"])
def test_a_name_is_part_of_an_address(tmp_path: Path, name: str) -> None:
    with pytest.raises(LayoutError, match="the name must be small letters"):
        load_layout(tmp_path / f"{name.replace('/', '_')}.toml")


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(LayoutError, match="cannot be read"):
        load_layout(tmp_path / "missing.toml")


def test_the_page_asks_for_all_of_its_modules_at_once() -> None:
    # One after the other, as each is read, they would come seconds later over a slow network.
    page = ROOT / "bridge" / "page"
    named = set(re.findall(r'(?:modulepreload" href|src)="/page/([^"]+\.js)"', (page / "index.html").read_text()))
    assert named == {str(path.relative_to(page)) for path in page.rglob("*.js")}
