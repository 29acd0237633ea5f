"""What each key may be, in words: a path into the config in; its meaning, range, unit and default out.

Read from the settings themselves, so that the comments of a new config and the faults cannot drift from them.
"""

from dataclasses import dataclass
from functools import cache
from typing import Any, Final

from bridge.config.faults import shown
from bridge.config.positions import Path
from bridge.config.settings import Settings

_UNITS: Final = (
    ("_nwb_per_m", "nWb/m"),
    ("frames_per_s", "frames/s"),
    ("_dbfs", "dBFS"),
    ("_frames", "samples"),
    ("_db", "dB"),
    ("_vu", "VU"),
    ("_hz", "Hz"),
    ("_us", "µs"),
    ("_mm", "mm"),
    ("_um", "µm"),
    ("_ips", "in/s"),
    ("bytes_per_s", "bytes/s"),
    ("hz", "Hz"),
    ("ips", "in/s"),
    ("seconds", "s"),
    ("debounce_s", "s"),
)
"""The unit that the end of a key says."""

_WRITTEN_BY_HAND: Final = {
    "step": "a list: each step begins with [[step]] on a line of its own",
    "speeds": "a list: each speed begins with [[machine.speeds]] on a line of its own",
    "bind": "a list: each begins with [[midi.bind]] on a line of its own",
    "meter": "a list: each begins with [[midi.meter]] on a line of its own",
    "lamp": "a list: each begins with [[midi.lamp]] on a line of its own",
    "tone": "a list: each begins with [[midi.tone]] on a line of its own",
    "inputs": 'a table of tracks and inputs such as { "1-8" = "1-8" }, or a list of such tables',
    "offsets_db": "a table of inputs and offsets such as { 3 = 0.12 }, each from -60 to 60 dB",
    "points": "a list of frequencies in Hz and rises in dB such as [[50, 3.1], [100, 1.8]]",
    "tones": "a list of tables { hz = …, level_db = …, seconds = … }",
    "names": 'a list such as ["studio-computer.local"]',
    "layouts": 'a list such as ["pages/machine.toml"]',
    "destinations": 'a list such as ["192.168.1.20:9000"]',
}
"""Keys that are a small language of their own."""


@dataclass(frozen=True, slots=True)
class Key:
    """One key: what it means, what it may be, and what it is when it is left out (empty = it must be given)."""

    meaning: str
    allowed: str
    default: str


@cache
def _schema() -> dict[str, Any]:
    return Settings.model_json_schema(by_alias=True)


def names(path: Path) -> tuple[str, ...]:
    """Return the keys that may stand in the section or table at ``path``; empty when it is none."""
    return tuple(_table(path).get("properties", ()))


def required(path: Path) -> tuple[str, ...]:
    """Return the keys that must stand in the section or table at ``path``."""
    return tuple(_table(path).get("required", ()))


def meaning(path: Path) -> str:
    """Return what the section at ``path`` is for."""
    return str(_table(path).get("description", "")).replace("\n", " ")


def key(path: Path) -> Key:
    """Return what is to be known about the key at ``path``.

    Raises
    ------
    KeyError
        When there is no such key.
    """
    table, name = path[:-1], path[-1]
    schema = _table(table)["properties"][name]
    left_out = "" if name in required(table) else _spoken(schema["default"])
    return Key(str(schema.get("description", "")).replace("\n", " "), allowed(path), left_out)


def allowed(path: Path) -> str:
    """Return what the value at ``path`` may be: a range with its unit, choices, or a kind."""
    name = next((part for part in reversed(path) if isinstance(part, str)), "")
    if len(path) == 1 and names(path):
        return f"a section: [{name}] on a line of its own, its keys below"
    by_hand = _WRITTEN_BY_HAND.get(name, "")
    # A name may be a list in one table and a plain number in another.
    if by_hand.startswith("a list: ") and "array" not in kinds(path):
        by_hand = ""
    return by_hand or _in_words(_node(path), unit(name))


