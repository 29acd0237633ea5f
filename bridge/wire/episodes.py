"""When a fault that goes on is worth a line: once, until it has been quiet for a while."""

import logging
import time
from dataclasses import dataclass
from typing import Final

QUIET_S: Final = 10.0
"""A fault that stays away for so long is over. Frames come 1–100 times a second, so a fault of theirs shows sooner."""


@dataclass(slots=True)
class Episode:
    """One kind of fault. For one thread."""

    quiet_s: float = QUIET_S
    _last_s: float = float("-inf")

    def happened(self, now_s: float) -> bool:
        """Note that it happened at ``now_s`` (monotonic). True when this is the first of an episode."""
        first = now_s - self._last_s > self.quiet_s
        self._last_s = now_s
        return first


class Vanishings:
    """Connections that ended without a good-bye: counted, and told once an episode.

    For one thread; others may read the count.

    Parameters
    ----------
    log : Logger
    more : str
        What else is to be said of one, if anything.
    """

    def __init__(self, log: logging.Logger, more: str = "") -> None:
        self.count = 0
        self._log = log
        self._more = more
        self._episode = Episode()

    def happened(self, who: str) -> None:
        """Note that one has ended so."""
        self.count += 1
        if self._episode.happened(time.monotonic()):
            self._log.info("%s went away without a good-bye: %d so far%s", who, self.count, self._more)
