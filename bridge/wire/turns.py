"""What hearing commands may cost: a bounded share of the processor, however many come."""

import math
from typing import Final

TURN_S: Final = 0.001
PAUSE_S: Final = 0.005
"""Under a flood a thread that hears works for a sixth of the time at most, so UDP and TCP together for a third, a
millisecond at a stretch (512 frames at 96 kHz are five), and takes some 10,000 packets a second. A controller with both
hands on its faders sends a few hundred."""

LONGEST_PAUSE_S: Final = 0.05
"""For datagrams, which are lost meanwhile: one long turn (Python collecting its garbage in the middle of it) shall not
deafen the thread. In so long the system's buffer takes some thousand packets, and a hand waits as for a block."""


def pause_s(worked_s: float, longest_s: float = math.inf) -> float:
    """Return for how many seconds to rest after a turn in which a thread has had so much of the processor."""
    return min(max(PAUSE_S, PAUSE_S / TURN_S * worked_s), longest_s)
