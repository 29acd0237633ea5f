"""What is common to all tracks: levels of all go in, the one level that they share comes out.

The tape wanders, the playback level is moved, the speed changes: all that happens to all tracks alike. It is the median
of how far each track is from where it usually is, so a hand on one or two of them does not move it.
"""

from typing import Final

import numpy as np

from bridge.procedure.blocks import Bools, Floats
from bridge.procedure.record import Indices, Record

LEAST_TRACKS: Final = 3
"""Two tracks that differ do not tell which of them has moved, and one has none to compare with."""

LEAST_BLOCKS: Final = 8
"""A track joins the others when its usual level has been seen for so long,"""

MOST_BLOCKS: Final = 100
"""and its usual level stands when it has been seen for so long: from then on it must not follow any more."""


class CommonLevel:
    """The level that all tracks share, from an arbitrary zero.

    Parameters
    ----------
    tracks : int
    """

    def __init__(self, tracks: int) -> None:
        self._usual_db = np.zeros(tracks)
        self._joined = np.zeros(tracks, dtype=bool)
        self._db = 0.0

    def update(self, level_db: Floats, counted: Bools) -> float:
        """Return the common level of a block; tracks that are not ``counted`` have no say."""
        counted = counted & self._joined
        if counted.sum() >= LEAST_TRACKS:
            self._db = float(np.median((level_db - self._usual_db)[counted]))
        return self._db

    def learn(self, own: Record, since: Indices, steady: Bools) -> None:
        """Learn where each track usually is against the others.

        Parameters
        ----------
        own : Record
            Levels less the common one, and that in the last column.
        since : ndarray of int, shape (tracks + 1,)
            From when on each has had its level.
        steady : ndarray of bool, shape (tracks,)
        """
        now = own.count
        blocks = now - since[:-1]
        learning = steady & (blocks >= LEAST_BLOCKS) & ((blocks <= MOST_BLOCKS) | ~self._joined)
        if learning.any():
            total, number = own.sums_by_track(np.stack([np.maximum(since, own.oldest), np.full_like(since, now)]))
            held = (number[1] - number[0])[:-1]
            learning &= held >= LEAST_BLOCKS // 2
            self._usual_db = np.where(learning, (total[1] - total[0])[:-1] / np.maximum(held, 1.0), self._usual_db)
        self._joined = (self._joined | learning) & steady
