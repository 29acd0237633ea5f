"""How unsteady the tape is, learned from tracks that nobody touches: what a difference of two means may be by chance.

Nothing is assumed about the spectrum. Two questions are asked of the data at each scale of time: how large is the
difference of two neighbouring stretches of a track against the others (`contrasts.py`, for telling a movement), and how
large is it in itself (for the error of a mean).
"""

import math
from typing import Final

import numpy as np

from bridge.procedure.blocks import Bools, Floats
from bridge.procedure.record import Indices, Record

OCTAVES: Final = 9
"""Lengths of neighbouring stretches for the error of a mean: 0.1 s, 0.2 s … 25.6 s."""

FIRST_GUESS_DB: Final = 0.12
"""Taken for the unsteadiness until the tape has shown its own: the upper half of what tape does."""

GUESS_WEIGHT: Final = 2.0
POOL_WEIGHT: Final = 10.0
"""How many independent looks the guess, and the unsteadiness of all tracks, weigh against a track's own looks."""

GROWTH: Final = 1.4
"""By how much the variance is expected to grow to the next scale before that has been seen: more than with 1/f wander,
where it stays, less than with a random walk, where it doubles."""

UNSURE: Final = 3.0
"""With so many looks the variance counts double: the tail of Student's distribution, in effect."""

LEAST_GROWTH: Final = 0.7
"""With wander that has no slow part the variance halves when the time doubles."""

POOLED_TRACKS: Final = 8.0

LEAST_RATIO: Final = 0.5
MOST_RATIO: Final = 1.2
"""By how much Allan's variance is expected to grow from one octave to the next where it has not been seen: as it did
up to there, at the least as with wander that has no slow part. With a random walk it doubles, but only up to its
slowest part; this much leaves errors of means within two standard errors in 95 % with walks of 15 s. Of 1/f wander it
makes the errors a tenth to a fifth larger in the first 40 s of a tone."""

LONGEST_MEMORY_S: Final = 120.0
LEAST_DB: Final = 0.003
"""Quieter than this no converter and no tape is: without it a synthetic tone would have no unsteadiness at all."""

FEW_CUT_OFF: Final = 4.0
"""Times the variance: of a Gaussian that takes 8 % off the mean square, and of a hand nearly all."""

ENOUGH_TRACKS: Final = 6
"""From here on the median of the squares is taken, which one or two tracks in motion hardly move. Of few it is too
small by n/(n - 0.8) as a deviation (Croux and Rousseeuw, COMPSTAT 1992, from memory)."""

CHI_SQUARE_MEDIAN: Final = 0.4549
"""Median of the square of a standard normal variable."""


def masked_median(values: Floats, mask: Bools) -> tuple[Floats, Indices]:
    """Return the median along the last axis of what the mask lets through, and how many those are; 0 of none."""
    ordered = np.sort(np.where(mask, values, np.inf), axis=-1)
    count = mask.sum(axis=-1)
    low, high = np.maximum(count - 1, 0) // 2, np.minimum(count // 2, values.shape[-1] - 1)
    rows = np.arange(values.shape[0])
    middle = 0.5 * (ordered[rows, low] + ordered[rows, high])
    return np.where(count > 0, middle, 0.0), count


class Learned:
    """The variance of something at several scales, of every track and of all together.

    Parameters
    ----------
    blocks : ndarray of int, shape (scales,)
        Stretch of time that one look covers: looks closer to each other than half of that tell the same.
    tracks : int
    """

    def __init__(self, blocks: Indices, tracks: int) -> None:
        self._step = 2.0 / blocks[:, np.newaxis]
        self._most = LONGEST_MEMORY_S * 10.0 * self._step
        self._pooled = np.full((blocks.size, 1), FIRST_GUESS_DB**2)
        self._pooled_looks = np.zeros((blocks.size, 1))
        self._pooled_looks[0] = GUESS_WEIGHT
        self._own = np.full((blocks.size, tracks), FIRST_GUESS_DB**2)
        self._own_looks = np.zeros((blocks.size, tracks))
        self.variance: Floats = np.full((blocks.size, tracks), FIRST_GUESS_DB**2)
        self.looks: Floats = self._pooled_looks[:, 0].copy()
        self.together: Floats = self._expected()[:, 0]

    def forget(self) -> None:
        """Keep what is known as a guess only: another tone begins."""
        self._pooled_looks[1:] = 0.0
        self._pooled_looks[0] = np.minimum(self._pooled_looks[0], GUESS_WEIGHT)
        self._own_looks *= 0.0

    def learn(self, difference: Floats, mask: Bools) -> None:
        """Take differences of shape (scales, tracks) where the mask allows."""
        square = np.where(mask, difference, 0.0) ** 2
        middle, count = masked_median(square, mask)
        # Of a few tracks the mean tells more than the median. What cannot be wander is cut off there, not left out: so
        # a guess that is too low can still grow.
        mean = np.minimum(square, FEW_CUT_OFF * self.variance).sum(axis=1) / np.maximum(count, 1)
        small = (count / np.maximum(count - 0.8, 1.0)) ** 2
        together = np.where(count >= ENOUGH_TRACKS, small * middle / CHI_SQUARE_MEDIAN, mean)[:, np.newaxis]
        # Neighbours wander alike to some degree.
        added = self._step * (0.7 * count)[:, np.newaxis]
        self._pooled_looks = np.minimum(self._pooled_looks + added, self._most * POOLED_TRACKS)
        self._pooled += added / np.maximum(self._pooled_looks, 1e-9) * (together - self._pooled)
        # What stands out is a movement in the making more often than wander: nothing is learned from it.
        added = self._step * (mask & (square <= 10.0 * self.variance))
        self._own_looks = np.minimum(self._own_looks + added, self._most)
        self._own += added / np.maximum(self._own_looks, 1e-9) * (square - self._own)
        weight = POOL_WEIGHT / (POOL_WEIGHT + self._own_looks)
        expected = self._expected()
        self.variance = np.maximum(weight * expected + (1.0 - weight) * self._own, LEAST_DB**2)
        self.together = np.maximum(expected[:, 0], LEAST_DB**2)
        self.looks = self._pooled_looks[:, 0]

    def _expected(self) -> Floats:
        """Return the variance of all tracks together, where it is hardly known yet led on from the scale before."""
        expected: Floats = self._pooled.copy()
        for scale in range(1, expected.shape[0]):
            known = self._pooled_looks[scale, 0]
            before = expected[max(scale - 2, 0), 0]
            growth = min(max(1.1 * expected[scale - 1, 0] / before, LEAST_GROWTH), GROWTH) if scale > 1 else GROWTH
            guess = growth * expected[scale - 1, 0]
            expected[scale, 0] = (GUESS_WEIGHT * guess + known * expected[scale, 0]) / (GUESS_WEIGHT + known)
        return expected


