"""A config as people want to find it: values in; TOML text with every key, each explained, out.

What each key means and may be comes from `bridge.config.keys`; a key that is not set stands there as a comment with its
default or an example, so that it only needs its mark taken off.
"""

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from bridge.config import keys
from bridge.config.document import SECTIONS_WITH_USE
from bridge.config.positions import Path

WIDTH: Final = 100
"""Of the comments, in characters: fits a terminal beside another window."""

_EXAMPLES: Final[dict[Path, object]] = {
    ("machine", "name"): "Harbour room",
    ("machine", "tracks"): 8,
    ("machine", "tape_width_mm"): 25.4,
    ("machine", "track_width_mm"): 1.78,
    ("machine", "track_pitch_mm"): 3.3,
    ("machine", "repro_gap_um"): 5.0,
    ("machine", "sync_gap_um"): 7.0,
    ("machine", "fringing"): {"speed_ips": 15, "points": [[50, 3.1], [100, 1.8]], "uncertainty_db": 0.25},
    ("machine", "speeds", 0, "ips"): 15,
    ("machine", "speeds", 0, "equalization"): "iec1",
    ("tape", "track_width_mm"): 2.08,
    ("tape", "fringing"): {"speed_ips": 15, "points": [[50, 3.1], [100, 1.8]], "uncertainty_db": 0.25},
    ("audio", "recording"): "capture.wav",
    ("audio", "inputs"): {"1-8": "1-8"},
    ("audio", "offsets_db"): {"3": 0.12},
    ("step", 0, "adjustment"): "repro level",
    ("step", 0, "tone_hz"): 1000,
    ("step", 0, "speed_ips"): 15,
    ("step", 0, "tone_level_db"): -10.0,
    ("step", 0, "target_vu"): 0.0,
    ("osc", "destinations"): ["127.0.0.1:9000"],
    ("osc", "multicast_interface"): "192.168.1.20",
    ("osc", "groups"): ["239.255.77.1"],
    ("page", "names"): ["studio-computer.local"],
    ("page", "certificate"): "page-certificate.pem",
    ("page", "certificate_key"): "page-key.pem",
    ("page", "layouts"): ["pages/machine.toml"],
    ("midi", "tone", 0, "hz"): 1000,
    ("midi", "tone", 0, "speed_ips"): 15,
    ("midi", "tone", 0, "position"): "00:00:10:00",
    ("midi", "bind", 0, "message"): "note",
    ("midi", "bind", 0, "channel"): 1,
    ("midi", "bind", 0, "number"): 36,
    ("midi", "bind", 0, "last_number"): 43,
    ("midi", "bind", 0, "lowest_value"): 1,
    ("midi", "bind", 0, "highest_value"): 127,
    ("midi", "bind", 0, "command"): "log",
    ("midi", "bind", 0, "argument"): 1,
    ("midi", "bind", 0, "take"): "number",
    ("midi", "bind", 0, "share"): 0.02,
    ("midi", "bind", 0, "hz"): 10_000,
    ("midi", "meter", 0, "port"): "Ring box",
    ("midi", "meter", 0, "center"): 64,
    ("midi", "lamp", 0, "port"): "Pad box",
    ("midi", "lamp", 0, "focus"): 80,
    ("log", "file"): "trims.db",
}
"""What stands in the comment of a key that has no default; figures are invented."""

_LISTS: Final = (
    ("machine", "speeds"),
    ("midi", "tone"),
    ("midi", "bind"),
    ("midi", "meter"),
    ("midi", "lamp"),
)
"""Lists whose entries begin with a line of their own, at the end of their section."""

_USE: Final = (
    'It may stand in a file of its own: use = "its name", seen from this folder. '
    "Keys that stand here besides go before those of the file."
)

_SEVERAL_TAPES: Final = (
    "With a tape for each of several speeds, each stands under a [[tape]] of its own: one calibration then goes over"
    " all of them, in their order."
)


