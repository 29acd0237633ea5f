"""A conversation with a person: questions in; answers out. A terminal, or nobody, who takes every default."""

import os
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Final, Protocol, TextIO

REDRAW_S: Final = 0.1
"""Between two pictures of the levels: quick enough to see which of them follows the hand."""

Picture = Callable[[], Sequence[str]]
"""What is to be seen now: as many lines each time. Raises OSError with one line when there is nothing more to see."""


class Console(Protocol):
    """Whoever answers. Ctrl-C raises KeyboardInterrupt and the end of the input EOFError, in every method."""

    def say(self, text: str) -> None:
        """Show a text."""
        ...

    def ask(self, question: str, default: str, *, at_cursor: str = "") -> str:
        """Return the answer without space around it; ``default`` when it is empty.

        ``at_cursor`` is asked where the question stands above already, with what can be chosen.
        """
        ...

    def watch(self, picture: Picture, question: str) -> str:
        """Return the answer as `ask` does, empty when it is, and show the changing picture until it comes."""
        ...


class Nobody:
    """Takes every default, and shows what was decided."""

    def __init__(self, out: TextIO) -> None:
        self._out = out
        self._last = ""

    def say(self, text: str) -> None:
        """Show a text."""
        print(text, file=self._out)

    def ask(self, question: str, default: str, *, at_cursor: str = "") -> str:  # noqa: ARG002 - nobody is asked
        """Return the default. A question that comes again found it wrong, and nobody has another answer: EOFError."""
        if question == self._last:
            raise EOFError
        self._last = question
        self.say(f"{question}: {default or 'none'}")
        return default

    def watch(self, picture: Picture, question: str) -> str:  # noqa: ARG002 - nobody looks
        """Return an empty answer."""
        return self.ask(question, "")


class Terminal:
    """Somebody at a terminal, or a file of answers, one a line."""

    def __init__(self, answers: TextIO, out: TextIO) -> None:
        self._answers = answers
        self._out = out

    def say(self, text: str) -> None:
        """Show a text."""
        print(text, file=self._out, flush=True)

    def ask(self, question: str, default: str, *, at_cursor: str = "") -> str:
        """Return the answer without space around it; ``default`` when it is empty."""
        asked = at_cursor or question
        prompt = f"{asked} [{default}]: " if default else f"{asked}: "
        return self._answer(prompt) or default

    def watch(self, picture: Picture, question: str) -> str:
        """Return the answer, empty when it is, and show the changing picture until it comes."""
        first = picture()
        lines = len(first)
        self.say("\n".join(first))
        # The old console of Windows does not know how to move the cursor back; its new terminal names itself so.
        if not self._out.isatty() or (sys.platform == "win32" and "WT_SESSION" not in os.environ):
            return self._answer(f"{question}: ")
        with self._redrawn(picture, lines):
            return self._answer(f"{question}: ")

    def _answer(self, prompt: str) -> str:
        self._out.write(prompt)
        self._out.flush()
        line = self._answers.readline()
        if not line:
            raise EOFError
        return line.strip()

    @contextmanager
    def _redrawn(self, picture: Picture, lines: int) -> Iterator[None]:
        """Draw the picture again and again, above the line in which the person types."""
        done = threading.Event()

        def redraw() -> None:
            while not done.wait(REDRAW_S):
                try:
                    now = picture()
                except OSError as wrong:
                    now = [f"{wrong} (press Enter)", *[""] * (lines - 1)]
                    done.set()
                rows = "".join(f"\x1b[2K{line}\r\n" for line in now)
                self._out.write(f"\x1b7\x1b[{lines}A\r{rows}\x1b8")
                self._out.flush()

        thread = threading.Thread(target=redraw, name="redraw", daemon=True)
        thread.start()
        try:
            yield
        finally:
            done.set()
            thread.join()


def at_terminal() -> Terminal:
    """Return the person at this process's terminal."""
    return Terminal(sys.stdin, sys.stdout)
