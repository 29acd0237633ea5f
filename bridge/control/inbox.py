"""The commands on their way to the procedure: from every control's thread into the metering thread, in order."""

import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from bridge.procedure.commands import Command

INBOX: Final = 64
"""Most commands that wait. They are taken after every block, so a person never has more than one or two waiting."""


@dataclass(frozen=True, slots=True)
class Request:
    """A command and who wants to know what became of it.

    Parameters
    ----------
    command : Command
        What to do.
    sender : str
        Where it came from, for people and for the log.
    answer : callable
        To be called once, from any thread: with None when it is done (a trim is committed), with the reason when not.
    """

    command: Command
    sender: str
    answer: Callable[[str | None], None]


class CommandInbox:
    """A bounded queue of requests, safe between threads; nobody ever waits for it."""

    def __init__(self) -> None:
        self._waiting: deque[Request] = deque()
        self._lock = threading.Lock()
        self._dropped = 0

    @property
    def dropped(self) -> int:
        """Requests for which there was no room."""
        return self._dropped

    def put(self, request: Request) -> bool:
        """Append a request. False when the inbox is full: then say so to whoever asked; it is counted."""
        with self._lock:
            if len(self._waiting) >= INBOX:
                self._dropped += 1
                return False
            self._waiting.append(request)
            return True

    def take(self) -> list[Request]:
        """Return all that wait, oldest first, and leave the inbox empty."""
        with self._lock:
            requests = list(self._waiting)
            self._waiting.clear()
        return requests