def render(values: Mapping[str, Any], opening: str) -> str:
    """Return a config with every key of every section explained.

    Parameters
    ----------
    values : mapping
        Sections and their keys as TOML would read them, patching as tables; what is not in it keeps its default.
    opening : str
        What stands at the top, as prose.
    """
    lines = [*_comment(opening)]
    for section in keys.names(()):
        given = values.get(section, {})
        if section == "step":
            lines += _steps(given or ())
        else:
            lines += _tapes(given) if isinstance(given, list | tuple) else _section(section, given)
    return "\n".join(lines) + "\n"


def _section(section: str, values: Mapping[str, Any]) -> Iterator[str]:
    yield from ("", "", *_opening(section))
    yield f"[{section}]"
    if "use" in values:
        yield f"use = {toml(values['use'])}"
    for name in keys.names((section,)):
        if (section, name) not in _LISTS:
            yield from _key((section, name), values)
    for path in _LISTS:
        if path[0] == section:
            yield from _entries(path, values.get(path[1], ()))


def _opening(section: str) -> Iterator[str]:
    yield from _comment(keys.meaning((section,)))
    if section in SECTIONS_WITH_USE:
        yield from _comment(_USE)
    if section == "tape":
        yield from _comment(_SEVERAL_TAPES)


def _tapes(values: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    yield from ("", "", *_opening("tape"))
    yield from _entries(("tape",), values)


def _steps(values: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    yield from ("", "")
    text = (
        "The steps in the order in which they are done. Without any, they are those of good practice for this machine"
    )
    yield from _comment(f"{text} and tape: see `trimbridge targets`.")
    yield from _entries(("step",), values)


def _entries(path: Path, values: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """Yield a list of tables: the first explained, or an example as a comment; the others bare."""
    header = f"[[{'.'.join(map(str, path))}]]"
    if path in _LISTS:
        yield from ("", *_comment(keys.key(path).meaning))
    if not values:
        yield from ("", f"#{header}")
        for name in keys.names((*path, 0)):
            yield from _key((*path, 0, name), {})
    for number, entry in enumerate(values):
        yield from ("", header)
        if "use" in entry:
            yield f"use = {toml(entry['use'])}"
        for name in keys.names((*path, 0)):
            if number == 0:
                yield from _key((*path, 0, name), entry)
            elif name in entry:
                yield f"{name} = {toml(entry[name], wide=name == 'tones')}"


def _key(path: Path, values: Mapping[str, Any]) -> Iterator[str]:
    known, name = keys.key(path), str(path[-1])
    default = {"": "Must be given.", "left out": "May be left out."}.get(known.default, f"Default: {known.default}.")
    yield ""
    yield from _comment(known.meaning)
    yield from _comment(f"{known.allowed[0].upper()}{known.allowed[1:]}. {default}")
    if name in values:
        yield f"{name} = {toml(values[name], wide=name == 'tones')}"
    else:
        # Of several tapes the first is explained as one alone is.
        example = ("tape", name) if path[0] == "tape" else path
        yield f"#{name} = {toml(_EXAMPLES[example] if example in _EXAMPLES else keys.default(path))}"


def _comment(text: str) -> Iterator[str]:
    for number, paragraph in enumerate(text.split("\n\n")):
        if number:
            yield "#"
        lines = textwrap.wrap(paragraph, WIDTH, break_long_words=False, break_on_hyphens=False)
        yield from (f"# {line}" for line in lines)


def toml(value: object, wide: bool = False) -> str:
    """Return a value in TOML: text, number, switch, list or inline table; a ``wide`` list with a line an entry."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _quoted(value)
    if isinstance(value, Mapping):
        inner = ", ".join(f"{_name(str(name))} = {toml(item)}" for name, item in value.items())
        return f"{{ {inner} }}" if inner else "{}"
    if isinstance(value, list | tuple):
        if wide and value:
            return "[\n" + "".join(f"    {toml(item)},\n" for item in value) + "]"
        return "[" + ", ".join(toml(item) for item in value) + "]"
    return str(int(value)) if isinstance(value, float) and value.is_integer() else str(value)


def _name(name: str) -> str:
    return name if name.replace("_", "").isalnum() and name.isascii() else _quoted(name)


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(char if char.isprintable() else f"\\U{ord(char):08x}" for char in escaped) + '"'
