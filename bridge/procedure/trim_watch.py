"""Which trimmer moves, and what it was and is: tone levels of all tracks go in, movements and finished trims come out.

A trim is one act of turning one trimmer. It opens when a track departs from the others by more than the tape's own
unsteadiness allows, goes on while the hand turns, hesitates and turns back, is settled when the level has been still
for long enough to know that the hand has left, and is told when a longer mean would not be any better.
"""

import math
from dataclasses import replace
from typing import Final, Literal

import numpy as np

from bridge.procedure.acts import (
    Act,
    Event,
    LevelMoved,
    MoveDropped,
    MoveStarted,
    TrimCut,
    TrimFound,
    TrimSettled,
)
from bridge.procedure.blocks import AROUND, BLOCK_S, Block, Blocks, Bools, Floats
from bridge.procedure.common import CommonLevel
from bridge.procedure.dropouts import Dips
from bridge.procedure.movement import LEAST_STILL, changed_at, crept, still_blocks
from bridge.procedure.record import Indices, Record
from bridge.procedure.settling import LONGEST_S, Settled, long_enough, settled
from bridge.procedure.wander import QUICK, SCALES, Contrasts, Unsteadiness
from bridge.readings import State

__all__ = [
    "Event",
    "LevelMoved",
    "MoveDropped",
    "MoveStarted",
    "TrimCut",
    "TrimFound",
    "TrimSettled",
    "TrimWatch",
]

DEPARTED: Final = np.array([4.2, 4.1, 4.0, 3.9, 3.8, 3.7])[:, np.newaxis]
"""Times the deviation of wander by which a track must depart to be looked at, for each of `SCALES`; the quick ones are
asked more often. By chance that happens about once a minute; what follows sorts it out."""

TOLD: Final = 5.0
"""The same for telling the person that a trimmer moves: by chance once in hours."""

CHANGED: Final = 3.5
"""Times the deviation of wander by which what was left must differ from what was found, where a movement was seen."""

CHANGED_UNSEEN: Final = 4.5
"""The same where none was seen, only that the level is another."""

UNDECIDED: Final = 2.5
"""From here on it is worth waiting for longer means before saying that nothing was changed."""

LONGEST_DOUBT_S: Final = 30.0

LEAST_TRIM_DB: Final = 0.05
"""A smaller change is no trim: nobody sets a trimmer finer, and tape that warms up creeps as far."""

AHEAD: Final = 3.5
"""The same for the newest blocks against what seems to have settled."""

WENT_ON: Final = 4.0
"""The same for two parts of what was left, of which the later one counts then."""

EXCURSION: Final = 6.5
"""The same for the way between, where the trimmer was put back to where it was."""

LEVEL_MOVED: Final = 6.0
"""The same for all tracks together: the playback level has been moved."""

LEAST_COMMON_DB: Final = 0.08

ONE_ACT_S: Final = 4.0
"""A hand that is back on a trimmer within this time never left it, even if another trimmer has been moved meanwhile: to
go there, turn it and come back takes longer, so that was another hand."""

SAME_HAND_S: Final = 8.0
"""The same where no other trimmer has been moved meanwhile: the screwdriver is still in the slot. People who hesitate,
look twice and go on take up to six seconds."""

STILL_BLOCKS: Final = 17
"""A level that has been still for so long is settled, where tape is steady: hands hesitate for up to a second."""

STILL_BLOCKS_UNSTEADY: Final = 10
"""So many more where tape is so unsteady that a slow hand cannot be seen at once."""

LEAST_FOUND_S: Final = 0.5
"""What was found must have been seen for so long before a trimmer can be said to be back where it was."""

DROPOUT_BLOCKS: Final = 7
"""What lasted no longer than this, downwards and back to where it was, was no movement but a dropout."""

GUARD: Final = 2
"""Blocks left out between a movement and a mean: the hand begins and ends slowly."""

LATE_GUARD: Final = 6
"""The same for a movement that was seen only afterwards, and whose moment is less sure."""

WAY_POINTS: Final = 200

