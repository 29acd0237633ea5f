"""The record: cleaned blocks go in, the mean of any stretch of the last minute of any track comes out at once."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from bridge.metering.history import History
from bridge.procedure.blocks import BLOCK_S, Block, Bools, Floats

KEPT_BLOCKS: Final = 600
"""One minute: twice the longest stretch that anything is compared over."""

Indices = NDArray[np.int_]


class Record:
    """The last minute of all tracks, with running sums.

    Blocks are counted from 0; a stretch from ``a`` to ``b`` holds the blocks a … b − 1.

    Parameters
    ----------
    tracks : int
    """

    def __init__(self, tracks: int) -> None:
        self.tracks: Final = tracks
        self.count = 0
        self._columns = np.arange(tracks)
        self._level_db: History[np.float64] = History(KEPT_BLOCKS, tracks, np.float64, np.nan)
        self._weighed: History[np.bool_] = History(KEPT_BLOCKS, tracks, np.bool_, 0.0)
        self._ends_s: History[np.float64] = History(KEPT_BLOCKS, 1, np.float64, np.nan)
        # Sums of the levels, of their squares, and the number of blocks in them, side by side.
        self._sums: History[np.float64] = History(KEPT_BLOCKS + 1, 3 * tracks, np.float64)
        self._sums.append(np.zeros(3 * tracks))

    @property
    def oldest(self) -> int:
        """Number of the oldest block that is kept."""
        return max(0, self.count - KEPT_BLOCKS)

    def append(self, block: Block, weighed: Bools) -> None:
        """Add a block; only tracks that are ``weighed`` enter the means."""
        tracks = self.tracks
        self._level_db.append(np.where(block.good, block.level_db, np.nan))
        self._weighed.append(weighed)
        self._ends_s.append(np.array([block.end_s]))
        level_db = np.where(weighed, block.level_db, 0.0)
        row = self._sums.last(1)[0].copy()
        row[:tracks] += level_db
        row[tracks : 2 * tracks] += level_db * level_db
        row[2 * tracks :] += weighed
        self._sums.append(row)
        self.count += 1

    def weigh(self, track: int, start: int) -> None:
        """Let a track's blocks from ``start`` on enter the means after all."""
        blocks = self.count - start
        level_db = self._level_db.last(blocks)[:, track]
        added = np.isfinite(level_db) & ~self._weighed.last(blocks)[:, track]
        self._weighed.last(blocks)[:, track] |= added
        level_db = np.where(added, level_db, 0.0)
        rows = self._sums.last(blocks)
        rows[:, track] += np.cumsum(level_db)
        rows[:, self.tracks + track] += np.cumsum(level_db * level_db)
        rows[:, 2 * self.tracks + track] += np.cumsum(added)

    def level_db(self, start: int, end: int) -> Floats:
        """Return the levels of a stretch, shape (blocks, tracks); NaN where they cannot be relied on."""
        return self._level_db.last(min(self.count, KEPT_BLOCKS))[start - self.oldest : end - self.oldest]

    def weighed_db(self, start: int, end: int) -> Floats:
        """Return the same without what is left out of the means."""
        kept = min(self.count, KEPT_BLOCKS)
        stretch = slice(start - self.oldest, end - self.oldest)
        return np.where(self._weighed.last(kept)[stretch], self._level_db.last(kept)[stretch], np.nan)

    def end_s(self, block: int) -> float:
        """Return the time at which a block ended."""
        block = min(max(block, self.oldest), self.count - 1)
        return float(self._ends_s.last(self.count - block)[0, 0])

    def start_s(self, block: int) -> float:
        """Return the time at which a block began."""
        return self.end_s(block) - BLOCK_S

    def sums(self, borders: Indices) -> tuple[Floats, Floats]:
        """Return the sum and the number of the blocks before each border, shape of ``borders`` + (tracks,)."""
        rows = self._sums.last(self.count - self.oldest + 1)[borders - self.oldest]
        return rows[..., : self.tracks], rows[..., 2 * self.tracks :]

    def sums_by_track(self, borders: Indices) -> tuple[Floats, Floats]:
        """Do so for borders of shape (n, tracks): each track has its own; the result has the same shape."""
        rows = self._sums.last(self.count - self.oldest + 1)
        at = borders - self.oldest
        return rows[at, self._columns], rows[at, 2 * self.tracks + self._columns]

    def running(self, track: int, start: int, end: int) -> tuple[Floats, Floats]:
        """Return the sum and the number of a track's blocks from ``start`` to each border up to ``end``, from 0 on."""
        start, end = max(start, self.oldest), max(end, self.oldest)
        rows = self._sums.last(self.count - self.oldest + 1)[start - self.oldest : end - self.oldest + 1]
        total, number = rows[:, track], rows[:, 2 * self.tracks + track]
        return total - total[0], number - number[0]

    def moments(self, track: int, start: int, end: int) -> tuple[int, float, float]:
        """Return number, mean and standard deviation of a track's blocks in a stretch; NaN of too few."""
        start, end = max(start, self.oldest), max(end, self.oldest)
        rows = self._sums.last(self.count - self.oldest + 1)
        first, last = rows[start - self.oldest], rows[end - self.oldest]
        total, squares, number = ((last - first)[place * self.tracks + track] for place in range(3))
        if number < 1.0:
            return 0, np.nan, np.nan
        mean = total / number
        variance = (squares - number * mean * mean) / (number - 1.0) if number > 1.0 else np.nan
        return int(number), float(mean), float(np.sqrt(max(variance, 0.0)))

    def means_db(self, start: int, end: int) -> tuple[Floats, Floats]:
        """Return the mean of all tracks over a stretch and how many blocks are in it, both of shape (tracks,)."""
        total, number = self.sums(np.array([max(start, self.oldest), max(end, self.oldest)]))
        held = number[1] - number[0]
        with np.errstate(invalid="ignore"):
            return np.where(held > 0.0, (total[1] - total[0]) / np.maximum(held, 1.0), np.nan), held
