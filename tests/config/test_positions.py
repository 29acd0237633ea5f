"""The line of every key, against the standard library's parser: what it finds, we find, each on its own line."""

import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.config.positions import lines
from bridge.config.template import toml

TEXT = '''# a remark
top = 1 # = [x]
"quoted # key" = 'literal # [no] = section'
dotted.one.two = """
[not.a.section]
key = "no key"\\
""" # after

[ first ]
list = [ # comment ]
  1,
  { a = 1, "b" = [2,
    3] },
]
[[step]]
x = """"quoted""""
[step.inner]
y = 2
[[step]]
x = \'\'\'
"""\'\'\'
[[step.deep]]
z = 1
[[step.deep]]
z = 1979-05-27 07:32:00
'''


def paths(value: Any, at: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    """Every path that the standard parser finds."""
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [path for name, item in items for path in ((*at, name), *paths(item, (*at, name)))]


@pytest.mark.parametrize("feed", ["\n", "\r\n"])
def test_each_key_has_its_line(feed: str) -> None:
    text = TEXT.replace("\n", feed)
    found = lines(text)
    assert set(found) == set(paths(tomllib.loads(text)))
    assert found[("top",)] == 2
    assert found[("quoted # key",)] == 3
    assert found[("dotted", "one", "two")] == 4
    assert found[("first",)] == 9
    assert found[("first", "list")] == 10
    assert found[("first", "list", 1)] == 12
    assert found[("first", "list", 1, "b", 1)] == 13
    assert found[("step", 0)] == 15
    assert found[("step", 0, "inner", "y")] == 18
    assert found[("step", 1, "x")] == 20
    assert found[("step", 1, "deep", 1, "z")] == 25


@pytest.mark.parametrize("path", sorted((Path(__file__).parents[2] / "configs").rglob("*.toml")), ids=lambda p: p.stem)
def test_the_examples(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    found = lines(text)
    assert set(found) == set(paths(tomllib.loads(text)))
    written = text.splitlines()
    for at, line in found.items():
        assert str(at[-1] if isinstance(at[-1], str) else "") in written[line - 1]


leaf = st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(st.characters(codec="utf-8"), max_size=12)
value = st.recursive(
    leaf, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3)
)
names = st.text(st.characters(codec="utf-8"), max_size=8)


@given(st.dictionaries(names, st.dictionaries(names, value, max_size=4), max_size=4))
def test_any_config_that_is_valid(sections: dict[str, dict[str, Any]]) -> None:
    text = "".join(
        f"\n[{toml(name)}] # {index}\n" + "".join(f"{toml(key)} = {toml(item)}\n" for key, item in table.items())
        for index, (name, table) in enumerate(sections.items())
    )
    assert set(lines(text)) == set(paths(tomllib.loads(text)))
