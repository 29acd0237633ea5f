"""Whether a standstill is told from a slow computer, by clocks that a test sets and by those of this computer."""

import time
from dataclasses import dataclass

import pytest

from bridge.daemon.standstill import Standstill, system_clocks


@dataclass
class Clocks:
    """Those of an invented computer."""

    passed_s: float = 1000.0
    worked_s: float = 10.0

    def __call__(self) -> tuple[float, float]:
        return self.passed_s, self.worked_s


@pytest.mark.parametrize(
    ("passed_s", "worked_s", "stood_s"),
    [
        (0.05, 0.01, 0.0),  # an ordinary look
        (0.9, 0.0, 0.0),  # as long as samples wait: nothing is lost
        (8.0, 0.02, 8.0),  # stopped
        (28_800.0, 0.02, 28_800.0),  # a night asleep
        (8.0, 7.5, 0.0),  # too slow: it worked all the time
        (2.0, 14.0, 0.0),  # too slow, with several threads
    ],
)
def test_who_worked_did_not_stand_still(passed_s: float, worked_s: float, stood_s: float) -> None:
    clocks = Clocks()
    standstill = Standstill(clocks)
    clocks.passed_s += passed_s
    clocks.worked_s += worked_s
    assert standstill.look() == pytest.approx(stood_s)
    assert standstill.look() == 0.0, "each is told once"


def test_the_clock_goes_on_while_the_computer_sleeps() -> None:
    """CLOCK_BOOTTIME "also includes any time that the system is suspended" (Linux, clock_gettime(2))."""
    before_s = time.clock_gettime(time.CLOCK_BOOTTIME)
    passed_s, _ = system_clocks()
    assert before_s <= passed_s <= time.clock_gettime(time.CLOCK_BOOTTIME)
