"""What the template writes is read back as it was given."""

import tomllib
from pathlib import Path
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from bridge.config.load import loads
from bridge.config.template import render, toml

text = st.text(st.characters(codec="utf-8", exclude_characters="\x00"), max_size=40)
leaf = st.booleans() | st.integers(-(2**63), 2**63 - 1) | st.floats(allow_nan=False, allow_infinity=False) | text
value = st.recursive(
    leaf, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(text, inner, max_size=4), max_leaves=12
)


@given(value)
def test_any_value_survives_toml(given_value: Any) -> None:
    """TOML's own parser in the standard library is the oracle; 3.0 may come back as 3, which is equal."""
    assert tomllib.loads(f"value = {toml(given_value)}\n")["value"] == given_value
    assert "\n" not in toml(given_value)


@given(
    name=st.text(st.characters(codec="utf-8"), min_size=1, max_size=200),
    tones=st.lists(
        st.fixed_dictionaries({"hz": st.floats(20, 20_000)}, optional={"level_db": st.floats(-60, 60)}), max_size=6
    ),
    opening=st.text(st.characters(codec="utf-8", categories=["L", "N", "P"]) | st.just(" "), max_size=300),
)
def test_a_config_says_what_was_given(name: str, tones: list[dict[str, float]], opening: str) -> None:
    settings = loads(
        render({"machine": {"name": name, "tracks": 3}, "tape": {"tones": tones}}, opening), Path("studio.toml")
    )
    assert settings.machine.name == name
    assert [(tone.hz, tone.level_db) for tone in settings.tapes[0].tones] == [
        (tone["hz"], tone.get("level_db", 0.0)) for tone in tones
    ]
