"""A config as it is written: a path in; the raw table, and where each key of it stands, out.

``use = "file.toml"`` in ``[machine]``, ``[tape]`` or one of several ``[[tape]]`` is followed here: the file holds that
section as a config would, and the keys beside ``use`` take precedence over the file's.
"""

import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from bridge.config import positions
from bridge.config.faults import ConfigFaults, Fault, Finding, shown

SECTIONS_WITH_USE: Final = ("machine", "tape")
TO_GIVE: Final = "`trimbridge init` asks a few questions and writes one; try configs/practice.toml"
LARGEST_BYTES: Final = 1_000_000
"""No config comes near it; a sound file given by mistake is told from a config by it before it is read."""

Place = tuple[Path, int]

_WHERE: Final = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)$")
_IN_OTHER_WORDS: Final = (
    ("Cannot overwrite a value", "this key stands there already; each key stands once"),
    ("Cannot declare", "this section stands there already; each section stands once"),
    ("Cannot mutate immutable namespace", "this table is already complete; write all its keys in one place"),
    ("Invalid value", 'not a value; text stands in quotes ("…"), numbers have a point for the decimals'),
    ("Expected '=' after a key", "a key, an equals sign and a value are expected on one line"),
    ("Invalid statement", "not a section, a key or a comment; keys with other signs than a-z 0-9 _ - stand in quotes"),
)
"""The parser's words for what goes wrong most, in ours."""


@dataclass(frozen=True, slots=True)
class Document:
    """A config as it is written.

    ``raw`` is what TOML says, with what ``use`` brought in; ``places`` holds file and line (from 1) of each path.
    """

    file: Path
    raw: dict[str, Any]
    places: dict[positions.Path, Place]

    def fault(self, finding: Finding) -> Fault:
        """Return a finding with its place, as it is shown to people."""
        path = finding.path
        file, line = self._place(path)
        outside = path[0] in self.raw and not isinstance(self.raw[path[0]], dict | list)
        section, key = ("", str(path[0])) if outside else _in_words(path)
        value = self._value(path) if finding.show_value else ""
        return Fault(file, line, section, key, value, finding.problem, finding.suggestion)

    def _value(self, path: positions.Path) -> str:
        value: Any = self.raw
        for part in path:
            try:
                value = value[part]
            except (KeyError, IndexError, TypeError):
                return ""
        return shown(value)

    def _place(self, path: positions.Path) -> tuple[Path, int | None]:
        for length in range(len(path), 0, -1):
            if path[:length] in self.places:
                return self.places[path[:length]]
        return self.file, None


def read(path: Path) -> Document:
    """Return the config in a file with the files that it uses.

    Raises
    ------
    ConfigFaults
        When a file cannot be read or is not TOML.
    """
    return parse(_text(path), path)


def parse(text: str, path: Path) -> Document:
    """Return the config in a text; ``path`` is where it stands or will stand.

    Raises
    ------
    ConfigFaults
        When it is not TOML, or a file that it uses cannot be read.
    """
    raw, lines = _parsed(text, path)
    places = {at: (path, line) for at, line in lines.items()}
    faults: list[Fault] = []
    for at, table in list(_tables_with_use(raw)):
        try:
            used, used_places = _used(path, at, table["use"], places[(*at, "use")])
        except ConfigFaults as wrong:
            faults += wrong.faults
            continue
        own = {key: value for key, value in table.items() if key != "use"}
        table.clear()
        table.update(used | own)
        places |= {(*at, *key): place for (_, *key), place in used_places.items() if key and key[0] not in own}
    if faults:
        raise ConfigFaults(faults)
    return Document(path, raw, places)


def _tables_with_use(raw: dict[str, Any]) -> Iterator[tuple[positions.Path, dict[str, Any]]]:
    """Yield the tables that take a file in, and where they stand."""
    for section in SECTIONS_WITH_USE:
        value = raw.get(section)
        entries = enumerate(value) if isinstance(value, list) else ()
        for at, table in (((section,), value), *(((section, index), entry) for index, entry in entries)):
            if isinstance(table, dict) and "use" in table:
                yield at, table


