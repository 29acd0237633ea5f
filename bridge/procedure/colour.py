"""The colour of wander: its variance at each scale of time goes in, how surely a level has changed comes out.

Wander that is slow hides a slow change and shows a quick one; wander that is quick hides a quick change and shows one
that lasts. So each change is weighed by how it stands out from wander of just this colour, which is the best that can
be done with levels (generalised least squares; A. C. Aitken, Proc. Roy. Soc. Edinburgh 55, 1935, from memory).
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from bridge.procedure.blocks import BLOCK_S, Bools, Floats
from bridge.procedure.contrasts import SCALES, SHORTEST
from bridge.procedure.record import Indices

WINDOW: Final = 320
"""Blocks that are looked at together."""

MEMORIES_S: Final = np.array([0.1, 0.25, 0.6, 1.5, 4.0, 10.0, 25.0, 60.0])
"""Wander is made up of parts that forget themselves in these times, beside one that has no memory: a sum of such parts
comes near any spectrum that falls with frequency."""

WIDTHS: Final = np.array([1, 4, 8, 14, 24])
"""Blocks in which a hand goes from one level to the other."""

LEAST_BEFORE: Final = 5
LEAST_AFTER: Final = 8
"""Blocks on either side of a change without which nothing is said of it."""

BESIDE: Final = 30
"""Blocks on either side whose means must differ as the change says: by more than half of it, or it was a dropout."""

ROUNDS: Final = 60
"""Of the fit: the variances agree within a few percent then."""


@dataclass(frozen=True, slots=True, eq=False)
class Changes:
    """The likeliest change of each track, arrays of shape (tracks,).

    Parameters
    ----------
    place : ndarray of int
        The block of the middle of the change, counted from the begin of the window.
    by_db : ndarray
    sure : ndarray
        ``by_db`` in deviations of wander, without sign; 0 where nothing can be said.
    """

    place: Indices
    by_db: Floats
    sure: Floats


def _contrast_variances() -> Floats:
    """Return the variance of the contrasts of each scale for each part of wander, shape (scales, parts)."""
    scales = (*SHORTEST, *SCALES)
    variances = np.empty((len(scales), MEMORIES_S.size + 1))
    for row, scale in enumerate(scales):
        weights = np.zeros(scale.blocks)
        weights[: scale.before] = -1.0 / scale.before
        weights[scale.before + scale.between :] = 1.0 / scale.after
        apart = np.abs(np.subtract.outer(np.arange(scale.blocks), np.arange(scale.blocks)))
        variances[row, 0] = weights @ weights
        variances[row, 1:] = [weights @ np.exp(-apart * BLOCK_S / memory_s) @ weights for memory_s in MEMORIES_S]
    return variances


_VARIANCES: Final = _contrast_variances()
_APART: Final = np.abs(np.subtract.outer(np.arange(WINDOW), np.arange(WINDOW)))
_CORRELATIONS: Final = np.exp(-np.arange(WINDOW)[:, np.newaxis] * BLOCK_S / MEMORIES_S)
"""Of the parts of wander with themselves, shape (lags, parts with a memory)."""


class Colour:
    """Wander of one colour, and how changes stand out from it."""

    def __init__(self) -> None:
        places = np.arange(WINDOW)
        self._ways = [
            np.clip((places[:, np.newaxis] - places) / width + 0.5 + 0.5 / width, 0.0, 1.0).astype(np.float32)
            for width in WIDTHS
        ]
        self._rows = places[:, np.newaxis]

    def learn(self, variance: Floats) -> None:
        """Take the variances of the contrasts of all tracks, of the `SHORTEST` and of all other `SCALES`."""
        relative = _VARIANCES / variance[:, np.newaxis]
        total = relative.sum(axis=0)
        parts = np.full(total.size, 1.0 / total.mean())
        for _ in range(ROUNDS):
            parts *= relative.T @ (1.0 / (relative @ parts)) / total
        covariance = _CORRELATIONS @ parts[1:]
        covariance[0] += parts[0] + 1e-3 * covariance[0]
        whitener = np.linalg.inv(np.linalg.cholesky(covariance[_APART]))
        self._whitener = whitener.astype(np.float32)
        self._one = whitener.sum(axis=1).astype(np.float32)
        self._white_ways = [self._whitener @ ways for ways in self._ways]
        # What a window of any length up to the whole says of each place: all sums run from its begin.
        self._ones = np.cumsum(self._one.astype(np.float64) ** 2)
        self._squares = [np.cumsum(ways**2, axis=0) for ways in self._white_ways]
        self._crosses = [np.cumsum(ways * self._one[:, np.newaxis], axis=0) for ways in self._white_ways]

    def changes(self, level_db: Floats, lengths: Indices, scale: Floats, where: Bools) -> Changes:
        """Return the change of each track that stands out most.

        Parameters
        ----------
        level_db : ndarray, shape (WINDOW, tracks)
            Of each track from the begin of its window on; finite, from its length on 0.
        lengths : ndarray of int, shape (tracks,)
        scale : ndarray, shape (tracks,)
            The deviation of the wander of each track, against that of all.
        where : ndarray of bool, shape (WINDOW, tracks)
            Places at which to look.
        """
        inside = self._rows < lengths
        white = np.where(inside, self._whitener @ level_db.astype(np.float32), 0.0)
        ones = self._ones[lengths - 1]
        mean = (self._one @ white) / ones
        tracks = np.arange(lengths.size)
        best = np.zeros((3, lengths.size))
        for width, ways, squares, crosses in zip(WIDTHS, self._white_ways, self._squares, self._crosses, strict=True):
            cross = crosses[lengths - 1].T
            found = ways.T @ white - cross * mean
            weight = np.maximum(squares[lengths - 1].T - cross**2 / ones, 1e-12)
            half = width // 2
            possible = where & (self._rows >= LEAST_BEFORE + half) & (self._rows + half + LEAST_AFTER <= lengths)
            sure = np.where(possible, np.abs(found) / np.sqrt(weight), 0.0)
            place = np.argmax(sure, axis=0)
            here = np.stack([sure[place, tracks] / scale, place, found[place, tracks] / weight[place, tracks]])
            best = np.where(here[0] > best[0], here, best)
        return Changes(best[1].astype(np.int_), best[2], best[0])
