"""Whether each track is within its tolerance: readings in, the tracks that are right out, frame by frame.

At the very edge of the tolerance a tape wanders in and out, and a verdict that follows every reading flickers. So a
verdict changes only when the reading is beyond the edge by more than chance, which is two standard errors. A single
reading is as far off as readings differ: that is its spread. Where the trimmer is being turned, or the spread is not
known yet, the reading alone decides: there the hand wants to see at once where it is.
"""

import math
from collections.abc import Iterable
from typing import Final

from bridge.readings import Reading

STANDARD_ERRORS: Final = 2.0
"""Beyond so many, one reading in twenty lies by chance (normal distribution), on either side."""

MOST_OF_TOLERANCE: Final = 0.5
"""However unsteady the tape, the middle half of the tolerance is right, and half of it more is outside."""


class Judgement:
    """Remembers which tracks were right."""

    def __init__(self) -> None:
        self._right: set[int] = set()
        self._known: set[int] = set()

    def forget(self) -> None:
        """Begin anew: what was right by another target says nothing."""
        self._right.clear()
        self._known.clear()

    def judge(self, readings: Iterable[Reading], tolerance_db: float) -> tuple[int, ...]:
        """Return the tracks that are within the tolerance.

        Parameters
        ----------
        readings : iterable of Reading
            Of the tracks of the bank. One without a fine deviation is judged by its needle, one without any is not
            right.
        tolerance_db : float
        """
        return tuple(one.track for one in readings if self._is_right(one, tolerance_db))

    def _is_right(self, reading: Reading, tolerance_db: float) -> bool:
        track = reading.track
        deviation_db = reading.deviation_db if math.isnan(reading.fine_db) else reading.fine_db
        if math.isnan(deviation_db) or reading.state == "quiet":
            self._known.discard(track)
            return False
        edge_db = tolerance_db
        if track in self._known and reading.state != "moving":
            margin_db = margin(reading.spread_db, tolerance_db)
            edge_db += margin_db if track in self._right else -margin_db
        self._known.add(track)
        if abs(deviation_db) <= edge_db:
            self._right.add(track)
        else:
            self._right.discard(track)
        return track in self._right


def margin(spread_db: float, tolerance_db: float) -> float:
    """Return by how much a reading must be beyond the edge of the tolerance for the verdict to change, dB."""
    if math.isnan(spread_db):
        return 0.0
    return min(STANDARD_ERRORS * spread_db, MOST_OF_TOLERANCE * tolerance_db)
