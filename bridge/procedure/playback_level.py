"""The playback level: levels of all tracks go in; that all of them are moved together, and by how much, comes out."""

from typing import Final

import numpy as np

from bridge.procedure.acts import LevelMoved
from bridge.procedure.blocks import Floats
from bridge.procedure.contrasts import QUICK, SCALES, Scale
from bridge.procedure.evidence import Evidence

MOVED: Final = 6.0
"""Times the deviation of wander by which all tracks together must depart."""

APART: Final = 0.3
APART_NOISE: Final = 4.0
"""One of two tracks that is ahead of the other by so large a share of the way, and by so many deviations of wander, is
moved by a hand: two hands, or one that goes from one to the other, end at the same sum."""

BOTH_MOVED: Final = 4.0
"""With two tracks each of them must depart by so many: no less than what is taken for a hand on one of them."""

LEAST_DB: Final = 0.08

SEEN: Final = 30
"""For so many blocks after all tracks have been moved the longer stretches still show it."""

RESTS: Final = 8
"""Blocks without movement after which the level is taken to rest."""

AVERAGED: Final = 15
"""Blocks before and after over which it is averaged."""

GUARD: Final = 2

NEVER: Final = 1 << 60


class PlaybackLevel:
    """Whether the level of all tracks is being moved.

    Parameters
    ----------
    evidence : Evidence
    """

    def __init__(self, evidence: Evidence) -> None:
        self._evidence = evidence
        self.until = -1000
        """The last block in which it was seen to move."""
        self._from: int | None = None
        self._before_db = 0.0
        self._moves: list[tuple[int, int]] = []

    def rests_since(self, block: int) -> int:
        """Return from which block on it had rested when a block came; 0 when it had not been moved before."""
        return max((until + 1 for start, until in self._moves if start < block), default=0)

    def was_moved(self, start: int, end: int) -> bool:
        """Say whether it was moved between two blocks."""
        return any(first < end and last >= start for first, last in self._moves)

    def rest(self, block: int) -> tuple[int, int]:
        """Return from when to when it rested around a block, or after it where it was being moved then.

        The end is `NEVER` as long as it has not been moved again.
        """
        start = max((last + 1 for first, last in self._moves if first <= block), default=0)
        return start, min((first for first, _ in self._moves if first >= start), default=NEVER)

    def forget(self, since: int) -> None:
        """Forget what seemed to be a movement from a block on: it was a switch."""
        self._moves = [(first, last) for first, last in self._moves if first < since]

    def update(self) -> tuple[int | None, LevelMoved | None]:
        """Look at the newest block.

        Returns
        -------
        int or None
            While the level moves, the last block before it did.
        LevelMoved or None
            Once it rests again: by how much it was moved.
        """
        seen = self._moving()
        now = self._evidence.now
        if seen is not None:
            if self._from is None:
                self._from = max(seen, self.until + GUARD)
                self._before_db = self._level_db(self._from - AVERAGED, self._from)
                self._moves.append((self._from, now))
            self.until = now
            self._moves[-1] = (self._from, now)
            return self._from, None
        if self._from is None or now - self.until < RESTS:
            return None, None
        self._from = None
        by_db = self._level_db(self.until + 1, now) - self._before_db
        moved = LevelMoved(self._evidence.record.end_s(now - 1), by_db)
        return None, moved if abs(by_db) >= LEAST_DB else None

    def _level_db(self, start: int, end: int) -> float:
        """Return the mean level of all tracks between two blocks, from an arbitrary zero."""
        if self._evidence.tracks == 2:
            return float(np.nanmean(self._evidence.record.means_db(start, end)[0]))
        return self._evidence.own.moments(self._evidence.tracks, max(start, 0), end)[1]

    def _moving(self) -> int | None:
        """Return the last block before a movement that is under way; None without one."""
        contrasts = self._evidence.contrasts
        by_db = contrasts.common_db[:QUICK]
        sure = contrasts.common_departure[:QUICK] / MOVED
        if self._evidence.tracks == 2:
            by_db, sure = self._both_moved()
        moved = (sure >= 1.0) & (np.abs(by_db) >= LEAST_DB)
        now = self._evidence.now
        # The longer stretches go on to see it when it is over.
        if not moved.any() or (now - self.until < SEEN and sure[0] < 0.5):
            return None
        scale = SCALES[int(np.argmax(moved))]
        return now - scale.after - scale.between - GUARD

    def _both_moved(self) -> tuple[Floats, Floats]:
        """With two tracks: what both do by the same amount at the same time is done to the playback level."""
        contrasts = self._evidence.contrasts
        by_db = contrasts.difference_db[:QUICK]
        sure = contrasts.departure[:QUICK].min(axis=1) / BOTH_MOVED
        apart_db = np.abs(by_db[:, 0] - by_db[:, 1])
        largest_db = np.abs(by_db).max(axis=1)
        noise_db = np.sqrt(contrasts.variance[:QUICK].sum(axis=1))
        together = apart_db <= np.maximum(0.2 * largest_db, 3.0 * noise_db)
        same = together & (np.sign(by_db[:, 0]) == np.sign(by_db[:, 1])) & (largest_db > noise_db)
        same &= [self._moved_at_once(scale, by) for scale, by in zip(SCALES[:QUICK], largest_db.tolist(), strict=True)]
        return np.where(same, by_db.mean(axis=1), 0.0), sure

    def _moved_at_once(self, scale: Scale, by_db: float) -> bool:
        """Say whether neither of two tracks was ahead of the other for longer than a dropout on the way."""
        record, now = self._evidence.record, self._evidence.now
        level_db = record.level_db(max(now - scale.blocks, record.oldest), now)
        ahead_db = level_db[:, 0] - level_db[:, 1]
        before_db = ahead_db[: scale.before]
        before_db = before_db[np.isfinite(before_db)]
        if not before_db.size:
            return False
        noise_db = float(np.sqrt(self._evidence.contrasts.variance[0].sum()))
        far = np.abs(ahead_db - np.median(before_db)) > max(APART * by_db, APART_NOISE * noise_db)
        return not bool((far[1:] & far[:-1]).any())