def choices(path: Path) -> tuple[str, ...]:
    """Return the words that the value at ``path`` may be; empty when it is no choice of words."""
    return tuple(word for way in _ways(path) for word in way.get("enum", ()))


def kinds(path: Path) -> set[str]:
    """Return the kinds of JSON value that the value at ``path`` may be, such as ``integer`` or ``string``."""
    return {str(way.get("type", "")) for way in _ways(path)} - {"null"}


def unit(name: str) -> str:
    """Return the unit that a key's name says, or nothing."""
    return next((text for ending, text in _UNITS if name.endswith(ending)), "")


def default(path: Path) -> Any:
    """Return what the key at ``path`` is when it is left out, None when it then is nothing."""
    return _table(path[:-1])["properties"][path[-1]].get("default")


def _spoken(value: object) -> str:
    if isinstance(value, list) and value and all(isinstance(item, dict) and "hz" in item for item in value):
        return ", ".join(f"{item['hz']:g} Hz" for item in value)
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return "left out" if value is None or value == [] else shown(value)


def _followed(schema: dict[str, Any]) -> dict[str, Any]:
    while "$ref" in schema:
        schema = _schema()["$defs"][schema["$ref"].rsplit("/", 1)[1]]
    return schema


def _options(schema: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the kinds of value among which a schema lets choose, itself when it is one kind."""
    schema = _followed(schema)
    ways = schema.get("anyOf", schema.get("oneOf", [schema]))
    return [_followed(way) for way in ways if way.get("type") != "null"]


def _node(path: Path) -> dict[str, Any]:
    schema = _schema()
    for part in path:
        ways = _options(schema)
        if isinstance(part, int):
            lists = [way.get("items", {}) or way["prefixItems"][part] for way in ways if way.get("type") == "array"]
            schema = lists[0] if lists else {}
        else:
            tables = [way.get("properties", {}) for way in ways]
            schema = next((table[part] for table in tables if part in table), {})
    return _followed(schema)


def _table(path: Path) -> dict[str, Any]:
    return next((way for way in _options(_node(path)) if "properties" in way), {})


def _ways(path: Path) -> list[dict[str, Any]]:
    return _options(_node(path))


def _in_words(schema: dict[str, Any], unit_text: str) -> str:
    schema = _followed(schema)
    ways = schema.get("anyOf", schema.get("oneOf"))
    if ways:
        return " or ".join(_in_words(way, unit_text) for way in ways if way.get("type") != "null")
    if "enum" in schema:
        return _listed([shown(choice) for choice in schema["enum"]])
    kind = str(schema.get("type", ""))
    if kind in ("integer", "number"):
        return _range(schema, "a whole number" if kind == "integer" else "a number", unit_text)
    if kind == "string":
        return _text(schema)
    if kind == "object":
        members = schema.get("properties", {})
        return "a table { " + ", ".join(f"{name} = {unit(name) or '…'}" for name in members) + " }"
    return {"boolean": "true or false", "array": "a list"}[kind]


def _text(schema: dict[str, Any]) -> str:
    if schema.get("format") == "path":
        return "the path of a file, in quotes"
    least, most = schema.get("minLength", 0), schema.get("maxLength")
    if most is None:
        return "text in quotes"
    return f"text in quotes of {least} to {most} characters" if least else f"text in quotes, up to {most} characters"


def _range(schema: dict[str, Any], kind: str, unit_text: str) -> str:
    tail = f" {unit_text}" if unit_text else ""
    if "exclusiveMinimum" in schema:
        return f"{kind} above {_number(schema['exclusiveMinimum'])}, up to {_number(schema['maximum'])}{tail}"
    return f"{kind} from {_number(schema['minimum'])} to {_number(schema['maximum'])}{tail}"


def _number(value: float) -> str:
    return f"{value:g}" if abs(value) < 1e6 else str(int(value))


def _listed(choices: list[str]) -> str:
    return " or ".join(([", ".join(choices[:-1])] if choices[1:] else []) + choices[-1:])
