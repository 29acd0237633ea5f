"""The verdict on an act: what was seen of it goes in; whether a trimmer was turned, and what it left, comes out."""

import math
from dataclasses import replace
from typing import Final, Literal

import numpy as np

from bridge.procedure.acts import Act
from bridge.procedure.blocks import BLOCK_S
from bridge.procedure.evidence import Evidence
from bridge.procedure.hindsight import (
    CHANGED,
    LEAST_TRIM_DB,
    Change,
    changes_between,
    sharpness,
    sureness,
)
from bridge.procedure.movement import GUARD, LEAST_STILL, still_blocks
from bridge.procedure.playback_level import PlaybackLevel
from bridge.procedure.record import Record
from bridge.procedure.settling import Settled, settled
from bridge.procedure.unseen import Rested, found_before, left_behind

CHANGED_SEEN: Final = 3.5
"""Times the deviation of wander by which what was left must differ from what was found, where a movement was seen."""

CHANGED_DOUBTFUL: Final = 2.5
"""From here on it is worth waiting for longer means before saying that nothing was changed."""

CHANGED_PERHAPS: Final = 1.5
"""From here on a movement that was told of is not passed over in silence when it cannot be waited for longer means."""

CHANGED_STILL: Final = 4.0
"""The same for a change that was found in hindsight, at first `CHANGED` or more."""

EXCURSION: Final = 6.5
"""The same for the way between, where the trimmer was put back to where it was."""

NOT_BACK: Final = 0.5
"""A trimmer that is so far from where it was, as a share of the furthest that it went, has not been put back."""

LEAST_FOUND_S: Final = 0.5
"""What was found must have been seen for so long before a trimmer can be said to be back where it was."""

DROPOUT_BLOCKS: Final = 7
"""What lasted no longer than this, downwards and back to where it was, was no movement but a dropout."""

BEGINS_BLOCKS: Final = DROPOUT_BLOCKS + 1
"""What was low from a tone's first block on and has risen within so many was in a dropout: nobody who hears or sees the
tone begin has turned a trimmer by then."""

RISES_BLOCKS: Final = 3
"""A dropout ends within so many blocks."""

SOON_BLOCKS: Final = 30
"""A hand that begins so soon after the tone is looked at once more when more is known of the tape."""

DOUBT: Final = 0.7
"""Times the standard error of what was left, by which it may be unsure for not knowing when the hand left."""

COMMON_BLOCKS: Final = 10
"""What is common to all tracks is averaged over so many blocks on either side of a moved playback level."""

WAY_POINTS: Final = 200
"""The way of an act that takes long is kept in no more points."""

Verdict = Literal["trim", "undone", "doubtful", "crept", "dropout", "none"]


def left_of(evidence: Evidence, act: Act, end: int, latest: int, level: PlaybackLevel) -> tuple[Settled, Rested]:
    """Return what an act has left, averaged up to a block, and when the hand is likeliest to have left.

    Parameters
    ----------
    evidence : Evidence
    act : Act
        The hand seems to have left it.
    end : int
    latest : int
        From this block on the hand was elsewhere.
    level : PlaybackLevel
    """
    behind = left_behind(evidence, act.track, act.left_from, end, latest)
    if not level.was_moved(act.left_from, end):
        left = settled(evidence.record, evidence.unsteadiness, act.track, behind.block, end)
        error_db = math.hypot(left.standard_error_db, behind.doubt_db)
        return replace(left, level_db=behind.level_db, standard_error_db=error_db), behind
    # All tracks have been moved since: what it is against the others, and what they were when the hand left.
    left = settled(evidence.own, evidence.unsteadiness, act.track, act.left_from, end)
    return replace(left, level_db=left.level_db + _common_db(evidence, act, end, level)), behind


def found_of(evidence: Evidence, act: Act, end: int, level: PlaybackLevel) -> Settled:
    """Return what an act has found: at the playback level at which it was left, if that was moved in between."""
    if not level.was_moved(act.found_from, act.left_from):
        return _found_soon(evidence, act, level) or act.as_found
    found_db = act.found_own_db + _common_db(evidence, act, end, level)
    return replace(act.as_found, level_db=found_db) if math.isfinite(found_db) else act.as_found


def _found_soon(evidence: Evidence, act: Act, level: PlaybackLevel) -> Settled | None:
    """Return what a hand has found that began soon after the tone; None if it was seen as soon as it began.

    How steady the tape is was not known by then: the first of its strokes may have gone for wander.
    """
    own = evidence.own
    if act.in_hindsight or act.onset - act.since > SOON_BLOCKS or act.since < own.oldest:
        return None
    level_db = own.level_db(act.since, act.onset + LEAST_STILL)[:, act.track]
    onset = act.since + still_blocks(level_db[::-1], evidence.deviations_db(act.track))
    start, end = max(level.rests_since(onset), act.since), onset - GUARD
    if onset >= act.onset or end - start < LEAST_STILL:
        return None
    return _rested_before(evidence, act.track, start, end)[0]


def _rested_before(evidence: Evidence, track: int, start: int, end: int) -> tuple[Settled, int]:
    """Return what a track has read from ``start`` to ``end``, and to which block: a slow hand may have begun before."""
    before = found_before(evidence, track, start, end)
    found = settled(evidence.record, evidence.unsteadiness, track, start, before.block)
    error_db = math.hypot(found.standard_error_db, before.doubt_db)
    return replace(found, level_db=before.level_db, standard_error_db=error_db), before.block


