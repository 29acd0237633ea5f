"""Waiting for what happens in another thread."""

import time
from collections.abc import Callable

DEADLINE_S = 30.0


def wait_until(condition: Callable[[], bool]) -> None:
    end_s = time.monotonic() + DEADLINE_S
    while not condition():
        assert time.monotonic() < end_s, "it never happened"
        time.sleep(0.002)