CLIP_SHOWN_BLOCKS: Final = 10
QUIET_BLOCKS: Final = 3
ENDED_BLOCKS: Final = 4
LOST_BLOCKS: Final = 10
"""A track without tone for so long is shown as quiet; all of them: the tone has ended; it alone: begins anew."""

LEVEL_SEEN: Final = 30
"""For so many blocks after all tracks have been moved the longer stretches still show it."""

LEAST_WATCHED: Final = 10
LOOKED_BACK: Final = 40
STEADY_DB: Final = 0.03
UNSTEADY_DB: Final = 0.1
"""Deviation of a level over 0.4 s from that of the second before: of steady tape, and beyond that of unsteady tape."""

Verdict = Literal["trim", "undone", "doubtful", "crept", "none"]


class TrimWatch:
    """Watches the trimmers of all tracks during one step.

    Parameters
    ----------
    tracks : int
        1 or more.
    """

    def __init__(self, tracks: int) -> None:
        if tracks < 1:
            raise ValueError(f"tracks must be 1 or more, not {tracks}")
        self._tracks = tracks
        self._contrasts = Contrasts(tracks)
        self._unsteadiness = Unsteadiness(tracks)
        self._begin()

    def _begin(self) -> None:
        tracks = self._tracks
        self._blocks = Blocks(tracks)
        self._record = Record(tracks)
        # Less what is common to all tracks; that stands in the last column.
        self._own = Record(tracks + 1)
        self._common = CommonLevel(tracks)
        self._dips = Dips(tracks)
        # From when on each track has its present level: as it is read, and against the others.
        self._since: Indices = np.zeros(tracks, dtype=np.int_)
        self._own_since: Indices = np.zeros(tracks + 1, dtype=np.int_)
        self._missing: Indices = np.full(tracks, 1000, dtype=np.int_)
        self._in_hand: Bools = np.zeros(tracks, dtype=bool)
        self._was_settled: Bools = np.zeros(tracks, dtype=bool)
        self._clipped_at: Indices = np.full(tracks, -1000, dtype=np.int_)
        self._touched: Bools = np.zeros(tracks, dtype=bool)
        self._moving: dict[int, Act] = {}
        self._pending: dict[int, Act] = {}
        self._still: dict[int, int] = {}
        self._focus: int | None = None
        self._last_onset: dict[int, int] = {}
        self._hands = 1
        self._level_until = -1000

    @property
    def focus(self) -> int | None:
        """The track (0…) whose trimmer moved last in this step; None before."""
        return self._focus

    @property
    def touched(self) -> tuple[bool, ...]:
        """Whether the trimmer of each track has moved in this step."""
        return tuple(bool(touched) for touched in self._touched)

    @property
    def states(self) -> tuple[State, ...]:
        """The state of each track."""
        return tuple(self._state(track) for track in range(self._tracks))

    def _state(self, track: int) -> State:
        if self._record.count - self._clipped_at[track] < CLIP_SHOWN_BLOCKS:
            return "clipped"
        if self._missing[track] >= QUIET_BLOCKS:
            return "quiet"
        if track in self._moving and self._moving[track].shown:
            return "moving" if self._still.get(track, 0) <= LEAST_STILL else "settling"
        return "settled" if self._was_settled[track] else "tone"

    def push(self, t_s: float, deviation_db: Floats, clipped: Bools) -> tuple[Event, ...]:
        """Take one update, 100 a second.

        Parameters
        ----------
        t_s : float
            Its time in seconds, counted from any moment.
        deviation_db : ndarray, shape (tracks,)
            Tone level minus target; NaN on a track without tone.
        clipped : ndarray of bool, shape (tracks,)
        """
        events: list[Event] = []
        for block in self._blocks.push(t_s, deviation_db, clipped):
            self._take(block, events)
        return tuple(events)

    def restart(self) -> tuple[Event, ...]:
        """Leave the step, and begin another; return what was still open.

        What has been learned of the tape's unsteadiness is kept as a first guess.
        """
        events: list[Event] = []
        for act in list(self._moving.values()):
            self._leave_if_still(act, self._record.count)
        for act in list(self._pending.values()):
            self._close(act, self._record.count, events)
        events += [
            TrimCut(act.track, act.as_found, self._start_s(act.onset)) for act in self._moving.values() if act.told
        ]
        self._contrasts.forget()
        self._unsteadiness.forget()
        self._begin()
        return tuple(events)

    def verify(self, track: int) -> Settled | None:
        """Return the level of a track from all its steady blocks of the last minute; None while there is none.

        Of a track that was touched, those since then.
        """
        if track in self._moving or self._since[track] >= self._record.count:
            return None
        level = settled(self._record, self._unsteadiness, track, int(self._since[track]), self._record.count)
        return level if level.seconds > 0.0 else None

    def _start_s(self, block: int) -> float:
        return self._record.end_s(block) - BLOCK_S

    def _take(self, block: Block, events: list[Event]) -> None:
        finite = np.isfinite(block.level_db)
        self._missing = np.where(finite, 0, self._missing + 1)
        self._clipped_at[block.clipped] = self._record.count
        self._note(block)
        now = self._record.count
        ended = bool(self._missing.min() >= ENDED_BLOCKS)
        lost = (self._missing >= LOST_BLOCKS) | ended
        if lost.any():
            self._lose(lost, ended, events)
        self._since = np.maximum(self._since, self._record.oldest)
        self._own_since = np.maximum(self._own_since, self._record.oldest)
        if ended:
            return
        steady = finite & ~self._in_hand
        self._contrasts.update(self._own, self._own_since)
        self._unsteadiness.update(self._record, self._since, steady)
        if self._notice_level(now, events) and self._tracks == 2:
            return
        for act in list(self._moving.values()):
            self._follow(act, block, events)
        self._open(steady, block, events)
        for act in list(self._pending.values()):
            left = (now - act.end) * BLOCK_S >= self._apart_s(act) + 0.5
            if left and long_enough(self._unsteadiness, act.track, now - act.left_from) and not self._went_on(act, now):
                self._close(act, now, events, final=(now - act.end) * BLOCK_S >= LONGEST_DOUBT_S)
        steady = finite & ~self._in_hand
        self._contrasts.learn(steady)
        self._common.learn(self._own, self._own_since, steady)

    def _note(self, block: Block) -> None:
        """Record a block, as it is and against what is common to all tracks."""
        common_db = self._common.update(block.level_db, block.good & ~self._in_hand & ~self._dips.inside)
        own_db = block.level_db - common_db
        watched = ~self._in_hand & (self._record.count - self._own_since[:-1] >= LEAST_WATCHED)
        deviation_db = np.sqrt(self._contrasts.variance[0])
        for track, start in self._dips.update(self._own, own_db, block.good, watched, deviation_db):
            self._record.weigh(track, start)
            self._own.weigh(track, start)
        weighed = block.good & ~self._dips.inside
        self._record.append(block, weighed)
        own = replace(block, level_db=np.append(own_db, common_db), good=np.append(block.good, bool(block.good.any())))
        self._own.append(own, np.append(weighed, own.good[-1]))

    def _lose(self, lost: Bools, ended: bool, events: list[Event]) -> None:
        """Take note of tracks on which the tone is gone."""
        now = self._record.count
        for act in [act for act in self._pending.values() if lost[act.track]]:
            self._close(act, now, events)
        self._since = np.where(lost, now, self._since)
        self._own_since = np.where(np.append(lost, ended), now, self._own_since)

    # -- the playback level

    def _notice_level(self, now: int, events: list[Event]) -> bool:
        """See whether all tracks are moved together: then what was left before must not be mixed with what is now."""
        by_db = self._contrasts.common_db[:QUICK]
        sure = self._contrasts.common_departure[:QUICK]
        if self._tracks == 2:
            by_db, sure = self._both_moved()
        moved = (sure >= LEVEL_MOVED) & (np.abs(by_db) >= LEAST_COMMON_DB)
        # The longer stretches go on to see it when it is over.
        if not moved.any() or (now - self._level_until < LEVEL_SEEN and sure[0] < 0.5 * LEVEL_MOVED):
            return False
        first = int(np.argmax(moved))
        before = now - SCALES[first].after - SCALES[first].between - GUARD
        if now - self._level_until > LEVEL_SEEN:
            events.append(LevelMoved(self._record.end_s(now - 1), float(by_db[first])))
        self._level_until = now
        for act in [*self._pending.values(), *self._moving.values()]:
            if act.all_moved < 0:
                act.all_moved = before
        self._since = np.where(self._in_hand, self._since, now)
        if self._tracks == 2:
            # Without others to compare with, what was before is of no use any more.
            for act in list(self._pending.values()):
                self._close(act, max(before, act.left_from + 1), events)
            self._own_since[:] = now
        return True

    def _both_moved(self) -> tuple[Floats, Floats]:
        """With two tracks: what both do by the same amount at the same time is done to the playback level."""
        by_db = self._contrasts.difference_db[:QUICK]
        sure = self._contrasts.departure[:QUICK].min(axis=1)
        apart_db = np.abs(by_db[:, 0] - by_db[:, 1])
        largest_db = np.abs(by_db).max(axis=1)
        noise_db = np.sqrt(self._contrasts.variance[:QUICK].sum(axis=1))
        together = apart_db <= np.maximum(0.2 * largest_db, 3.0 * noise_db)
        same = together & (np.sign(by_db[:, 0]) == np.sign(by_db[:, 1])) & (largest_db > noise_db)
        return np.where(same, by_db.mean(axis=1), 0.0), sure

    # -- acts

    def _deviations_db(self, track: int) -> tuple[float, float, float]:
        """Return how far a third of a second lies from the mean of a few blocks, of one second, of more, by chance."""
        variance = self._contrasts.variance[:QUICK, track]
        first, third = float(variance[0]), float(variance.sum()) / 4.0
        return math.sqrt(first), math.sqrt(first), math.sqrt(max(first, third))

    def _open(self, steady: Bools, block: Block, events: list[Event]) -> None:
        """Look at the tracks that have departed from where they were."""
        ratio = self._contrasts.departure / DEPARTED
        candidates = (ratio.max(axis=0) >= 1.0) & steady & ~self._dips.inside
        now = self._record.count
        for track in np.flatnonzero(candidates):
            act = self._opened(int(track), int(np.argmax(ratio[:, track] >= 1.0)), now)
            before = self._pending.get(act.track)
            if before is not None and (act.onset - before.end) * BLOCK_S < self._apart_s(before):
                del self._pending[act.track]
                before.end, before.left_from = act.end, act.left_from
                act = before
            elif before is not None:
                self._close(before, act.onset - GUARD, events)
            act.shown = False
            self._in_hand[act.track] = True
            self._moving[act.track] = act
            self._follow(act, block, events)

    def _opened(self, track: int, scale: int, now: int) -> Act:
        stretch = SCALES[scale]
        own_since = int(self._own_since[track])
        quick = scale < QUICK
        start = max(own_since, now - stretch.after - stretch.between - stretch.before - (20 if quick else 0))
        level_db = self._own.level_db(start, now)[:, track]
        if quick:
            # Backwards in time the question is the same: how long was it still before it moved?
            onset = start + min(still_blocks(level_db[::-1], self._deviations_db(track)), level_db.size - 2)
            guard, end, left_from = GUARD, -1, -1
        else:
            onset = start + changed_at(level_db)[0]
            guard, end, left_from = LATE_GUARD, onset, min(onset + LATE_GUARD, now - 1)
        found_to = max(onset - guard, start + 1)
        since = max(own_since, found_to - round(LONGEST_S / BLOCK_S), self._own.oldest)
        found_from = max(since, int(self._since[track]))
        if found_to - found_from >= LEAST_STILL:
            found = settled(self._record, self._unsteadiness, track, found_from, found_to)
        else:
            # All tracks were moved just before: what it was against the others, and what they are now.
            found_from = since
            found = settled(self._own, self._unsteadiness, track, since, found_to)
            common_db = self._own.moments(self._tracks, min(int(self._since[track]), now - 1), now)[1]
            found = replace(found, level_db=found.level_db + common_db)
        return Act(track, onset, found_from, found_to, found, own_since, end, left_from)

    def _follow(self, act: Act, block: Block, events: list[Event]) -> None:
        """See whether the hand has left."""
        track, now = act.track, self._record.count
        if self._missing[track] > 0:
            return
        departure = float(self._contrasts.departure[:QUICK, track].max())
        act.peak = max(act.peak, departure)
        if departure >= TOLD and not act.shown:
            self._show(act, block, events)
        if act.end < 0:
            deviations_db = self._deviations_db(track)
            level_db = self._own.level_db(max(act.onset, now - LOOKED_BACK, self._own.oldest), now)[:, track]
            still = still_blocks(level_db, deviations_db)
            # A stretch that reaches back to the onset has not been seen to end the movement.
            self._still[track] = still if still < level_db.size else 0
            unsteady = min(max((deviations_db[0] - STEADY_DB) / UNSTEADY_DB, 0.0), 1.0)
            if still < STILL_BLOCKS + round(STILL_BLOCKS_UNSTEADY * unsteady):
                return
            recent_db = level_db[-still:]
            if not np.isfinite(recent_db).any():
                return
            # What the newest blocks, not cleaned yet, show of a hand that goes on.
            common_db = self._own.level_db(now - 1, now)[0, -1]
            ahead_db = np.abs(block.ahead_db[:, track] - common_db - np.nanmean(recent_db))
            if (ahead_db > AHEAD * deviations_db[0] + 0.01).any():
                return
            act.end, act.left_from = now - still, now - still + GUARD
        self._leave(act)
        act.settled_s = block.end_s + AROUND * BLOCK_S
        if act.shown:
            events.append(TrimSettled(track, self._start_s(act.end), act.settled_s))

    def _show(self, act: Act, block: Block, events: list[Event]) -> None:
        """Say that a hand is on a trimmer."""
        act.shown = True
        self._was_settled[act.track] = False
        self._focus = act.track
        if act.told:
            return
        act.told = True
        self._last_onset[act.track] = act.onset
        others = (other for other in self._moving.values() if other.shown and other is not act)
        if any(self._still.get(other.track, 0) < LEAST_STILL for other in others):
            self._hands = 2
        events.append(MoveStarted(act.track, self._start_s(act.onset), block.end_s))

    def _leave(self, act: Act) -> None:
        """Take note that the hand has left a trimmer."""
        track = act.track
        del self._moving[track]
        self._still.pop(track, None)
        self._pending[track] = act
        self._in_hand[track] = False
        self._since[track] = self._own_since[track] = act.left_from
        self._was_settled[track] |= act.told

    def _leave_if_still(self, act: Act, end: int) -> None:
        """End an act of which nothing more will be seen, if the hand seems to have left."""
        level_db = self._own.level_db(max(act.onset, end - LOOKED_BACK, self._own.oldest), end)[:, act.track]
        still = still_blocks(level_db, self._deviations_db(act.track))
        if LEAST_STILL + GUARD <= still < level_db.size and np.isfinite(level_db[-still + GUARD :]).any():
            act.end, act.left_from = end - still, end - still + GUARD
            self._leave(act)

    def _went_on(self, act: Act, end: int) -> bool:
        """Say whether what was left has changed since: then the hand went on, by too little to be seen at once."""
        start = max(act.left_from, self._own.oldest)
        place, apart_db, blocks = changed_at(self._own.level_db(start, end)[:, act.track])
        if apart_db < WENT_ON * self._contrasts.deviation_db(act.track, blocks, blocks):
            return False
        act.end, act.left_from = start + place, start + place + GUARD
        self._since[act.track] = self._own_since[act.track] = act.left_from
        return True

    def _apart_s(self, act: Act) -> float:
        """Return for how long a trimmer must be left alone before a movement of it is another act."""
        elsewhere = sum(onset > act.end for track, onset in self._last_onset.items() if track != act.track)
        return ONE_ACT_S if elsewhere >= self._hands else SAME_HAND_S

    def _close(self, act: Act, end: int, events: list[Event], *, final: bool = True) -> None:
        """Finish an act whose level may be averaged up to a block; one in doubt may wait unless this is ``final``."""
        end = min(max(end, act.left_from + 1), self._record.count)
        left = self._left(act, end)
        told_s = self._record.end_s(self._record.count - 1)
        verdict = self._verdict(act, left, end)
        if verdict == "doubtful" and not final:
            return
        self._pending.pop(act.track, None)
        if verdict in ("none", "doubtful", "crept"):
            self._was_settled[act.track] = self._touched[act.track]
            if verdict != "crept":
                self._own_since[act.track] = min(self._own_since[act.track], act.since)
            if act.told:
                events.append(MoveDropped(act.track, self._start_s(act.onset), told_s))
            return
        if not act.told:
            self._focus = act.track
            self._last_onset[act.track] = act.onset
            events.append(MoveStarted(act.track, self._start_s(act.onset), told_s))
        self._touched[act.track] = True
        self._was_settled[act.track] = True
        events.append(
            TrimFound(
                track=act.track,
                as_found=act.as_found,
                as_left=left,
                started_s=self._start_s(act.onset),
                ended_s=self._start_s(act.end),
                settled_s=act.settled_s,
                way=self._way(act),
                undone=verdict == "undone",
            )
        )

    def _left(self, act: Act, end: int) -> Settled:
        """Return what an act has left, averaged up to a block."""
        moved = act.all_moved
        if moved < 0 or moved >= end or (moved < act.end - LATE_GUARD and self._level_until <= act.left_from):
            return settled(self._record, self._unsteadiness, act.track, act.left_from, end)
        # All tracks have been moved since: what it is against the others, and what they were when the hand left.
        left = settled(self._own, self._unsteadiness, act.track, act.left_from, end)
        if moved < act.end - LATE_GUARD:
            span = (min(self._level_until, end - 1), end)
        elif moved - act.left_from >= LEAST_STILL:
            span = (act.left_from, moved)
        else:
            span = (moved - LEAST_WATCHED, moved)
        return replace(left, level_db=left.level_db + self._own.moments(self._tracks, *span)[1])

    def _verdict(self, act: Act, left: Settled, end: int) -> Verdict:
        """Say what an act was."""
        if not (math.isfinite(left.level_db) and math.isfinite(act.as_found.level_db)):
            return "none"
        found_db = self._own.moments(act.track, act.found_from, act.found_to)[1]
        by_db = self._own.moments(act.track, act.left_from, end)[1] - found_db
        deviation_db = self._contrasts.deviation_db(
            act.track, round(left.seconds / BLOCK_S), round(act.as_found.seconds / BLOCK_S)
        )
        sure = abs(by_db) / deviation_db if abs(by_db) >= LEAST_TRIM_DB else 0.0
        if act.told:
            return "trim" if sure >= CHANGED else self._excursion(act, found_db)
        if sure < CHANGED_UNSEEN:
            return "doubtful" if sure >= UNDECIDED else "none"
        start = max(act.found_from, self._own.oldest)
        return "crept" if crept(self._own.level_db(start, end)[:, act.track]) else "trim"

    def _excursion(self, act: Act, found_db: float) -> Verdict:
        """Say whether a trimmer that is back where it was has been turned at all."""
        if act.peak < EXCURSION or act.as_found.seconds < LEAST_FOUND_S:
            return "none"
        start = max(act.onset - 1, self._own.oldest)
        way = self._own.level_db(start, max(act.end + 1, start + 1))[:, act.track] - found_db
        if not np.isfinite(way).any():
            return "none"
        furthest_db = float(way[np.nanargmax(np.abs(way))])
        if abs(furthest_db) < CHANGED * self._deviations_db(act.track)[0]:
            return "none"
        away = int((np.abs(np.nan_to_num(way)) > 0.35 * abs(furthest_db)).sum())
        return "none" if furthest_db < 0.0 and away <= DROPOUT_BLOCKS else "undone"

    def _way(self, act: Act) -> tuple[tuple[float, float], ...]:
        start = max(act.onset - GUARD, self._record.oldest)
        level_db = self._record.level_db(start, min(act.end + GUARD, self._record.count))[:, act.track]
        step = -(-max(level_db.size, 1) // WAY_POINTS)
        return tuple(
            (round(self._record.end_s(start + place) - 0.5 * BLOCK_S, 3), round(float(level), 3))
            for place, level in enumerate(level_db)
            if place % step == 0 and math.isfinite(level)
        )
