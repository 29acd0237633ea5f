"""Whether each track is within its tolerance: readings in, the tracks that are right out, frame by frame.

No track is right whose reading is outside: pressed just then, Log would write that down. At the very edge of the
tolerance a tape wanders in and out, and a verdict that follows every reading flickers. So what was outside is right
again only when it has been within by more than chance for a while: by two standard errors. A single reading is as far
off as readings differ: that is its spread. A level that relapses must be within for longer each time. Where the trimmer
is being turned, or the spread is not known yet, the reading alone decides: there the hand wants to see at once where it
is. The needle alone decides nothing at once: when a tone begins it sweeps through the target on its way.
"""

import math
from collections.abc import Iterable
from typing import Final

from bridge.readings import Reading

STANDARD_ERRORS: Final = 2.0
"""Beyond so many, one reading in twenty lies by chance (normal distribution), on either side."""

MOST_OF_TOLERANCE: Final = 0.5
"""However unsteady the tape, the middle half of the tolerance is right."""

HOLDS_S: Final = 0.5
"""What was outside must have been within for so long. Readings are means over 0.4 s: this is a second look, with other
samples. Without it a level just within the edge, by one spread, changed its verdict five times as often (simulated
wander with a correlation time of half a second)."""

RELAPSES: Final = 2.0
"""Each time that a level leaves the tolerance while no hand moves it, it must then be within for so many times longer:
on tape that wanders over seconds the spread within a second tells nothing of how far it goes."""

LONGEST_HOLD_S: Final = 8.0
FORGIVEN_S: Final = 20.0
"""A level that has been right for so long has not relapsed, but changed."""


class Judgement:
    """Remembers which tracks were right, and when the others were last outside."""

    def __init__(self) -> None:
        self._right: set[int] = set()
        self._known: set[int] = set()
        self._outside_s: dict[int, float] = {}
        self._right_s: dict[int, float] = {}
        self._hold_s: dict[int, float] = {}

    def forget(self) -> None:
        """Begin anew: what was right by another target says nothing."""
        self._right.clear()
        self._known.clear()
        self._outside_s.clear()
        self._right_s.clear()
        self._hold_s.clear()

    def judge(self, readings: Iterable[Reading], tolerance_db: float, position_s: float) -> tuple[int, ...]:
        """Return the tracks that are within the tolerance.

        Parameters
        ----------
        readings : iterable of Reading
            Of the tracks of the bank. One without a fine deviation is judged by its needle, one without any is not
            right.
        tolerance_db : float
        position_s : float
            When they were read, in seconds from the start of the source.
        """
        return tuple(one.track for one in readings if self._is_right(one, tolerance_db, position_s))

    def _is_right(self, reading: Reading, tolerance_db: float, position_s: float) -> bool:
        track = reading.track
        deviation_db = reading.deviation_db if math.isnan(reading.fine_db) else reading.fine_db
        if math.isnan(deviation_db) or reading.state == "quiet":
            self._known.discard(track)
            return False
        off_db, margin_db = abs(deviation_db), margin(reading.spread_db, tolerance_db)
        by_needle = math.isnan(reading.fine_db)
        at_once = not by_needle and (track not in self._known or reading.state == "moving" or margin_db == 0.0)
        if not by_needle:
            self._known.add(track)
        if off_db > tolerance_db - margin_db:
            self._outside_s[track] = position_s
        if reading.state == "moving":
            self._hold_s.pop(track, None)
        hold_s = self._hold_s.get(track, HOLDS_S)
        if off_db > tolerance_db:
            if track in self._right and reading.state != "moving":
                relapsed = position_s - self._right_s[track] < FORGIVEN_S
                self._hold_s[track] = min(hold_s * RELAPSES, LONGEST_HOLD_S) if relapsed else HOLDS_S
            self._right.discard(track)
        elif track not in self._right and (at_once or position_s - self._outside_s.get(track, -math.inf) >= hold_s):
            self._right.add(track)
            self._right_s[track] = position_s
        return track in self._right


def margin(spread_db: float, tolerance_db: float) -> float:
    """Return by how much what was outside must be within the edge of the tolerance to be right again, dB."""
    if math.isnan(spread_db):
        return 0.0
    return min(STANDARD_ERRORS * spread_db, MOST_OF_TOLERANCE * tolerance_db)
