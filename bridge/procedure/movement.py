"""When a hand began to turn a trimmer and when it left it: levels of a track against the others go in, blocks come out.

Both questions are one, asked in the two directions of time: how long has the level been still, counted from an end?
"""

from typing import Final

import numpy as np

from bridge.procedure.blocks import Floats

GROUP: Final = 3
"""Blocks that are averaged against the still stretch beside them: a third of a second."""

LEAST_STILL: Final = 4
"""Blocks that a still stretch has at least."""

GUARD: Final = 2
"""Blocks left out between a movement and a mean: the hand begins and ends slowly."""

LATE_GUARD: Final = 6
"""The same for a movement that was seen only afterwards, and whose moment is less sure."""

STEPS_OUT: Final = 3.3
"""Times the deviation of wander by which a group must step out of the still stretch. It is asked some ten times a
second while a hand is at work: a wrong yes makes the settling a little longer, a wrong no bends the mean."""

SLOW: Final = 6.0
"""Logarithm of how much likelier a slow way must be than no way at all for a level to be waited for because of it."""

ENDED: Final = 0.5
"""Logarithm of how much likelier it must then be that the way has ended than that it goes on."""

_LENGTHS: Final = np.array([1.0, 1.25, 1.5, 2.0])[:, np.newaxis]
"""How long a way may be that goes on, in lengths of the rest."""


def still_blocks(level_db: Floats, deviations_db: tuple[float, float, float]) -> int:
    """Return for how many blocks from the end on a level has been still.

    Parameters
    ----------
    level_db : ndarray, shape (blocks,)
        NaN where it cannot be relied on.
    deviations_db : tuple of float
        By how much means over 0.4 s, 0.8 s and 1.5 s differ from those before, by chance.
    """
    backwards = level_db[::-1]
    held = np.isfinite(backwards)
    total = np.concatenate([[0.0], np.cumsum(np.where(held, backwards, 0.0))])
    number = np.concatenate([[0], np.cumsum(held)])
    lengths = np.arange(LEAST_STILL, backwards.size - GROUP + 1)
    if lengths.size == 0:
        return backwards.size
    still = total[lengths] / np.maximum(number[lengths], 1)
    group_number = number[lengths + GROUP] - number[lengths]
    group = (total[lengths + GROUP] - total[lengths]) / np.maximum(group_number, 1)
    deviation = np.where(lengths <= 8, deviations_db[0], np.where(lengths <= 20, deviations_db[1], deviations_db[2]))
    deviation = deviation * np.sqrt(GROUP / np.maximum(group_number, 1))
    out = (np.abs(group - still) > STEPS_OUT * deviation) & (group_number > 0) & (number[lengths] >= 2)
    if not out.any():
        return backwards.size
    at = int(lengths[np.argmax(out)])
    # The block that steps out is somewhere in the group: the still stretch goes on up to it.
    level = still[np.argmax(out)]
    for block in range(at, at + GROUP):
        if held[block] and abs(backwards[block] - level) > STEPS_OUT * deviations_db[0]:
            return block
    return at + 1


def creeps_on(level_db: Floats, still: int, deviation_db: float) -> bool:
    """Say whether a level that seems to be still is likelier to go on, slowly and evenly.

    A slow turn goes no further within a second than wander does. But then it has come here just as slowly: it is asked
    whether levels over twice the time lie on a straight way that goes on, or on any straight one and then a rest.

    Parameters
    ----------
    level_db : ndarray, shape (blocks,)
        The newest; NaN where it cannot be relied on.
    still : int
        For how many of them the level has been still, 1 or more.
    deviation_db : float
        Standard deviation of a mean over so many blocks, by chance.
    """
    held = np.isfinite(level_db)
    at = np.arange(1 - level_db.size, 1)[held]
    early = at <= -still
    if early.sum() <= 2 or early.all():
        return False
    values_db = level_db[held]
    scale = 0.5 / (still * deviation_db**2)
    goes_on = float(explained(np.clip(at / (still * _LENGTHS) + 1.0, 0.0, 1.0), values_db).max())
    if scale * goes_on < SLOW:
        return False
    way = values_db[early] - np.polynomial.Polynomial.fit(at[early], values_db[early], 1)(at[early])
    rest = values_db[~early] - values_db[~early].mean()
    ended = float(((values_db - values_db.mean()) ** 2).sum() - (way @ way) - (rest @ rest))
    return scale * (ended - goes_on) < ENDED


def explained(ways: Floats, values_db: Floats) -> Floats:
    """Return how much of the sum of squares of some levels each way explains, shape (ways,); one way a row."""
    centred = ways - ways.mean(axis=1)[:, np.newaxis]
    fit = centred @ (values_db - values_db.mean())
    return np.asarray(fit**2 / np.maximum((centred * centred).sum(axis=1), 1e-9))
