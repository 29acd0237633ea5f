"""Whether a switch was thrown: levels of all tracks go in; when they jumped, each by its own amount, comes out.

Who goes from repro to sync while the tone plays moves all tracks at once, each by what its two amplifiers differ. No
hand turns three trimmers within a tenth of a second, and none moves two without any way between.
"""

from typing import Final

import numpy as np

from bridge.procedure.blocks import Bools, Floats
from bridge.procedure.evidence import Evidence

AFTER: Final = 8
"""A jump is looked at when it is so many blocks old: a dropout of several tracks is over by then."""

BEFORE: Final = 8
LEAST_BEFORE: Final = 4
"""Blocks before the jump: so many, and in a step that has just begun as few as tell anything."""

BETWEEN: Final = 2
"""Blocks in which the levels may jump: the first of them, and one that it may share with the next."""

LEAST: Final = 3
"""More tracks than two hands turn."""

LEAST_OWN: Final = 2
"""So many of them jump by another amount than the middle one: else it is the playback level."""

JUMPS: Final = 5.0
JUMPS_DB: Final = 0.1
"""A track jumps by so many deviations of wander, and by so much, against what is common to all."""

FLAT: Final = 3.0
FLAT_SHARE: Final = 0.08
"""What goes further than this before or after, in deviations or as a share of the jump, has been moved by a hand."""


def switched_at(evidence: Evidence) -> int | None:
    """Return the block at which a switch was thrown, if that was `AFTER` blocks ago."""
    at = evidence.now - AFTER
    start = max(at - BEFORE, evidence.record.oldest)
    if evidence.tracks < 2 or at - start < LEAST_BEFORE:
        return None
    level_db = evidence.record.level_db(start, evidence.now)
    early, late = level_db[: at - start], level_db[at - start + BETWEEN :]
    held = _held(early) & _held(late)
    if held.sum() < 2:
        return None
    jump_db = np.where(held, _mean(late) - _mean(early), 0.0)
    noise_db = np.sqrt(evidence.contrasts.variance[0])
    allowed_db = np.maximum(FLAT * noise_db, FLAT_SHARE * np.abs(jump_db))
    flat = (_bend(early) <= allowed_db) & (_bend(late) <= allowed_db)
    least_db = np.maximum(JUMPS * noise_db, JUMPS_DB)
    jumped = held & flat & (np.abs(jump_db) >= least_db)
    # What all do alike is done to the playback level.
    own = held & flat & (np.abs(jump_db - np.median(jump_db[held])) >= least_db)
    thrown = jumped.sum() >= min(LEAST, evidence.tracks) and own.sum() >= min(LEAST_OWN, evidence.tracks - 1)
    return at if thrown else None


def _held(level_db: Floats) -> Bools:
    return np.asarray(np.isfinite(level_db).sum(axis=0) >= level_db.shape[0] - 2)


def _mean(level_db: Floats) -> Floats:
    held = np.isfinite(level_db)
    return np.asarray(np.where(held, level_db, 0.0).sum(axis=0) / np.maximum(held.sum(axis=0), 1))


def _bend(level_db: Floats) -> Floats:
    half = level_db.shape[0] // 2
    return np.abs(_mean(level_db[half:]) - _mean(level_db[:half]))