def _used(
    path: Path, at: positions.Path, value: object, place: Place
) -> tuple[dict[str, Any], dict[positions.Path, Place]]:
    """Return what a file brings in for a section, and where it stands there."""
    section = str(at[0])

    def fault(problem: str) -> ConfigFaults:
        return ConfigFaults([Fault(*place, *_in_words((*at, "use")), shown(value), problem)])

    if not isinstance(value, str) or not value.strip():
        raise fault("must be the path of a file, in quotes")
    try:
        file = path.parent / Path(value).expanduser()
    except RuntimeError:
        raise fault("there is no such user's folder") from None
    try:
        raw, lines = _parsed(_text(file), file)
    except ConfigFaults as wrong:
        if any(found.line for found in wrong.faults):
            raise
        raise fault(f"{wrong.faults[0].problem}: {file}") from None
    table = raw.get(section)
    if isinstance(table, list):
        raise fault(f"that file has [[{section}]]; write [{section}] there, one in each file")
    if not isinstance(table, dict):
        raise fault(f"that file has no section [{section}]")
    if "use" in table:
        raise fault("that file itself has a key use; name the last file of the chain")
    others = [other for other in raw if other != section]
    if others:
        raise ConfigFaults(
            Fault(file, lines.get((other,)), f"[{other}]", problem=f"only [{section}] is taken from this file")
            for other in others
        )
    return table, {at: (file, line) for at, line in lines.items()}


def _text(path: Path) -> str:
    try:
        if path.is_dir():
            raise ConfigFaults([Fault(path, problem="a folder, not a config file")])
        if not path.exists():
            raise ConfigFaults([Fault(path, problem="no such file", suggestion=TO_GIVE)])
        if not path.is_file():
            raise ConfigFaults([Fault(path, problem="not a file")])
        size = path.stat().st_size
        if size > LARGEST_BYTES:
            raise ConfigFaults([Fault(path, problem=f"not a config: {size} bytes, the limit is {LARGEST_BYTES}")])
        content = path.read_bytes()
    except OSError as wrong:
        raise ConfigFaults([Fault(path, problem=f"cannot be read: {wrong.strerror or wrong}")]) from None
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as wrong:
        line = content.count(b"\n", 0, wrong.start) + 1
        raise ConfigFaults(
            [Fault(path, line, problem="not UTF-8 text", suggestion="save it as UTF-8 in the editor")]
        ) from None


def _parsed(text: str, path: Path) -> tuple[dict[str, Any], dict[positions.Path, int]]:
    try:
        return tomllib.loads(text), positions.lines(text)
    except tomllib.TOMLDecodeError as wrong:
        raise ConfigFaults([_not_toml(str(wrong), text, path)]) from None
    except RecursionError:
        raise ConfigFaults([Fault(path, problem="brackets are nested too deeply")]) from None
    except ValueError:
        raise ConfigFaults([Fault(path, problem="a number in it has too many digits")]) from None


def _not_toml(message: str, text: str, path: Path) -> Fault:
    place = _WHERE.search(message)
    words = message[: place.start()] if place else message
    line = text.splitlines()[int(place[1]) - 1] if place and place[1] else ""
    if "".join(line.split("#")[0].split()) in ("[tape]", "[[tape]]") and words.startswith("Cannot"):
        words = "a calibration tape stands there already; with several of them each begins with [[tape]]"
    words = next((ours for theirs, ours in _IN_OTHER_WORDS if words.startswith(theirs)), words)
    if place and place[1]:
        return Fault(path, int(place[1]), problem=f"not TOML, column {place[2]}: {words}")
    return Fault(path, problem=f"not TOML, at the end of the file: {words}")


def _in_words(path: positions.Path) -> tuple[str, str]:
    """Return section and key of a path as they are written, entries of lists counted from 1."""
    section, rest = f"[{path[0]}]", path[1:]
    if path[0] in ("step", "tape") and rest and isinstance(rest[0], int):
        section, rest = f"[[{path[0]}]] {rest[0] + 1},", rest[1:]
    elif path[:2] == ("machine", "speeds") and len(path) > 2 and isinstance(path[2], int):
        section, rest = f"[[machine.speeds]] {path[2] + 1},", path[3:]
    elif path[0] == "step":
        section = "[[step]]"
    parts = [f"entry {part + 1}" if isinstance(part, int) else part for part in rest]
    return (section, ", ".join(parts)) if parts else (section.rstrip(","), "")
