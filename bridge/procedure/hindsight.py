"""What shows only in hindsight: levels of a track against the others go in; when they changed, by how much, how surely.

A small turn of a trimmer is lost in the wander while it is made. It is found when the level has been seen for long
enough on both sides of it: the means of two long stretches differ by more than wander lets them, or the turn itself is
not like wander of this colour.
"""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from bridge.procedure.blocks import Floats
from bridge.procedure.colour import BESIDE, WINDOW
from bridge.procedure.evidence import Evidence
from bridge.procedure.movement import GUARD, explained
from bridge.procedure.record import Indices

CHANGED: Final = 4.5
"""Times the deviation of wander by which a level must have changed where no movement was seen."""

LEAST_TRIM_DB: Final = 0.05
"""A smaller change is no trim: nobody sets a trimmer finer, and tape that warms up creeps as far."""

LENGTHS: Final = np.array([40, 80, 160, 320, 640])
"""Blocks of the stretches that are compared, at the most."""

LEAST_SIDE: Final = 20
"""Blocks on either side without which nothing is found in hindsight: what shows in fewer is seen at once."""

BY_HAND: Final = 1.5
BY_CREEP: Final = -3.0
"""Logarithms of how much likelier a hand must be than a creeping level to tell a trim, and at most to be sure of a
creeping one. In between it is waited for more of the level: what creeps goes on."""

OPEN: Final = 0.6
OPEN_BLOCKS: Final = 100
"""For so many blocks after a change that is waited for; then so much is enough to tell a trim."""

STILL_CREEPS: Final = 5.0
"""The first of them on a track that has just crept."""

CREEP_BLOCKS: Final = 100
"""Of a level that creeps only so many of the newest blocks are of use."""

WAY_BLOCKS: Final = 200
"""Blocks on either side in which it is asked whether the way was a long one."""

HAND_BLOCKS: Final = 30
"""A hand makes a small turn in no more blocks than this."""

_HAND = np.meshgrid([1, 5, 15, HAND_BLOCKS], np.arange(-60, 61, 5))
_CREEP = np.meshgrid([100, 150, 250, 2 * WAY_BLOCKS], np.arange(-60, 61, 10))
_SPANS, _MIDDLES = (
    np.concatenate([hand.ravel(), creep.ravel()]).astype(np.float64) for hand, creep in zip(_HAND, _CREEP, strict=True)
)
_LONG: Final = _SPANS > HAND_BLOCKS

TRUSTED: Final = 0.88
"""A model of the wander is not the wander: what stands out from it counts for less than what stands out from means."""

DOUBTFUL: Final = 2.0
"""What stands out by less than this is not looked at any closer."""


@dataclass(frozen=True, slots=True)
class Change:
    """Where a level has changed.

    Parameters
    ----------
    block : int
        The first after it.
    by_db : float
    sure : float
        ``by_db`` in deviations of wander, without sign.
    """

    block: int
    by_db: float
    sure: float

    @property
    def stands_out(self) -> bool:
        """Whether it is more than wander, and worth a trim."""
        return self.sure >= CHANGED and abs(self.by_db) >= LEAST_TRIM_DB


def likeliest_changes(evidence: Evidence, tracks: Indices, end: int) -> list[Change | None]:
    """Return the change of the present level of each track that stands out most from wander; None of too few blocks."""
    return changes_between(evidence, tracks, evidence.own_since[tracks], end)


def changes_between(
    evidence: Evidence, tracks: Indices, starts: Indices, end: int, near: tuple[int, int] | None = None
) -> list[Change | None]:
    """Do so for the newest levels, `WINDOW` blocks at most, between a block of each track and the end.

    Parameters
    ----------
    evidence : Evidence
    tracks, starts : ndarray of int, shape (tracks,)
    end : int
    near : (int, int), optional
        Only changes between these blocks are asked for, as they differ from wander of this colour.
    """
    seen = end - np.maximum(starts, evidence.own.oldest)
    lengths = np.clip(seen, 0, WINDOW)
    if not lengths.size or lengths.max() < 2 * LEAST_SIDE:
        return [None] * lengths.size
    starts = end - lengths
    first = int(starts.min())
    level_db = _aligned(evidence.own.weighed_db(first, end)[:, tracks], starts - first, lengths)
    places = np.arange(WINDOW)[:, np.newaxis]
    # What lies at the begin of a window that moves along was looked at when there was more before it.
    where = (seen <= WINDOW) | (places >= LEAST_SIDE)
    if near is not None:
        where = (places >= near[0] - starts) & (places <= near[1] - starts)
    found = evidence.colour.changes(level_db, np.maximum(lengths, 1), evidence.contrasts.against_all[tracks], where)
    changes: list[Change | None] = []
    for place, (track, start, length) in enumerate(
        zip(tracks.tolist(), starts.tolist(), lengths.tolist(), strict=True)
    ):
        if length < 2 * LEAST_SIDE:
            changes.append(None)
            continue
        at, by_db, sure = start + int(found.place[place]), float(found.by_db[place]), float(found.sure[place])
        change = _checked(evidence, track, Change(at, by_db, TRUSTED * sure), start, end)
        of_means = _of_means(evidence, track, start, end) if near is None else None
        changes.append(change if of_means is None or change.sure >= of_means.sure else of_means)
    return changes


