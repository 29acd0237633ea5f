"""Who wants it held: requests to hold in; answers out, once nothing can log itself any more."""

from collections import deque
from collections.abc import Callable

from bridge.control.inbox import Request
from bridge.daemon.ledger import Ledger

RELEASED = "hold was released before it began"


class Holding:
    """Answers a request to hold when all is in the log that was left before."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger
        # Each with the trims that the log was given before.
        self._waiting: deque[tuple[Request, int]] = deque()

    @property
    def is_awaited(self) -> bool:
        """Whether somebody waits to be told that it is held."""
        return bool(self._waiting)

    def ask(self, request: Request) -> None:
        """Take a request to hold, and answer it at once where nothing is under way."""
        self._waiting.append((request, self._ledger.trims_given))
        self.answer()

    def answer(self) -> None:
        """Say that it is held to whoever can be told so by now."""
        while self._waiting and self._ledger.knows(self._waiting[0][1]):
            request, _ = self._waiting.popleft()
            request.answer(None)

    def release(self, decline: Callable[[Request, str], None]) -> None:
        """Tell whoever still waits that it will not be held."""
        while self._waiting:
            request, _ = self._waiting.popleft()
            decline(request, RELEASED)
