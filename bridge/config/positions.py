"""Where things stand in a TOML text: a valid text in, the line of every section and key out.

The standard parser tells no positions, and a fault that names its line is found at once.
"""

from bisect import bisect_right
from collections.abc import Iterator
from itertools import accumulate
from typing import Final

Path = tuple[str | int, ...]
"""The keys and list indices (from 0) that lead to a value."""

_BARE: Final = frozenset("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789_-")
_ESCAPES: Final = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r", "e": "\x1b", '"': '"', "\\": "\\"}


def lines(text: str) -> dict[Path, int]:
    """Return the line (from 1) on which each section, key and list entry of a valid TOML text begins.

    The text must be valid (``tomllib`` has accepted it); of an invalid one nothing useful is said.
    """
    return _Scanner(text).scan()


class _Scanner:
    def __init__(self, text: str) -> None:
        self._text = text.replace("\r\n", "\n")
        self._at = 0
        self._starts = [0, *accumulate(len(line) + 1 for line in self._text.split("\n"))]
        self._lines: dict[Path, int] = {}
        self._counts: dict[Path, int] = {}

    def scan(self) -> dict[Path, int]:
        section: Path = ()
        for _ in self._statements():
            if self._text.startswith("[[", self._at):
                self._at += 2
                section = self._resolved(self._dotted_key())
                count = self._counts.get(section, 0)
                self._counts[section] = count + 1
                self._note(section)
                section = (*section, count)
                self._at += 2
                self._lines[section] = self._line()
            elif self._text[self._at] == "[":
                self._at += 1
                section = self._resolved(self._dotted_key())
                self._at += 1
                self._lines.setdefault(section, self._line())
            else:
                self._pair(section)
        return self._lines

    def _statements(self) -> Iterator[None]:
        """Stop at each header and each pair outside brackets."""
        while True:
            self._skip_space()
            if self._at >= len(self._text):
                return
            yield

    def _pair(self, section: Path) -> None:
        line = self._line()
        path = section
        for key in self._dotted_key():
            path = (*path, key)
            self._lines.setdefault(path, line)
        self._at += 1  # the equals sign
        self._value(path)

    def _value(self, path: Path) -> None:
        self._skip_space()
        start = self._text[self._at]
        if start in "\"'":
            self._string()
        elif start == "[":
            self._at += 1
            index = 0
            while not self._closes("]"):
                self._lines[(*path, index)] = self._line()
                self._value((*path, index))
                index += 1
        elif start == "{":
            self._at += 1
            while not self._closes("}"):
                self._pair(path)
        else:
            while self._at < len(self._text) and self._text[self._at] not in ",]}#\n":
                self._at += 1

    def _closes(self, bracket: str) -> bool:
        """Skip space and commas up to the next entry, or over the closing bracket."""
        self._skip_space()
        while self._text[self._at] == ",":
            self._at += 1
            self._skip_space()
        if self._text[self._at] != bracket:
            return False
        self._at += 1
        return True

    def _dotted_key(self) -> tuple[str, ...]:
        """Read a key up to its equals sign or closing bracket, which is left to read."""
        parts: list[str] = []
        while True:
            self._skip_space()
            char = self._text[self._at]
            if char in "\"'":
                parts.append(self._string())
            elif char == ".":
                self._at += 1
            elif char in _BARE:
                start = self._at
                while self._text[self._at] in _BARE:
                    self._at += 1
                parts.append(self._text[start : self._at])
            else:
                return tuple(parts)

    def _string(self) -> str:
        quote = self._text[self._at]
        mark = quote * 3 if self._text.startswith(quote * 3, self._at) else quote
        self._at += len(mark)
        out: list[str] = []
        while not self._text.startswith(mark, self._at):
            char = self._text[self._at]
            self._at += 1
            out.append(self._escaped() if char == "\\" and quote == '"' else char)
        self._at += len(mark)
        if len(mark) == 3:
            while self._at < len(self._text) and self._text[self._at] == quote:
                self._at += 1
        return "".join(out)

    def _escaped(self) -> str:
        letter = self._text[self._at]
        self._at += 1
        digits = {"x": 2, "u": 4, "U": 8}.get(letter, 0)
        if digits:
            code = self._text[self._at : self._at + digits]
            self._at += digits
            return chr(int(code, 16))
        return _ESCAPES.get(letter, "")

    def _resolved(self, keys: tuple[str, ...]) -> Path:
        """Return the path that a header means: a list on the way stands for its newest entry."""
        path: Path = ()
        for position, key in enumerate(keys):
            path = (*path, key)
            if position < len(keys) - 1:
                if path in self._counts:
                    path = (*path, self._counts[path] - 1)
                else:
                    self._lines.setdefault(path, self._line())
        return path

    def _note(self, path: Path) -> None:
        self._lines.setdefault(path, self._line())

    def _skip_space(self) -> None:
        while self._at < len(self._text):
            char = self._text[self._at]
            if char == "#":
                end = self._text.find("\n", self._at)
                self._at = len(self._text) if end < 0 else end
            elif char in " \t\n":
                self._at += 1
            else:
                return

    def _line(self) -> int:
        return bisect_right(self._starts, self._at)