def _common_db(evidence: Evidence, act: Act, end: int, level: PlaybackLevel) -> float:
    """Return what was common to all tracks when the hand left, or as soon as the playback level rested after that."""
    rested, moved = level.rest(act.left_from)
    start, stop = max(rested, act.left_from), min(moved, end)
    if stop - start < LEAST_STILL:
        start = max(rested, stop - COMMON_BLOCKS)
    return evidence.own.moments(evidence.tracks, min(start, stop - 1), stop)[1]


def is_unsure(evidence: Evidence, act: Act, now: int, latest: int) -> bool:
    """Say whether waiting would tell whether the hand has turned once more by too little to be seen."""
    error_db = evidence.unsteadiness.standard_error_db(act.track, now - act.left_from)
    return left_behind(evidence, act.track, act.left_from, now, latest).doubt_db > DOUBT * error_db


def verdict_on(evidence: Evidence, act: Act, end: int) -> Verdict:
    """Say what an act was, by the levels up to a block."""
    before = (act.since, act.found_to)
    by_db, sure = sureness(evidence, act.track, before, (act.left_from, end))
    if act.told:
        if by_db > 0.0 and _ends_dropout(evidence, act):
            return "dropout"
        turned = sure >= CHANGED_SEEN and abs(by_db) >= LEAST_TRIM_DB
        return "trim" if turned else _excursion(evidence, act, by_db, sure)
    near = (act.found_to, act.left_from)
    (change,) = changes_between(evidence, np.array([act.track]), np.array([act.since]), end, near)
    if change is not None and change.sure > sure:
        by_db, sure = change.by_db, change.sure
    if abs(by_db) < LEAST_TRIM_DB:
        return "none"
    if sure < (CHANGED_STILL if act.in_hindsight else CHANGED):
        return "doubtful" if sure >= CHANGED_DOUBTFUL else "none"
    change = Change(act.end, by_db, sure)
    return "crept" if sharpness(evidence, act.track, change, act.since, end) < 0.0 else "trim"


def _ends_dropout(evidence: Evidence, act: Act) -> bool:
    """Say whether a rise is the end of a dropout in which the tone of a track began."""
    began = int(evidence.began[act.track])
    return act.since >= began >= act.end - BEGINS_BLOCKS and act.end - act.onset <= RISES_BLOCKS


def may_have_changed(evidence: Evidence, act: Act, end: int) -> bool:
    """Say whether an act may have left another level than it found, which too few levels tell."""
    by_db, sure = sureness(evidence, act.track, (act.since, act.found_to), (act.left_from, end))
    return sure >= CHANGED_PERHAPS and abs(by_db) >= LEAST_TRIM_DB


def _excursion(evidence: Evidence, act: Act, by_db: float, sure: float) -> Verdict:
    """Say whether a trimmer that is back where it was, as far as can be told, has been turned at all."""
    found_db = evidence.own.moments(act.track, max(act.since, evidence.own.oldest), act.found_to)[1]
    if act.peak < EXCURSION or act.as_found.seconds < LEAST_FOUND_S:
        return "none"
    start = max(act.onset - 1, evidence.own.oldest)
    way = evidence.own.level_db(start, max(act.end + 1, start + 1))[:, act.track] - found_db
    if not np.isfinite(way).any():
        return "none"
    furthest_db = float(way[np.nanargmax(np.abs(way))])
    if abs(furthest_db) < CHANGED_SEEN * evidence.deviations_db(act.track)[0]:
        return "none"
    if abs(by_db) > NOT_BACK * abs(furthest_db):
        return "trim" if sure >= CHANGED_DOUBTFUL else "none"
    away = int((np.abs(np.nan_to_num(way)) > 0.35 * abs(furthest_db)).sum())
    return "none" if furthest_db < 0.0 and away <= DROPOUT_BLOCKS else "undone"


def as_found(
    evidence: Evidence, track: int, onset: int, guard: int, longest_blocks: int, rests_since: int
) -> tuple[int, int, Settled, float]:
    """Return what a trimmer was found at before a block: the stretch, its level, and that against all tracks.

    Parameters
    ----------
    evidence : Evidence
    track, onset : int
    guard : int
        Blocks left out before the onset.
    longest_blocks : int
    rests_since : int
        From this block on the playback level had rested when the trimmer was turned.
    """
    own, own_since = evidence.own, int(evidence.own_since[track])
    end = max(onset - guard, own_since + 1)
    since = max(own_since, end - longest_blocks, own.oldest)
    start = max(since, rests_since)
    if end - start >= LEAST_STILL:
        found, end = _rested_before(evidence, track, start, end)
        return start, end, found, found.level_db - own.moments(evidence.tracks, start, end)[1]
    # All tracks were moved just before: what it was against the others, and what they are now.
    found = settled(own, evidence.unsteadiness, track, since, end)
    common_db = own.moments(evidence.tracks, min(rests_since, evidence.now - 1), evidence.now)[1]
    return since, end, replace(found, level_db=found.level_db + common_db), found.level_db


def way_of(record: Record, act: Act) -> tuple[tuple[float, float], ...]:
    """Return the way of an act as (seconds, dB)."""
    start = max(act.onset - GUARD, record.oldest)
    level_db = record.level_db(start, min(act.end + GUARD, record.count))[:, act.track]
    step = -(-max(level_db.size, 1) // WAY_POINTS)
    return tuple(
        (round(record.end_s(start + place) - 0.5 * BLOCK_S, 3), round(float(level), 3))
        for place, level in enumerate(level_db)
        if place % step == 0 and math.isfinite(level)
    )
