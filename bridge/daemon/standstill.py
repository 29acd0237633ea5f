"""Whether the program stood still: the system's clocks in; for how long it did, out.

A program that is stopped (Ctrl-Z, a debugger, a frozen virtual machine) or whose computer sleeps loses samples, and no
faster computer would have helped. It shows as a time that passed between two looks without work being done. While a
computer sleeps, its monotonic clock may stand still with it, so another is asked that goes on: on Linux
``CLOCK_BOOTTIME`` (clock_getres(2)), on macOS ``CLOCK_MONOTONIC`` (from memory); on Windows the usual one goes on (from
memory).
"""

import sys
import time
from collections.abc import Callable
from typing import Final

STANDSTILL_S: Final = 1.0
"""The shortest that counts: for so long samples wait for their reader."""

IDLE_SHARE: Final = 0.5
"""Whoever has worked for more of the time than this did not stand still, but was too slow."""

Clocks = Callable[[], tuple[float, float]]
"""Returns the time that passes whatever happens, and the processor time that this process has used, s."""


def system_clocks() -> tuple[float, float]:
    """Return the clocks of this computer."""
    if sys.platform == "linux":
        passed_s = time.clock_gettime(time.CLOCK_BOOTTIME)
    elif sys.platform == "darwin":
        passed_s = time.clock_gettime(time.CLOCK_MONOTONIC)
    else:
        passed_s = time.monotonic()
    return passed_s, time.process_time()


class Standstill:
    """Compares the clocks from look to look.

    Parameters
    ----------
    clocks : callable
    """

    def __init__(self, clocks: Clocks = system_clocks) -> None:
        self._clocks = clocks
        self._passed_s, self._worked_s = clocks()

    def look(self) -> float:
        """Return for how long the program has stood still since the look before, s; 0 when it has not."""
        passed_s, worked_s = self._clocks()
        since_s, work_s = passed_s - self._passed_s, worked_s - self._worked_s
        self._passed_s, self._worked_s = passed_s, worked_s
        return since_s if since_s >= STANDSTILL_S and work_s < IDLE_SHARE * since_s else 0.0
