"""Questions about the keys of a config: answers are checked at once and asked for again until they are right."""

import math
from collections.abc import Callable, Sequence
from copy import deepcopy
from pathlib import Path
from typing import Any, TypeVar

from bridge.cli.console import Console
from bridge.config.faults import ConfigFaults, shown
from bridge.config.load import loads
from bridge.config.template import render

Answer = Callable[[str], Any]
"""From what was typed to the value of a key. Raises ValueError with what would be right."""

Given = TypeVar("Given")


class Questions:
    """What is decided so far, and whoever answers.

    ``values`` holds sections and their keys as TOML would read them; at all times they make a config that loads.

    Parameters
    ----------
    path : Path
        Where the config will stand.
    console : Console
        Whoever answers.
    """

    def __init__(self, path: Path, console: Console) -> None:
        self.values: dict[str, Any] = {"machine": {"name": "?", "tracks": 1}}
        self.console = console
        self._path = path

    def ask(self, key: tuple[str, str], question: str, default: str, answer: Answer = str) -> Any:
        """Ask for a key until the answer is right, keep it, and return it."""
        return self.until_right(lambda: self.decide(key, answer(self.console.ask(question, default))))

    def decide(self, key: tuple[str, str], value: Any) -> Any:
        """Keep the value of a key, and return it; where the section stands several times, of its last entry.

        Raises
        ------
        ValueError
            When it cannot be, with what would be right; then what was decided before stands.
        """
        tried = deepcopy(self.values)
        table = tried.setdefault(key[0], {})
        (table[-1] if isinstance(table, list) else table)[key[1]] = value
        self._keep(tried)
        return value

    def another(self, section: str, values: dict[str, Any]) -> None:
        """Begin one more entry of a section that may stand several times; what is decided after belongs to it."""
        tried = deepcopy(self.values)
        before = tried[section]
        tried[section] = [*(before if isinstance(before, list) else [before]), values]
        self._keep(tried)

    def _keep(self, tried: dict[str, Any]) -> None:
        try:
            loads(render(tried, ""), self._path)
        except ConfigFaults as wrong:
            fault = wrong.faults[0]
            said = as_typed("; ".join(part for part in (fault.problem, fault.suggestion) if part))
            raise ValueError(f"{fault.value}: {said}" if fault.value else said) from None
        self.values = tried

    def until_right(self, question: Callable[[], Given]) -> Given:
        """Ask until nothing is wrong; what is wrong is said."""
        while True:
            try:
                return question()
            except ValueError as wrong:
                self.console.say(f"  {wrong}")

    def yes(self, question: str, default: bool) -> bool:
        """Ask a question that is answered by yes or no."""

        def answer() -> bool:
            said = self.console.ask(f"{question} (yes or no)", "yes" if default else "no").lower()
            if said not in ("y", "yes", "n", "no"):
                raise ValueError(said_wrong(said, "must be yes or no"))
            return said.startswith("y")

        return self.until_right(answer)

    def choose(self, question: str, choices: Sequence[str], default: int = 0) -> int:
        """Ask for one of several, by number from 1, by its words, or by those before a colon; return its position."""
        names = [choice.partition(":")[0] for choice in choices]

        def answer() -> int:
            said = self.console.ask(question, str(default + 1), at_cursor="Which one")
            for known in (choices, names):
                if said in known:
                    return known.index(said)
            if said.isdecimal() and 1 <= int(said) <= len(choices):
                return int(said) - 1
            wrong = int(said) if said.isdecimal() and len(said) < 12 else said
            raise ValueError(said_wrong(wrong, f"must be a number from 1 to {len(choices)}, or the words behind it"))

        self.console.say(f"{question}:")
        for number, choice in enumerate(choices, start=1):
            self.console.say(f"  {number:2}  {choice}")
        return self.until_right(answer)


def said_wrong(value: object, problem: str) -> str:
    """Return what is said of a wrong answer."""
    said = f"{value:g}" if isinstance(value, float) else shown(value)
    return f"{said}: {as_typed(problem)}" if value != "" else as_typed(problem)


def as_typed(problem: str) -> str:
    """Return what is wrong in a config as what is wrong in an answer, which stands in no quotes."""
    return problem.replace("text in quotes", "text").replace(", in quotes", "")


def whole(text: str) -> int:
    """Return a whole number."""
    if not text.removeprefix("-").isdecimal() or len(text) > 12:
        raise ValueError(said_wrong(text, "must be a whole number, without a unit"))
    return int(text)


def number(text: str) -> float:
    """Return a number; a comma for the decimals is taken, as half of Europe writes it."""
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise ValueError(said_wrong(text, "must be a number, without a unit"))
    return value


def numbers(text: str) -> list[float]:
    """Return one number or more, with space between them."""
    if not words(text):
        raise ValueError(said_wrong(text, "must be at least one number"))
    return [number(word) for word in words(text)]


def words(text: str) -> list[str]:
    """Return what stands between spaces or semicolons."""
    return text.replace(";", " ").split()
