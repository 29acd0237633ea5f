"""Contrasts: levels of all tracks against the others go in; how two stretches of each differ comes out.

At each scale of time it is told by how much the newest stretch differs from one before, and by how much it would differ
by the tape's wander alone, as the tracks that nobody moves show it.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from bridge.procedure.blocks import Bools, Floats
from bridge.procedure.record import Indices, Record
from bridge.procedure.wander import UNSURE, Learned


@dataclass(frozen=True, slots=True)
class Scale:
    """Two stretches, in blocks: ``after``, ending now, and ``before``; what lies ``between`` is not looked at."""

    after: int
    between: int
    before: int

    @property
    def blocks(self) -> int:
        """From the beginning to the end."""
        return self.after + self.between + self.before


SCALES: Final = (
    Scale(4, 2, 8),
    Scale(8, 5, 14),
    Scale(15, 10, 25),
    Scale(30, 15, 45),
    Scale(60, 20, 80),
    Scale(120, 30, 150),
)
"""From a quick turn of the hand to a change that shows only against half a minute of wander."""

SHORTEST: Final = (Scale(1, 0, 1), Scale(2, 0, 2))
"""Too short for telling a movement. But they say how much of the wander is gone from one block to the next: taken for
less than it is, that looks like the steepest of turns."""

_FIRST: Final = len(SHORTEST)
"""Row of the first of `SCALES` where all stand below each other."""

QUICK: Final = 3
"""The first scales see a hand while it moves; the others find that it has moved."""

FULL: Final = 0.8
"""A stretch that holds this share of its blocks counts as whole."""

LEAST_BEFORE: Final = 5
"""Blocks before a movement without which nothing can be said of it."""


class Contrasts:
    """The difference of two stretches of each track against the other tracks, at every scale.

    Parameters
    ----------
    tracks : int
    """

    def __init__(self, tracks: int) -> None:
        scales = (*SHORTEST, *SCALES)
        self._after = np.array([scale.after for scale in scales])
        self._between = np.array([scale.between for scale in scales])
        self._before = np.array([scale.before for scale in scales])
        blocks = np.array([scale.blocks for scale in scales])
        self._least_before = np.minimum(LEAST_BEFORE, self._before)[:, np.newaxis]
        self._columns = np.arange(tracks + 1)
        self._own_scale = np.arange(len(SCALES))[:, np.newaxis]
        self._shortest = Learned(blocks[:_FIRST], tracks)
        self._learned = Learned(blocks[_FIRST:], tracks)
        self._common_learned = Learned(blocks[_FIRST:], 1)
        shape = (len(scales), tracks + 1)
        self._difference_db: Floats = np.zeros(shape)
        self._usable: Bools = np.zeros(shape, dtype=bool)
        self._full: Bools = np.zeros(shape, dtype=bool)
        self._departure: Floats = np.zeros((len(SCALES), tracks + 1))

    @property
    def difference_db(self) -> Floats:
        """By how much the newest stretches differ from those before, shape (scales, tracks)."""
        return self._difference_db[_FIRST:, :-1]

    @property
    def departure(self) -> Floats:
        """The same in deviations of wander, without sign; 0 where nothing can be said yet."""
        return self._departure[:, :-1]

    @property
    def common_db(self) -> Floats:
        """The difference of what is common to all tracks, shape (scales,)."""
        return self._difference_db[_FIRST:, -1]

    @property
    def common_departure(self) -> Floats:
        """The same in deviations of its wander."""
        return self._departure[:, -1]

    @property
    def variance(self) -> Floats:
        """Variance of `difference_db` by wander alone, dB², shape (scales, tracks)."""
        return self._learned.variance

    @property
    def together(self) -> Floats:
        """Variance of all tracks together, `SHORTEST` scales and then the others, and more where it is not sure yet."""
        unsure = 1.0 + UNSURE / max(float(self._learned.looks[0]), 1.0)
        return np.asarray(unsure * np.concatenate([self._shortest.together, self._learned.together]))

    @property
    def against_all(self) -> Floats:
        """The deviation of the wander of each track against that of all, shape (tracks,)."""
        learned = self._learned
        ratio = learned.variance[:QUICK] / learned.together[:QUICK, np.newaxis]
        return np.asarray(np.sqrt(ratio.mean(axis=0)))

    def forget(self) -> None:
        """Keep what has been learned as a guess only: another tone begins."""
        self._learned.forget()
        self._shortest.forget()
        self._common_learned.forget()

    def update(self, own: Record, since: Indices) -> None:
        """Compare the newest stretches with those before.

        Parameters
        ----------
        own : Record
            Levels of the tracks less what is common to all, and that in the last column.
        since : ndarray of int, shape (tracks + 1,)
            The block from which each has its present level.
        """
        now = own.count
        after, apart = now - self._after, now - self._after - self._between
        start = np.maximum((apart - self._before)[:, np.newaxis], since)
        start = np.minimum(np.maximum(start, own.oldest), now)
        total, number = own.sums(np.maximum(np.concatenate([[now], after, apart]), own.oldest))
        scales = self._after.size
        first, first_number = own.sums_by_track(start)
        held_after = number[0] - number[1 : scales + 1]
        held_before = number[scales + 1 :] - first_number
        usable = (held_after >= 0.6 * self._after[:, np.newaxis]) & (held_before >= self._least_before)
        self._usable = usable & (apart >= 0)[:, np.newaxis]
        difference = (total[0] - total[1 : scales + 1]) / np.maximum(held_after, 1.0)
        difference -= (total[scales + 1 :] - first) / np.maximum(held_before, 1.0)
        self._difference_db = np.where(self._usable, difference, 0.0)
        self._full = held_before >= FULL * self._before[:, np.newaxis]
        # A difference varies with both means: half as that of two long ones, half as that of two short ones.
        variance = np.concatenate([self._learned.variance, self._common_learned.variance], axis=1)
        held_before = held_before[_FIRST:]
        before = self._before[_FIRST:]
        shorter = np.minimum(np.searchsorted(before, held_before / FULL, side="right") - 1, self._own_scale)
        before_variance = variance[np.maximum(shorter, 0), self._columns]
        before_variance *= np.maximum(before[0] / np.maximum(held_before, 1.0), 1.0)
        # Few looks leave the variance itself unsure.
        unsure = (1.0 + UNSURE / np.maximum(self._learned.looks, 1.0))[:, np.newaxis]
        departed_db = np.abs(self._difference_db[_FIRST:])
        self._departure = departed_db / np.sqrt(0.5 * (variance + before_variance) * unsure)

    def mean_variance(self, track: int, blocks: Floats) -> Floats:
        """Return the variance of means of a track against the others over so many blocks, dB²."""
        lengths = np.log(self._after[_FIRST:].astype(np.float64))
        variance = np.log(0.5 * self._learned.variance[:, track])
        slope = min(max((variance[-1] - variance[-2]) / (lengths[-1] - lengths[-2]), -1.0), 0.0)
        asked = np.log(np.maximum(blocks, 1.0))
        beyond = np.maximum(asked - lengths[-1], 0.0) * slope
        # A mean of few blocks varies with them.
        below = np.maximum(lengths[0] - asked, 0.0)
        # Few looks leave the variance itself unsure.
        unsure = np.log1p(UNSURE / np.maximum(self._learned.looks, 1.0))
        return np.asarray(np.exp(np.interp(asked, lengths, variance + unsure) + beyond + below))

    def learn(self, steady: Bools) -> None:
        """Learn from what was compared last, on tracks that nobody moves."""
        mask = self._usable & self._full
        own = mask[:, :-1] & steady
        self._shortest.learn(self._difference_db[:_FIRST, :-1], own[:_FIRST])
        self._learned.learn(self._difference_db[_FIRST:, :-1], own[_FIRST:])
        self._common_learned.learn(self._difference_db[_FIRST:, -1:], mask[_FIRST:, -1:])
