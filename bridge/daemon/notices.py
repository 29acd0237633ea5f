"""What happened just now: warnings of the whole program and lines of its own in; the newest, for a while, out.

What the terminal warns of, whoever stands at the machine must see too: their eyes are on the page. What is wrong for as
long as it is wrong stands in `bridge.daemon.health`.
"""

import logging
import time
from typing import Final

TOLD_S: Final = 15.0
"""How long a warning is said: a head that is in the machine comes up now and then."""


class Notices(logging.Handler):
    """Keeps the newest notice, from whatever thread it comes."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self._newest = ("", 0.0)

    def emit(self, record: logging.LogRecord) -> None:
        """Take a warning or worse."""
        self.say(record.getMessage(), TOLD_S)

    def say(self, text: str, for_s: float) -> None:
        """Say something from now on for so long, unless something newer comes."""
        self._newest = (text, time.monotonic() + for_s)

    def forget(self) -> None:
        """Say it no more."""
        self._newest = ("", 0.0)

    def line(self, now_s: float) -> str:
        """Return what is to be said; empty when there is nothing. ``now_s`` is monotonic."""
        text, until_s = self._newest
        return text if now_s < until_s else ""
