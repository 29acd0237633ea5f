"""A glance: the newest tenths of a second of all tracks, not cleaned yet, go in; who departs from before comes out.

Cleaned levels are late by a third of a second and averaged over as much again. A brisk turn is half over by then. What
can be told at once is that a level goes somewhere; what it was shows later.
"""

from typing import Final

import numpy as np

from bridge.procedure.blocks import Bools, Floats
from bridge.procedure.record import Indices, Record
from bridge.procedure.wander import Learned

BEFORE: Final = 10
"""Blocks that the newest are compared with."""

LEAST_BEFORE: Final = 6

DEPARTS: Final = 6.0
"""Times the deviation of wander by which the newest two tenths of a second must depart to be a movement."""

DEPARTS_DB: Final = 0.12

FALLS: Final = 4.0
"""Times the deviation by which all the newest must lie below, each further than the one before, for a fall to be a
movement: a dropout is at its deepest sooner, and comes back."""

STILL: Final = 2.6
"""Times the deviation within which the newest must lie for the hand to be off."""

LEAST_TRACKS: Final = 3
MOST_AT_ONCE: Final = 2
"""More tracks than this that depart at once are in a dropout, or the playback level is moved."""


class Glance:
    """The newest blocks of all tracks against the second before.

    Parameters
    ----------
    tracks : int
    """

    def __init__(self, tracks: int) -> None:
        self._tracks = tracks
        self._learned = Learned(np.array([BEFORE + 1, BEFORE + 2]), tracks)
        self._newest_db: Floats = np.zeros((3, tracks))
        self._last_db: Floats = np.zeros(tracks)
        self._usable: Bools = np.zeros(tracks, dtype=bool)

    def forget(self) -> None:
        """Keep what has been learned as a guess only: another tone begins."""
        self._learned.forget()
        self._usable[:] = False

    def update(self, own: Record, since: Indices, ahead_db: Floats, common_db: float, steady: Bools) -> None:
        """Look at the newest blocks.

        Parameters
        ----------
        own : Record
            Levels of the tracks less what is common to all, and that in the last column.
        since : ndarray of int, shape (tracks,)
            The block from which each has its present level.
        ahead_db : ndarray, shape (3, tracks)
            The blocks after the last of the record, not cleaned.
        common_db : float
            What is common to all tracks in the last block of the record.
        steady : ndarray of bool, shape (tracks,)
            Tracks that nobody moves.
        """
        now = own.count
        start = np.maximum(np.maximum(np.append(since, now), now - BEFORE), own.oldest)
        total, number = own.sums_by_track(np.stack([start, np.full_like(start, now)]))
        held = (number[1] - number[0])[:-1]
        before_db = (total[1] - total[0])[:-1] / np.maximum(held, 1.0)
        newest_db = ahead_db - before_db - common_db
        last_db = own.level_db(now - 1, now)[0, :-1] - before_db
        usable = (held >= LEAST_BEFORE) & np.isfinite(newest_db).all(axis=0)
        counted = usable & steady
        if counted.sum() >= LEAST_TRACKS:
            newest_db = newest_db - np.median(newest_db[:, counted], axis=1)[:, np.newaxis]
        self._newest_db = np.where(usable, newest_db, 0.0)
        self._last_db = np.where(np.isfinite(last_db), last_db, 0.0)
        self._usable = usable
        self._learned.learn(self._means_db(), np.broadcast_to(counted, (2, self._tracks)))

    def _means_db(self) -> Floats:
        """Return the newest block and the mean of the newest two, shape (2, tracks)."""
        return np.stack([self._newest_db[2], 0.5 * (self._newest_db[1] + self._newest_db[2])])

    def departing(self, watched: Bools) -> Indices:
        """Return the tracks whose level goes somewhere just now."""
        if self._tracks < LEAST_TRACKS:
            return np.zeros(0, dtype=np.int_)
        deviation_db = np.sqrt(self._learned.variance)
        mean_db = self._means_db()[1]
        far = np.abs(mean_db) >= np.maximum(DEPARTS * deviation_db[1], DEPARTS_DB)
        going = np.abs(self._newest_db[2]) >= 0.9 * np.abs(self._newest_db).max(axis=0)
        falls = (self._newest_db <= -FALLS * deviation_db[0]).all(axis=0)
        falls &= (np.diff(np.vstack([self._last_db, self._newest_db]), axis=0) < -deviation_db[0]).all(axis=0)
        departing = far & going & ((mean_db > 0.0) | falls) & watched & self._usable
        return np.flatnonzero(departing) if departing.sum() <= MOST_AT_ONCE else np.zeros(0, dtype=np.int_)

    def is_still(self, track: int) -> bool:
        """Say whether the newest blocks of a track show nothing of a hand that goes on."""
        deviation_db = np.sqrt(self._learned.variance[:, track])
        return bool((np.abs(self._means_db()[:, track]) <= STILL * deviation_db + 0.005).all())
