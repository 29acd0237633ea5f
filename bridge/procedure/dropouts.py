"""Dropouts that last longer than cleaning sees: levels go in, which tracks may be in one comes out."""

from typing import Final

import numpy as np

from bridge.procedure.blocks import Bools, Floats
from bridge.procedure.record import Record

DIP_DB: Final = 0.1
DIP: Final = 4.5
"""What falls by this and by so many deviations of wander may be a dropout: it does not count until that is known."""

DIP_BLOCKS: Final = 7
"""A level that comes back from below within so many blocks was a dropout."""

BEFORE_BLOCKS: Final = 10


class Dips:
    """Sudden falls of single tracks that may yet be dropouts.

    Parameters
    ----------
    tracks : int
    """

    def __init__(self, tracks: int) -> None:
        self._from = np.full(tracks, -1, dtype=np.int_)
        self._level_db: Floats = np.zeros(tracks)

    @property
    def inside(self) -> Bools:
        """Tracks that are in a dip, shape (tracks,)."""
        return self._from >= 0

    def clear(self) -> None:
        """Forget all dips: something else has moved the levels."""
        self._from[:] = -1

    def update(
        self, record: Record, level_db: Floats, good: Bools, watched: Bools, deviation_db: Floats
    ) -> list[tuple[int, int]]:
        """Take a block that is about to be recorded; return the falls that turned out to be no dropouts.

        Each as its track and the block in which it began.

        Parameters
        ----------
        record : Record
            Of the levels before.
        level_db : ndarray, shape (tracks,)
        good, watched : ndarray of bool, shape (tracks,)
            Whether the level can be relied on, and whether the track is looked at: one in hand is not.
        deviation_db : ndarray, shape (tracks,)
            How far a level over 0.4 s wanders from that of the second before.
        """
        now = record.count
        allowed_db = np.maximum(DIP_DB, DIP * deviation_db)
        inside = self.inside
        before_db, held = record.means_db(now - BEFORE_BLOCKS, now)
        reference_db = np.where(inside, self._level_db, before_db[: level_db.size])
        below_db = np.where(good, reference_db - level_db, 0.0)
        begun = ~inside & watched & (held[: level_db.size] >= BEFORE_BLOCKS // 2) & (below_db > allowed_db)
        self._level_db = np.where(begun, reference_db, self._level_db)
        over = inside & (((below_db < 0.5 * allowed_db) & good) | ~watched)
        stayed = inside & ~over & (now - self._from >= DIP_BLOCKS)
        fallen = [(int(track), int(self._from[track])) for track in np.flatnonzero(stayed)]
        self._from = np.where(begun, now, np.where(over | stayed, -1, self._from))
        return fallen
