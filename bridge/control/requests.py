"""What became of the requests: an id asked again is answered again, and nothing is done twice."""

import threading
from collections import OrderedDict
from collections.abc import Hashable
from typing import Final, Literal

SENDERS: Final = 64
"""Most senders remembered: the screens and controllers of a studio, and tools that use a new port each time."""

IDS: Final = 256
"""Most ids remembered of a sender; four times what the inbox holds: those still to be answered are kept."""

Standing = Literal["new", "pending"] | tuple[str | None]
"""A new request, one that is being done, or the answer that one was given: None for done, or why it was refused."""


class RequestMemory:
    """Remembers ids and answers for each sender; the oldest are forgotten. Safe between threads."""

    def __init__(self) -> None:
        self._senders: OrderedDict[Hashable, OrderedDict[str, tuple[str | None] | None]] = OrderedDict()
        self._lock = threading.Lock()

    def begin(self, sender: Hashable, request_id: str) -> Standing:
        """Return how a request stands that is about to be done.

        A new one is pending from now on. It is known by its id alone, whatever command comes with it.
        """
        with self._lock:
            ids = self._ids(sender)
            if request_id not in ids:
                self._remember(ids, request_id, None)
                return "new"
            return ids[request_id] or "pending"

    def answered(self, sender: Hashable, request_id: str, refused_reason: str | None) -> None:
        """Remember the answer to a request."""
        with self._lock:
            self._remember(self._ids(sender), request_id, (refused_reason,))

    def forget(self, sender: Hashable, request_id: str) -> None:
        """Take a request as never begun: it may be asked again."""
        with self._lock:
            self._ids(sender).pop(request_id, None)

    def _ids(self, sender: Hashable) -> OrderedDict[str, tuple[str | None] | None]:
        ids = self._senders.setdefault(sender, OrderedDict())
        self._senders.move_to_end(sender)
        if len(self._senders) > SENDERS:
            self._senders.popitem(last=False)
        return ids

    @staticmethod
    def _remember(
        ids: OrderedDict[str, tuple[str | None] | None], request_id: str, answer: tuple[str | None] | None
    ) -> None:
        ids[request_id] = answer
        if len(ids) > IDS:
            ids.popitem(last=False)
