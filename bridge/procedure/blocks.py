"""Blocks: tone levels 100 times a second go in, cleaned levels 10 times a second come out, 0.3 s later.

Each block is the mean of the middle of its ten updates, so a scratch of the wiper weighs nothing. A block that lies
below the seven around it is a dropout, and one at the edge of a silence belongs to the silence: neither counts.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from bridge.metering.history import History

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

UPDATES_A_BLOCK: Final = 10
BLOCK_S: Final = 0.1
"""Short against a turn of the hand (about 0.3 s and more), long enough for hum and hiss to average out."""

LATEST: Final = 5
"""Updates that are what a level is just now: a scratch of the wiper is shorter than half of them."""

LEAST_UPDATES: Final = 6
"""A block of fewer updates with tone says nothing."""

AROUND: Final = 3
"""Blocks looked at on either side. The median of seven leaves out up to three: dropouts of 0.3 s; longer ones are rare
and are known by their return."""

NEAREST_DB: Final = 0.05
"""What stands out by less than this is no dropout worth leaving out."""

STANDS_OUT: Final = 6.0
"""Times the usual distance from the median of seven; of Gaussian noise it is exceeded once in 10⁶ blocks."""

GAP_S: Final = 0.25
"""Updates that are missing for longer than this end a tone as silence does."""


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """One cleaned block of all tracks.

    Parameters
    ----------
    number : int
        Counts from 0, also through silence.
    end_s : float
        Time of its last update.
    level_db : ndarray, shape (tracks,)
        NaN where there was no tone.
    good : ndarray of bool, shape (tracks,)
        Whether the level can be relied on.
    ahead_db : ndarray, shape (3, tracks)
        The blocks after this one, not cleaned: what the hand may be doing by now.
    latest_db : ndarray, shape (tracks,)
        The median of the newest `LATEST` updates, NaN if one is missing: what the hand does just now.
    clipped : ndarray of bool, shape (tracks,)
    """

    number: int
    end_s: float
    level_db: Floats
    good: Bools
    ahead_db: Floats
    latest_db: Floats
    clipped: Bools


class Blocks:
    """Makes blocks of updates.

    Parameters
    ----------
    tracks : int
    """

    def __init__(self, tracks: int) -> None:
        self._columns = np.arange(tracks)
        self._updates = np.full((UPDATES_A_BLOCK, tracks), np.nan)
        self._filled = 0
        self._clipped = np.zeros(tracks, dtype=bool)
        self._raw: History[np.float64] = History(2 * AROUND + 1, tracks, np.float64, np.nan)
        self._clips: History[np.bool_] = History(2 * AROUND + 1, tracks, np.bool_, 0.0)
        self._ends_s: History[np.float64] = History(2 * AROUND + 1, 1, np.float64, np.nan)
        self._usual_db = np.full(tracks, 0.02)
        self._last_s: float | None = None
        self._number = -1 - AROUND

    def push(self, t_s: float, level_db: Floats, clipped: Bools) -> list[Block]:
        """Take an update of shape (tracks,); return the blocks that became known with it."""
        known: list[Block] = []
        if self._last_s is not None and t_s - self._last_s > GAP_S:
            self._filled = 0
            for _ in range(2 * AROUND):
                self._updates[:] = np.nan
                known += self._finish(self._last_s)
        self._last_s = t_s
        self._updates[self._filled] = level_db
        self._clipped |= clipped
        self._filled += 1
        if self._filled == UPDATES_A_BLOCK:
            self._filled = 0
            known += self._finish(t_s)
        return known

    def _finish(self, end_s: float) -> list[Block]:
        self._raw.append(self._middle_mean())
        self._clips.append(self._clipped)
        self._ends_s.append(np.array([end_s]))
        self._clipped = np.zeros_like(self._clipped)
        self._number += 1
        return [self._cleaned()] if self._number >= 0 else []

    def _middle_mean(self) -> Floats:
        ordered = np.sort(self._updates, axis=0)
        missing = np.isnan(ordered[-1])
        mean: Floats = ordered[2:-2].sum(axis=0) / (UPDATES_A_BLOCK - 4)
        if missing.any():
            # The sort has moved what is missing to the end.
            count = UPDATES_A_BLOCK - np.isnan(ordered).sum(axis=0)
            median = self._median(ordered, count)
            mean = np.where(missing, np.where(count >= LEAST_UPDATES, median, np.nan), mean)
        return mean

    def _median(self, ordered: Floats, count: NDArray[np.int_]) -> Floats:
        low, high = np.maximum(count - 1, 0) // 2, np.minimum(count, ordered.shape[0] - 1) // 2
        middle: Floats = 0.5 * (ordered[low, self._columns] + ordered[high, self._columns])
        return middle

    def _cleaned(self) -> Block:
        around = self._raw.last(2 * AROUND + 1)
        level_db = around[AROUND].copy()
        valid = np.isfinite(around)
        above_db = level_db - self._median(np.sort(around, axis=0), valid.sum(axis=0))
        apart_db = np.abs(above_db)
        # A dropout takes away and never adds: what stands out upwards for longer than a block is a hand.
        beside_db = np.fmax(around[AROUND - 1], around[AROUND + 1])
        out_db = np.where(above_db < 0.0, apart_db, level_db - beside_db)
        embedded = valid[AROUND] & (valid[:AROUND].sum(axis=0) >= 2) & (valid[AROUND + 1 :].sum(axis=0) >= 2)
        good = embedded & (out_db <= np.maximum(NEAREST_DB, STANDS_OUT * self._usual_db))
        moved = np.minimum(apart_db, 3.0 * self._usual_db) - self._usual_db
        self._usual_db = np.where(embedded, self._usual_db + 0.02 * moved, self._usual_db)
        return Block(
            number=self._number,
            end_s=float(self._ends_s.last(AROUND + 1)[0, 0]),
            level_db=level_db,
            good=good,
            ahead_db=around[AROUND + 1 :].copy(),
            latest_db=np.median(self._updates[-LATEST:], axis=0),
            clipped=self._clips.last(AROUND + 1)[0].copy(),
        )
