"""Who is sent the frames for a while: the subscriptions that came over OSC. Holds senders, sends nothing."""

import threading
from typing import Final

from bridge.wire.udp import Sender

SUBSCRIBERS: Final = 16
"""Most at one time. A studio has a few screens; each costs a datagram a frame."""


class Subscribers:
    """The subscriptions: taken in the receiving thread, read in the metering thread.

    Times are monotonic, in seconds. How long a subscription may be is in the address table.
    """

    def __init__(self) -> None:
        self._until_s: dict[Sender, float] = {}
        self._lock = threading.Lock()

    def subscribe(self, address: Sender, duration_s: float, now_s: float) -> str | None:
        """Send frames to ``address`` from now on; a repeat begins anew. Returns why not, or None."""
        with self._lock:
            self._forget_expired(now_s)
            if address not in self._until_s and len(self._until_s) >= SUBSCRIBERS:
                return f"there are {SUBSCRIBERS} subscribers already"
            self._until_s[address] = now_s + duration_s
        return None

    def unsubscribe(self, address: Sender) -> None:
        """Send no more frames to ``address``; nothing when it had none."""
        with self._lock:
            self._until_s.pop(address, None)

    def active(self, now_s: float) -> tuple[Sender, ...]:
        """Return who is to be sent a frame now."""
        with self._lock:
            self._forget_expired(now_s)
            return tuple(self._until_s)

    def _forget_expired(self, now_s: float) -> None:
        for address in [address for address, until_s in self._until_s.items() if until_s <= now_s]:
            del self._until_s[address]
