"""What is wrong in a config: one fault, one line; and the exception that carries all of them at once."""

import json
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from bridge.config import positions

LONGEST_VALUE = 60
"""Characters of a wrong value that are shown: enough to find it, short enough for one line."""


@dataclass(frozen=True, slots=True)
class Finding:
    """A fault as the checks report it: where it is by its path in the config, not yet by file and line.

    ``show_value`` is False where the value found says nothing: of a key that is unknown, or an entry as a whole.
    """

    path: positions.Path
    problem: str
    suggestion: str = ""
    show_value: bool = True


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong in a config. Whatever is empty is not said.

    Parameters
    ----------
    file : Path
        The file in which it stands.
    line : int or None
        Its line, from 1; of a missing key the line of its section.
    section : str
        As written in the file: ``[audio]``, ``[[step]]``; with the number of the entry in a list.
    key : str
        The key.
    value : str
        The value found, as TOML.
    problem : str
        What is wrong, with the allowed range or choices.
    suggestion : str
        What would probably be right.
    """

    file: Path
    line: int | None = None
    section: str = ""
    key: str = ""
    value: str = ""
    problem: str = ""
    suggestion: str = ""

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}" if self.line else f"{self.file}"
        what = " ".join(part for part in (self.section, self.key, f"= {self.value}" if self.value else "") if part)
        said = "; ".join(part for part in (self.problem, self.suggestion) if part)
        return printable(": ".join(part for part in (place, what, said) if part))


class ConfigFaults(Exception):  # noqa: N818 - it carries several
    """A config that cannot be used; ``faults`` holds everything that is wrong with it, in the order of the file."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(map(str, self.faults)))


def shown(value: object, depth: int = 0) -> str:
    """Return a value as it is written in TOML, on one line, cut to `LONGEST_VALUE`."""
    if isinstance(value, bool):
        text = "true" if value else "false"
    elif isinstance(value, int):
        text = str(value) if value.bit_length() <= 64 else hex(value)
    elif isinstance(value, str):
        text = json.dumps(value, ensure_ascii=False)
    elif isinstance(value, dict | list | tuple) and depth > 2:
        text = "…"
    elif isinstance(value, dict):
        pairs = [f"{key} = {shown(item, depth + 1)}" for key, item in value.items()]
        text = "{ " + ", ".join(pairs) + " }" if pairs else "{}"
    elif isinstance(value, list | tuple):
        text = "[" + ", ".join(shown(item, depth + 1) for item in value) + "]"
    else:
        text = str(value)
    return text if len(text) <= LONGEST_VALUE else text[: LONGEST_VALUE - 1] + "…"


def printable(text: str) -> str:
    """Return text without anything that would move the cursor or break the line."""
    return "".join(char if char.isprintable() else char.encode("unicode_escape").decode() for char in text)