def _of_means(evidence: Evidence, track: int, start: int, end: int) -> Change | None:
    """Return the change of a track's level between two blocks that stands out most from wander; None of too few.

    It is looked for between stretches of several lengths: long ones average more wander, short ones less drift.
    """
    total, number = evidence.own.running(track, start, end)
    if number[-1] < 2 * LEAST_SIDE:
        return None
    places = np.arange(1, total.size - 1)
    first = np.maximum(places - LENGTHS[:, np.newaxis], 0)
    last = np.minimum(places + LENGTHS[:, np.newaxis], total.size - 1)
    before, after = number[places] - number[first], number[last] - number[places]
    enough = (before >= LEAST_SIDE) & (after >= LEAST_SIDE)
    if not enough.any():
        return None
    by_db = (total[last] - total[places]) / np.maximum(after, 1.0)
    by_db -= (total[places] - total[first]) / np.maximum(before, 1.0)
    variance = evidence.contrasts.mean_variance(track, before) + evidence.contrasts.mean_variance(track, after)
    sure = np.where(enough, np.abs(by_db) / np.sqrt(variance), 0.0)
    length, place = np.unravel_index(int(np.argmax(sure)), sure.shape)
    return Change(start + int(places[place]), float(by_db[length, place]), float(sure[length, place]))


def _aligned(level_db: Floats, starts: Indices, lengths: Indices) -> Floats:
    """Return levels that begin at the first row, less their mean; what is missing is led on in a straight line."""
    aligned = np.zeros((WINDOW, lengths.size))
    for column, (start, length) in enumerate(zip(starts, lengths, strict=True)):
        values = level_db[start : start + length, column]
        held = np.flatnonzero(np.isfinite(values))
        if held.size >= LEAST_SIDE:
            values = values if held.size == length else np.interp(np.arange(length), held, values[held])
            aligned[:length, column] = values - values.mean()
    return aligned


def _checked(evidence: Evidence, track: int, change: Change, start: int, end: int) -> Change:
    """Return a change, which is none if the levels beside it do not differ accordingly: that was a dropout."""
    if change.sure < DOUBTFUL:
        return change
    before_db = evidence.own.moments(track, max(start, change.block - BESIDE - GUARD), change.block - GUARD)[1]
    after_db = evidence.own.moments(track, change.block + GUARD, min(end, change.block + GUARD + BESIDE))[1]
    holds = (after_db - before_db) * np.sign(change.by_db) > 0.5 * abs(change.by_db)
    return change if holds else replace(change, sure=0.0)


def sureness(evidence: Evidence, track: int, before: tuple[int, int], after: tuple[int, int]) -> tuple[float, float]:
    """Return by how much a track's level differs between two stretches, dB, and that in deviations of wander.

    Parts of several lengths are compared, those that are nearest to each other; the surest difference counts.
    """
    own = evidence.own
    best = (0.0, 0.0)
    for length in LENGTHS.tolist():
        number, before_db, _ = own.moments(track, max(before[0], before[1] - length, own.oldest), before[1])
        after_number, after_db, _ = own.moments(track, after[0], min(after[1], after[0] + length))
        by_db = after_db - before_db
        if np.isfinite(by_db):
            variance = evidence.contrasts.mean_variance(track, np.array([float(number), float(after_number)])).sum()
            best = max(best, (abs(by_db) / float(np.sqrt(variance)), by_db))
    return best[1], best[0]


def sharpness(evidence: Evidence, track: int, change: Change, start: int, end: int) -> float:
    """Return how much likelier it is that a hand has made a change than that the level has crept there, as a logarithm.

    A hand is done in a second or two, what creeps takes much longer. The way of each that explains the levels between
    two blocks best counts; what is explained is measured by how far the change stands out from wander.
    """
    own = evidence.own
    start, end = max(start, own.oldest, change.block - WAY_BLOCKS), min(end, change.block + WAY_BLOCKS)
    level_db = own.level_db(start, end)[:, track]
    held = np.isfinite(level_db)
    by_way = explained(_ways(np.arange(level_db.size)[held] - (change.block - start)), level_db[held])
    by_hand, by_creep = by_way[~_LONG].max(), by_way[_LONG].max()
    return float(0.5 * change.sure**2 * (by_hand - by_creep) / max(by_hand, 1e-9))


def _ways(blocks: Indices) -> Floats:
    """Return ways from one level to another around a moment, shape (ways, blocks)."""
    return np.asarray(np.clip((blocks - _MIDDLES[:, np.newaxis]) / _SPANS[:, np.newaxis] + 0.5, 0.0, 1.0))
