"""Turns that nobody saw: levels beside those that were seen go in; what a hand has found or left comes out.

What is too small to be seen is not too small to bend a mean. Whether there was such a turn, and when, cannot be told;
so all moments are averaged over, weighed by how well each explains the levels (Bayes).
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from bridge.procedure.evidence import Evidence
from bridge.procedure.movement import LEAST_STILL

UNSEEN_CHANCE: Final = 0.25
"""How often a hand that seems to have left has turned once more, by too little to be seen: people who chase a needle
that wanders do. Common practice, no source."""

UNSEEN_SIZE: Final = 2.0
"""How far such a turn goes, in deviations of a level over 0.4 s: more would have been seen."""

UNSEEN_BLOCKS: Final = 80.0
"""And how long after the last that was seen, at the most."""

MOST_SURE: Final = 50.0
"""A likelihood of more than e to this is certainty."""


@dataclass(frozen=True, slots=True)
class Rested:
    """What a level was while no hand moved it, when nobody can tell for sure since when, or how long.

    Parameters
    ----------
    level_db : float
        Its mean, over all moments.
    doubt_db : float
        Standard deviation of that mean from not knowing the moment.
    block : int
        The likeliest first block after the turn that nobody saw, or before it.
    """

    level_db: float
    doubt_db: float
    block: int


def left_behind(evidence: Evidence, track: int, start: int, end: int, latest: int) -> Rested:
    """Return what a hand has left that may have turned once more, between ``start`` and ``latest``.

    From ``start`` to ``end`` the track was still, as far as can be seen.
    """
    return _unseen(evidence, track, max(start, evidence.own.oldest), end, latest - start, backwards=False)


def found_before(evidence: Evidence, track: int, start: int, end: int) -> Rested:
    """Return what a hand has found that was seen to turn from ``end`` on, and may have begun before, unseen."""
    return _unseen(evidence, track, max(start, evidence.own.oldest), end, end - start, backwards=True)


def _unseen(evidence: Evidence, track: int, start: int, end: int, latest: int, *, backwards: bool) -> Rested:
    """Return the level beyond a turn that nobody saw, within so many blocks of the start; ``backwards`` of the end."""
    contrasts = evidence.contrasts
    total, number = evidence.own.running(track, start, end)
    as_read, _ = evidence.record.running(track, start, end)
    if backwards:
        total, number, as_read = (sums[-1] - sums[::-1] for sums in (total, number, as_read))
    first, beyond = number[:-1], number[-1] - number[:-1]
    mean_db = (as_read[-1] - as_read[:-1]) / np.maximum(beyond, 1.0)
    enough = (first >= 2) & (beyond >= LEAST_STILL) & (np.arange(first.size) < min(latest, UNSEEN_BLOCKS))
    if not enough.any():
        return Rested(float(mean_db[0]) if mean_db.size and beyond[0] else np.nan, 0.0, end if backwards else start)
    by_db = (total[-1] - total[:-1]) / np.maximum(beyond, 1.0) - total[:-1] / np.maximum(first, 1.0)
    variance = contrasts.mean_variance(track, np.maximum(first, 1.0)) + contrasts.mean_variance(track, beyond)
    size = UNSEEN_SIZE**2 * contrasts.variance[0, track]
    surprise = 0.5 * by_db**2 * size / (variance * (variance + size))
    explains = np.sqrt(variance / (variance + size)) * np.exp(np.minimum(surprise, MOST_SURE))
    weight = np.where(enough, UNSEEN_CHANCE / UNSEEN_BLOCKS * explains, 0.0)
    weight[0] = 1.0 - UNSEEN_CHANCE
    weight /= weight.sum()
    mean_db = np.where(weight > 0.0, mean_db, 0.0)
    level_db = float(weight @ mean_db)
    doubt_db = float(np.sqrt(weight @ (mean_db - level_db) ** 2))
    blocks = int(np.argmax(weight))
    return Rested(level_db, doubt_db, end - blocks if backwards else start + blocks)
