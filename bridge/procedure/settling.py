"""What is said of a level that has settled: the mean over a stretch, its spread, its standard error, its digits."""

import math
from dataclasses import dataclass
from typing import Final

from bridge.procedure.blocks import BLOCK_S
from bridge.procedure.record import Record
from bridge.procedure.wander import Unsteadiness
from bridge.readings import resolution_db

ENOUGH_DB: Final = 0.005
"""A standard error below this is half of the last digit that is ever written: a longer stretch adds nothing."""

LONGEST_S: Final = 10.0
"""A person waits no longer for a level to be written down, and slow drift makes an older level the wrong one."""

SHORTEST_S: Final = 2.0

GAIN: Final = 0.9
"""A stretch half as long again that leaves more than this share of the standard error is not worth its time."""


@dataclass(frozen=True, slots=True)
class Settled:
    """A level over a stretch of time.

    Parameters
    ----------
    level_db : float
        Mean fine deviation.
    spread_db : float
        Standard deviation within the stretch, of levels over 0.1 s.
    standard_error_db : float
        Of the mean, with the time that wander takes to forget itself taken into account.
    seconds : float
        How much of the stretch was good enough to count.
    from_s, to_s : float
    """

    level_db: float
    spread_db: float
    standard_error_db: float
    seconds: float
    from_s: float
    to_s: float

    @property
    def resolution_db(self) -> float:
        """The finest step that the standard error carries: 0.01, 0.02, 0.05, 0.1 … dB."""
        return resolution_db(self.standard_error_db)


def settled(record: Record, unsteadiness: Unsteadiness, track: int, start: int, end: int) -> Settled:
    """Return what the blocks of a track from ``start`` to ``end`` say; NaN when none of them is good."""
    number, mean_db, spread_db = record.moments(track, start, end)
    error_db = unsteadiness.standard_error_db(track, number) if number else math.nan
    first = max(start, record.oldest)
    from_s = record.end_s(first) - BLOCK_S
    return Settled(mean_db, spread_db, error_db, number * BLOCK_S, from_s, record.end_s(max(end - 1, first)))


def long_enough(unsteadiness: Unsteadiness, track: int, blocks: int) -> bool:
    """Say whether a mean over so many blocks would gain nothing worth having from more of them."""
    seconds = blocks * BLOCK_S
    if seconds < SHORTEST_S:
        return False
    now_db = unsteadiness.standard_error_db(track, blocks)
    if seconds >= LONGEST_S or now_db <= ENOUGH_DB:
        return True
    return unsteadiness.standard_error_db(track, blocks * 3 // 2) > GAIN * now_db
