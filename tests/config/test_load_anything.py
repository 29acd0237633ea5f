"""Whatever stands in a config: settings or faults of one line each, never anything else."""

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.config import keys
from bridge.config.convert import to_banks, to_machine, to_steps, to_tapes
from bridge.config.faults import ConfigFaults
from bridge.config.load import load, loads
from bridge.config.positions import lines
from bridge.config.template import toml

EXAMPLE = (Path(__file__).parents[2] / "configs" / "one-inch-8-track.toml").read_text(encoding="utf-8")
VALUES = "\n".join(line for line in EXAMPLE.splitlines() if line and not line.startswith("#")) + "\n"
HERE = Path("studio.toml")


def used(text: str) -> None:
    """Load a config and make everything of it that the stages are made of."""
    try:
        settings = loads(text, HERE)
    except ConfigFaults as wrong:
        assert wrong.faults
        for fault in wrong.faults:
            assert "\n" not in str(fault)
            assert str(fault).isprintable()
            assert fault.problem
        return
    to_machine(settings)
    to_tapes(settings)
    to_steps(settings)
    assert to_banks(settings)


def test_the_values_alone_are_a_config() -> None:
    assert loads(VALUES, HERE) == loads(EXAMPLE, HERE)


@given(st.binary(max_size=200))
def test_any_bytes(tmp_path_factory: pytest.TempPathFactory, content: bytes) -> None:
    file = tmp_path_factory.getbasetemp() / "any.toml"
    file.write_bytes(content)
    with pytest.raises(ConfigFaults):
        load(file)


@given(st.integers(0, len(VALUES)), st.integers(0, 12), st.text(max_size=4) | st.sampled_from("\"'[]{}=#.,\n\\-"))
def test_any_slip_of_the_finger(at: int, gone: int, typed: str) -> None:
    used(VALUES[:at] + typed + VALUES[at + gone :])


value = st.recursive(
    st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=8)
    | st.sampled_from(["iec1", "device", "1-8", "127.0.0.1:9", "repro level", "::1"]),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(["hz", "ips", "equalization", "hf_us", "1-2", "3", "use", "speed_ips"]), inner
        )
    ),
    max_leaves=6,
)


@st.composite
def some_key(draw: st.DrawFn) -> tuple[str, str]:
    section = draw(st.sampled_from(keys.names(())))
    names = keys.names((section,)) or keys.names((section, 0))
    return section, draw(st.sampled_from([*names, "use", "tracks", "xyz"]))


@st.composite
def some_tape(draw: st.DrawFn) -> dict[str, Any]:
    usual = st.sampled_from([7.5, 15, 30, "iec1", "iec2", True, 0.5])
    names = st.sampled_from([*keys.names(("tape",)), "use", "xyz"])
    return draw(st.dictionaries(names, usual | value, max_size=4))


@given(st.lists(some_tape(), min_size=1, max_size=3), st.lists(st.sampled_from([7.5, 15, 30]), max_size=2))
def test_any_tapes(tapes: list[dict[str, Any]], speeds: list[float]) -> None:
    lines_of = [
        '[machine]\nname = "a"\ntracks = 4',
        *(f"[[machine.speeds]]\nips = {ips}\nequalization = {{ hf_us = 35 }}" for ips in speeds),
        *("\n".join(["[[tape]]", *(f"{name} = {toml(item)}" for name, item in tape.items())]) for tape in tapes),
        '[[step]]\nadjustment = "repro level"\ntone_hz = 1000',
    ]
    used("\n".join([*lines_of, ""]))


@given(value)
def test_anything_for_a_tape(given_value: Any) -> None:
    used(f'tape = {toml(given_value)}\n[machine]\nname = "a"\ntracks = 4\n')


@given(st.dictionaries(some_key(), value, max_size=5))
def test_any_value_anywhere(values: dict[tuple[str, str], Any]) -> None:
    tables: dict[str, dict[str, Any]] = {"machine": {"name": "a", "tracks": 4}}
    for (section, name), given_value in values.items():
        tables.setdefault(section, {})[name] = given_value
    text = "".join(
        f"{'[[step]]' if section == 'step' else f'[{section}]'}\n"
        + "".join(f"{name} = {toml(item)}\n" for name, item in table.items())
        for section, table in tables.items()
    )
    assert lines(text)
    used(text)
