"""What happened just now: warnings of the whole program and lines of its own in; the newest, for a while, out.

What the terminal warns of, whoever stands at the machine must see too: their eyes are on the page. What is wrong for as
long as it is wrong stands in `bridge.daemon.health`; that it is right again is a notice.
"""

import logging
import threading
import time
from collections import deque
from collections.abc import Callable
from typing import Final, NamedTuple

TOLD_S: Final = 15.0
"""How long a warning is said: a head that is in the machine comes up now and then."""

AT_ONCE_S: Final = 0.5
"""What is said within so short a time is said side by side."""

KEPT: Final = 8
"""Of more than this at once the oldest are in the log alone."""


class _Notice(NamedTuple):
    text: str
    said_s: float
    until_s: float
    is_alone: bool


class Notices(logging.Handler):
    """Keeps the newest notices, from whatever thread they come.

    An older one comes back when a newer one has been said for long enough.
    """

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self._notices: deque[_Notice] = deque(maxlen=KEPT)
        self._access = threading.Lock()

    def emit(self, record: logging.LogRecord) -> None:
        """Take a warning or worse."""
        try:
            self.say(record.getMessage(), TOLD_S)
        except Exception:
            self.handleError(record)

    def say(self, text: str, for_s: float, *, is_alone: bool = False) -> None:
        """Say something from now on for so long, unless something newer comes; ``is_alone`` with nothing beside it."""
        now_s = time.monotonic()
        with self._access:
            self._keep(lambda one: one.text != text)
            self._notices.append(_Notice(text, now_s, now_s + for_s, is_alone))

    def forget(self, problem: str) -> None:
        """Say no more what tells of a problem."""
        with self._access:
            self._keep(lambda one: problem not in one.text)

    def _keep(self, keeps: Callable[[_Notice], bool]) -> None:
        self._notices = deque(filter(keeps, self._notices), maxlen=KEPT)

    def alone(self, now_s: float) -> str:
        """Return the newest if nothing may stand beside it, else an empty line. ``now_s`` is monotonic."""
        with self._access:
            self._keep(lambda one: now_s < one.until_s)
            return self._notices[-1].text if self._notices and self._notices[-1].is_alone else ""

    def line(self, now_s: float) -> str:
        """Return what is to be said; empty when there is nothing. ``now_s`` is monotonic."""
        with self._access:
            self._keep(lambda one: now_s < one.until_s)
            newest_s = self._notices[-1].said_s if self._notices else 0.0
            return "; ".join(one.text for one in self._notices if newest_s - one.said_s < AT_ONCE_S)
