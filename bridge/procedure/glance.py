"""A glance: the newest tenths of a second of all tracks, not cleaned yet, go in; who departs from before comes out.

Cleaned levels are late by a third of a second and averaged over as much again. A brisk turn is half over by then. What
can be told at once is that a level goes somewhere; what it was shows later.
"""

from typing import Final

import numpy as np

from bridge.procedure.blocks import AROUND, Block, Bools, Floats
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

STEEP_DB: Final = 1.0
"""What falls by more than this within a tenth of a second is left to what sees later whether it was a dropout, which is
as steep. Nobody who turns by a needle turns that fast."""

STILL: Final = 1.3
"""Times the deviation within which the newest two tenths of a second must lie, against the second before, for the hand
to be off: a wrong no makes it wait a tenth of a second longer, a wrong yes says of a turning trimmer that it rests."""

STILL_NOW: Final = 1.5
"""The same for what the level does just now, against the tenths of a second before."""

LEAST_DB: Final = 0.005
"""No hand goes on that moves a level by less."""

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
        self._learned_now = Learned(np.full(3, AROUND + 1), tracks)
        self._newest_db: Floats = np.zeros((3, tracks))
        self._last_db: Floats = np.zeros(tracks)
        self._now_db: Floats = np.zeros((3, tracks))
        self._usable: Bools = np.zeros(tracks, dtype=bool)

    def forget(self) -> None:
        """Keep what has been learned as a guess only: another tone begins."""
        self._learned.forget()
        self._learned_now.forget()
        self._usable[:] = False

    def update(self, own: Record, since: Indices, block: Block, common_db: float, steady: Bools) -> None:
        """Look at the newest levels.

        Parameters
        ----------
        own : Record
            Levels of the tracks less what is common to all, and that in the last column.
        since : ndarray of int, shape (tracks,)
            The block from which each has its present level.
        block : Block
            The last of the record, and what came after it.
        common_db : float
            What is common to all tracks in that block.
        steady : ndarray of bool, shape (tracks,)
            Tracks that nobody moves.
        """
        now = own.count
        start = np.maximum(np.maximum(np.append(since, now), now - BEFORE), own.oldest)
        total, number = own.sums_by_track(np.stack([start, np.full_like(start, now)]))
        held = (number[1] - number[0])[:-1]
        before_db = (total[1] - total[0])[:-1] / np.maximum(held, 1.0)
        newest_db = block.ahead_db - before_db - common_db
        last_db = block.level_db - before_db - common_db
        self._usable = (held >= LEAST_BEFORE) & np.isfinite(newest_db).all(axis=0)
        self._newest_db = _against_others(newest_db, self._usable, steady)
        self._last_db = np.where(np.isfinite(last_db), last_db, 0.0)
        self._learned.learn(self._means_db(), np.broadcast_to(self._usable & steady, (2, self._tracks)))
        first_db, second_db, third_db = block.ahead_db
        now_db = np.stack(
            [
                block.latest_db - 0.5 * (first_db + second_db),
                block.latest_db - (block.level_db + first_db + second_db) / 3.0,
                third_db - 0.5 * (block.level_db + first_db),
            ]
        )
        seen = np.isfinite(now_db).all(axis=0)
        self._now_db = _against_others(now_db, seen, steady)
        self._learned_now.learn(self._now_db, np.broadcast_to(seen & steady, (3, self._tracks)))

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
        by_db = np.diff(np.vstack([self._last_db, self._newest_db]), axis=0)
        falls &= ((by_db < -deviation_db[0]) & (by_db > -STEEP_DB)).all(axis=0)
        departing = far & going & ((mean_db > 0.0) | falls) & watched & self._usable
        return np.flatnonzero(departing) if departing.sum() <= MOST_AT_ONCE else np.zeros(0, dtype=np.int_)

    def is_still(self, track: int) -> bool:
        """Say whether the newest levels of a track show nothing of a hand that goes on."""
        deviation_db = np.sqrt(self._learned.variance[:, track])
        now_deviation_db = np.sqrt(self._learned_now.variance[:, track])
        rests = (np.abs(self._means_db()[:, track]) <= STILL * deviation_db + LEAST_DB).all()
        return bool(rests and (np.abs(self._now_db[:, track]) <= STILL_NOW * now_deviation_db + LEAST_DB).all())


def _against_others(level_db: Floats, usable: Bools, steady: Bools) -> Floats:
    """Return levels of shape (times, tracks) less what those have in common that nobody moves; 0 if not usable."""
    counted = usable & steady
    if counted.sum() >= LEAST_TRACKS:
        level_db = level_db - np.median(level_db[:, counted], axis=1)[:, np.newaxis]
    return np.where(usable, level_db, 0.0)