class Unsteadiness:
    """The standard error of a mean over any time, from the variance of neighbouring means (Allan's variance).

    With A(T) half the mean square of the difference of two neighbouring means over T, the variance V of such a mean
    obeys V(T) − V(2T) = A(T)/2 exactly (D. W. Allan, Proc. IEEE 54(2), 1966, from memory): so
    V(T) = ½ [A(T) + A(2T) + A(4T) + …], whatever the spectrum. Wander slower than has been seen yet is allowed for by
    going on with the last ratio.

    Parameters
    ----------
    tracks : int
    """

    def __init__(self, tracks: int) -> None:
        self._length = 2 ** np.arange(OCTAVES)
        self._learned = Learned(2 * self._length, tracks)
        self._borders = np.concatenate([[0], -self._length, -2 * self._length])

    def forget(self) -> None:
        """Keep what is known as a guess only."""
        self._learned.forget()

    def update(self, record: Record, since: Indices, steady: Bools) -> None:
        """Learn from the newest stretches of the tracks that nobody moves."""
        now = record.count
        borders = now + self._borders
        total, number = record.sums(np.maximum(borders, record.oldest))
        octaves = OCTAVES
        late = number[0] - number[1 : octaves + 1]
        early = number[1 : octaves + 1] - number[octaves + 1 :]
        length = self._length[:, np.newaxis]
        mask = (late >= 0.7 * length) & (early >= 0.7 * length) & steady
        mask &= since <= borders[octaves + 1 :, np.newaxis]
        difference = (total[0] - total[1 : octaves + 1]) / np.maximum(late, 1.0)
        difference -= (total[1 : octaves + 1] - total[octaves + 1 :]) / np.maximum(early, 1.0)
        self._learned.learn(difference, mask)

    def standard_error_db(self, track: int, blocks: int) -> float:
        """Return the standard error of the mean of so many blocks of a track."""
        terms = self._terms(track)
        octave = min(max(math.log2(max(blocks, 1)), 0.0), OCTAVES - 1.0)
        low = math.floor(octave)
        tails = np.append(np.cumsum(terms[::-1])[::-1], 0.0)
        at_low, at_high = tails[low], tails[min(low + 1, OCTAVES - 1)]
        within = octave - low
        # Between octaves on a straight line of logarithms.
        variance = at_low ** (1.0 - within) * max(at_high, 1e-12) ** within
        return math.sqrt(max(variance, LEAST_DB**2 / max(blocks, 1)))

    def _terms(self, track: int) -> Floats:
        """Return A(T)/2 of each octave, the last with all that would follow."""
        # The learned variance is that of the difference of neighbouring means: 2 A.
        terms = 0.25 * self._learned.variance[:, track]
        known = self._learned.looks >= 12.0
        last = int(known.sum()) - 1 if known.all() or not known[0] else int(np.argmin(known)) - 1
        last = max(last, 1)
        seen = math.sqrt(terms[last] / max(terms[max(last - 2, 0)], 1e-12))
        ratio = min(max(seen, LEAST_RATIO), MOST_RATIO)
        # Not beyond a period of a minute: what is slower nobody can tell from a level.
        following = max(OCTAVES - 1 - last, 0)
        extended: Floats = terms.copy()
        for octave in range(last + 1, OCTAVES):
            extended[octave] = extended[octave - 1] * ratio
        extended[-1] += extended[-1] * (0.5 if following == 0 else ratio)
        return extended
