"""Which trimmer moves, and what it was and is: tone levels of all tracks go in, movements and finished trims come out.

A trim is one act of turning one trimmer. It opens when a track departs from the others by more than the tape's own
unsteadiness allows, goes on while the hand turns, hesitates and turns back, is settled when the level has been still
for long enough to know that the hand has left, and is told when a longer mean would not be any better.
"""

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from bridge.procedure.blocks import AROUND, BLOCK_S, Block, Blocks, Bools, Floats
from bridge.procedure.movement import LEAST_STILL, against_others, changed_at, still_blocks
from bridge.procedure.record import Indices, Record
from bridge.procedure.settling import LONGEST_S, Settled, long_enough, settled
from bridge.procedure.wander import QUICK, SCALES, Contrasts, Unsteadiness
from bridge.readings import State

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

DIP_DB: Final = 0.1
DIP: Final = 4.5
"""What falls by this and by so many deviations of wander may be a dropout: it does not count until that is known."""

DIP_BLOCKS: Final = 7
"""A level that comes back from below within so many blocks was a dropout."""

DROPOUT_BLOCKS: Final = 7
"""The same for what looked like a movement: lasting less than this, down, and back to where it was."""

GUARD: Final = 2
"""Blocks left out between a movement and a mean: the hand begins and ends slowly."""

LATE_GUARD: Final = 6
"""The same for a movement that was seen only afterwards, and whose moment is less sure."""

LEAKED: Final = 0.03
"""What moves together with a neighbour by less than this share has been moved by crosstalk, at −30 dB."""

WAY_POINTS: Final = 200


@dataclass(frozen=True, slots=True)
class MoveStarted:
    """A hand has begun to turn the trimmer of a track (0…); told when it is seen."""

    track: int
    started_s: float
    told_s: float


@dataclass(frozen=True, slots=True)
class MoveDropped:
    """What looked like a movement was none: a dropout, or wander."""

    track: int
    started_s: float
    told_s: float


@dataclass(frozen=True, slots=True)
class TrimSettled:
    """The hand has left a trimmer; what it left is being averaged."""

    track: int
    settled_s: float
    told_s: float


@dataclass(frozen=True, slots=True)
class TrimFound:
    """One act of turning one trimmer, finished.

    Parameters
    ----------
    track : int
        0…
    as_found, as_left : Settled
        Before the first movement and after the last.
    started_s, ended_s : float
        When the hand began to turn and when it left.
    settled_s : float
        When the level was known to have settled; NaN when the tone ended first.
    way : tuple of (float, float)
        The way between: (seconds, dB), 10 a second, fewer of a long one.
    undone : bool
        Whether the trimmer was put back to where it was.
    """

    track: int
    as_found: Settled
    as_left: Settled
    started_s: float
    ended_s: float
    settled_s: float
    way: tuple[tuple[float, float], ...]
    undone: bool


@dataclass(frozen=True, slots=True)
class TrimCut:
    """A trimmer was being turned when the tone ended for good: how it was left is not known."""

    track: int
    as_found: Settled
    started_s: float


@dataclass(frozen=True, slots=True)
class LevelMoved:
    """All tracks together have moved: the playback level, not a trimmer."""

    told_s: float
    by_db: float


Event = MoveStarted | MoveDropped | TrimSettled | TrimFound | TrimCut | LevelMoved


@dataclass(slots=True)
class _Act:
    """One act in progress; numbers are blocks."""

    track: int
    onset: int
    found_from: int
    found_to: int
    as_found: Settled
    peak: float
    told: bool
    end: int = -1
    left_from: int = -1
    settled_s: float = math.nan
    since: int = 0
    all_moved: int = -1


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
        self._since: Indices = np.zeros(tracks, dtype=np.int_)
        self._missing: Indices = np.full(tracks, 1000, dtype=np.int_)
        self._dip_from: Indices = np.full(tracks, -1, dtype=np.int_)
        self._dip_level_db: Floats = np.zeros(tracks)
        self._in_hand: Bools = np.zeros(tracks, dtype=bool)
        self._was_settled: Bools = np.zeros(tracks, dtype=bool)
        self._clipped_at: Indices = np.full(tracks, -1000, dtype=np.int_)
        self._touched: Bools = np.zeros(tracks, dtype=bool)
        self._last_hand: Indices = np.full(tracks, -1, dtype=np.int_)
        self._moving: dict[int, _Act] = {}
        self._pending: dict[int, _Act] = {}
        self._still: dict[int, int] = {}
        self._focus: int | None = None
        self._last_onset: dict[int, int] = {}
        self._hands = 1

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
        if self._record.count - self._clipped_at[track] < 10:
            return "clipped"
        if self._missing[track] >= 3:
            return "quiet"
        if track in self._moving and self._moving[track].told:
            return "moving" if self._still.get(track, 0) < 5 else "settling"
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
        for act in list(self._pending.values()):
            self._close(act, self._record.count, events)
        events += [
            TrimCut(act.track, act.as_found, self._start_s(act.onset)) for act in self._moving.values() if act.told
        ]
        self._contrasts.learned.forget()
        self._contrasts.common_learned.forget()
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
        weighed = block.good & ~self._dips(block)
        self._record.append(block, weighed)
        now = self._record.count
        ended = self._missing.min() >= 4
        lost = (self._missing >= 10) | ended
        self._since = np.where(lost, now, np.maximum(self._since, self._record.oldest))
        for act in [act for act in self._pending.values() if lost[act.track]]:
            self._close(act, now, events)
        if ended:
            return
        steady = finite & ~self._in_hand
        self._contrasts.update(self._record, self._since, steady)
        self._unsteadiness.update(self._record, self._since, steady)
        if self._level_moved(now, events):
            return
        for act in list(self._moving.values()):
            self._follow(act, block, events)
        self._open(steady, block, events)
        for act in list(self._pending.values()):
            left = (now - act.end) * BLOCK_S >= self._apart_s(act) + 0.5
            if left and long_enough(self._unsteadiness, act.track, now - act.left_from) and not self._went_on(act, now):
                self._close(act, now, events, final=(now - act.end) * BLOCK_S >= LONGEST_DOUBT_S)
        self._contrasts.learn(steady & ~self._in_hand)

    # -- dropouts that last longer than cleaning sees

    def _dips(self, block: Block) -> Bools:
        """Return the tracks that are in a dip which may yet turn out to be a dropout."""
        record = self._record
        now = record.count
        deviation_db = np.sqrt(self._contrasts.learned.variance[0])
        allowed_db = np.maximum(DIP_DB, DIP * deviation_db)
        inside = self._dip_from >= 0
        total, number = record.sums(np.array([max(now - 10, record.oldest), now]))
        held = number[1] - number[0]
        level_db = np.where(inside, self._dip_level_db, (total[1] - total[0]) / np.maximum(held, 1.0))
        below_db = np.where(block.good, level_db - block.level_db, 0.0)
        begun = ~inside & ~self._in_hand & (held >= 5) & (now - self._since >= 10) & (below_db > allowed_db)
        self._dip_from = np.where(begun, now, self._dip_from)
        self._dip_level_db = np.where(begun, level_db, self._dip_level_db)
        over = inside & (below_db < 0.5 * allowed_db) & block.good
        self._dip_from = np.where(over, -1, self._dip_from)
        for track in np.flatnonzero(inside & ~over & (now - self._dip_from >= DIP_BLOCKS)):
            # It stays down: no dropout. From here on its blocks count, and so do those before.
            record.weigh(int(track), int(self._dip_from[track]))
            self._dip_from[track] = -1
            self._since[track] = min(self._since[track], now - 11)
        return self._dip_from >= 0

    # -- the playback level

    def _level_moved(self, now: int, events: list[Event]) -> bool:
        contrasts = self._contrasts
        by_db = contrasts.common_db[:QUICK]
        sure = np.abs(by_db) / np.sqrt(contrasts.common_learned.variance[:QUICK, 0])
        if self._tracks == 2:
            by_db, sure = self._both_moved()
        moved = (sure >= LEVEL_MOVED) & (np.abs(by_db) >= LEAST_COMMON_DB)
        if not moved.any():
            return False
        scale = SCALES[int(np.argmax(moved))]
        before = now - scale.after - scale.between - GUARD
        for act in list(self._pending.values()):
            if before - act.left_from >= LEAST_STILL:
                self._close(act, before, events)
            else:
                act.left_from = now
        for act in list(self._moving.values()):
            self._leave_before(act, before, events)
        self._since = np.where(self._in_hand, self._since, now)
        self._dip_from[:] = -1
        events.append(LevelMoved(self._record.end_s(now - 1), float(by_db[np.argmax(moved)])))
        return True

    def _leave_before(self, act: _Act, before: int, events: list[Event]) -> None:
        """End an act with what was left before all tracks were moved, if the hand had left by then."""
        if act.all_moved < 0:
            act.all_moved = before
        start = max(act.onset, before - 40, self._record.oldest)
        if before - start <= LEAST_STILL:
            return
        steady = ~self._in_hand & (self._missing == 0)
        level_db = against_others(self._record, act.track, steady, start, before)
        still = still_blocks(level_db, self._deviations_db(act.track))
        if LEAST_STILL + GUARD <= still < level_db.size:
            self._leave(act, before - still, before - still + GUARD)
            self._close(act, before, events)

    def _both_moved(self) -> tuple[Floats, Floats]:
        """With two tracks: what both do by the same amount at the same time is done to the playback level."""
        by_db = self._contrasts.difference_db[:QUICK]
        sure = self._contrasts.deviation[:QUICK].min(axis=1)
        apart_db = np.abs(by_db[:, 0] - by_db[:, 1])
        largest_db = np.abs(by_db).max(axis=1)
        noise_db = np.sqrt(self._contrasts.learned.variance[:QUICK].sum(axis=1))
        together = apart_db <= np.maximum(0.2 * largest_db, 3.0 * noise_db)
        same = together & (np.sign(by_db[:, 0]) == np.sign(by_db[:, 1])) & (largest_db > noise_db)
        return np.where(same, by_db.mean(axis=1), 0.0), sure

    # -- acts

    def _deviations_db(self, track: int) -> tuple[float, float, float]:
        """Return how far a third of a second lies from the mean of a few blocks, of one second, of more, by chance."""
        variance = self._contrasts.learned.variance[:QUICK, track]
        first, third = float(variance[0]), float(variance.sum()) / 4.0
        return math.sqrt(first), math.sqrt(first), math.sqrt(max(first, third))

    def _open(self, steady: Bools, block: Block, events: list[Event]) -> None:
        ratio = self._contrasts.deviation / DEPARTED
        departed = ratio.max(axis=0)
        candidates = (departed >= 1.0) & steady & (self._dip_from < 0)
        now = self._record.count
        for track in np.flatnonzero(candidates):
            scale = int(np.argmax(ratio[:, track] >= 1.0))
            act = self._opened(int(track), scale, steady, now)
            before = self._pending.get(act.track)
            if before is not None and (act.onset - before.end) * BLOCK_S < self._apart_s(before):
                del self._pending[act.track]
                before.peak = max(before.peak, act.peak)
                before.end, before.left_from = act.end, act.left_from
                act = before
            elif before is not None:
                self._close(before, act.onset - GUARD, events)
            self._in_hand[act.track] = True
            self._moving[act.track] = act
            self._follow(act, block, events)

    def _went_on(self, act: _Act, end: int) -> bool:
        """Say whether the level that was left has changed since: then the hand went on, too little to be seen at once."""
        steady = ~self._in_hand & (self._missing == 0)
        start = max(act.left_from, self._record.oldest)
        level_db = against_others(self._record, act.track, steady, start, end)
        place, apart_db, blocks = changed_at(level_db)
        if apart_db < WENT_ON * self._contrasts.deviation_db(act.track, blocks, blocks):
            return False
        act.end, act.left_from = start + place, start + place + GUARD
        self._since[act.track] = self._last_hand[act.track] = act.left_from
        return True

    def _apart_s(self, act: _Act) -> float:
        """Return for how long a trimmer must be left alone before a movement of it is another act."""
        elsewhere = sum(onset > act.end for track, onset in self._last_onset.items() if track != act.track)
        return ONE_ACT_S if elsewhere >= self._hands else SAME_HAND_S

    def _opened(self, track: int, scale: int, steady: Bools, now: int) -> _Act:
        stretch = SCALES[scale]
        start = max(int(self._since[track]), now - stretch.blocks - (20 if scale < QUICK else 0), self._record.oldest)
        level_db = against_others(self._record, track, steady, start, now)
        if scale < QUICK:
            # Backwards in time the question is the same: how long was it still before it moved?
            onset = start + min(still_blocks(level_db[::-1], self._deviations_db(track)), level_db.size - 2)
            guard, end, left_from = GUARD, -1, -1
        else:
            onset = start + changed_at(level_db)[0]
            guard, end, left_from = LATE_GUARD, onset, onset + LATE_GUARD
        found_to = max(onset - guard, int(self._since[track]) + 1)
        found_from = max(int(self._since[track]), found_to - round(LONGEST_S / BLOCK_S), self._record.oldest)
        found = settled(self._record, self._unsteadiness, track, found_from, found_to)
        return _Act(
            track, onset, found_from, found_to, found, 0.0, False, end, left_from, since=int(self._since[track])
        )

    def _follow(self, act: _Act, block: Block, events: list[Event]) -> None:
        """See whether the hand has left."""
        track, now = act.track, self._record.count
        if self._missing[track] > 0:
            return
        act.peak = max(act.peak, float(self._contrasts.deviation[:QUICK, track].max()))
        moving = self._moving.values()
        if act.peak >= TOLD and not act.told:
            act.told = True
            self._was_settled[track] = False
            self._focus = track
            self._last_onset[track] = act.onset
            if any(
                other.told and other is not act and self._still.get(other.track, 0) < LEAST_STILL for other in moving
            ):
                self._hands = 2
            events.append(MoveStarted(track, self._start_s(act.onset), block.end_s))
        if act.left_from < 0 or act.end < 0:
            start = max(act.onset, now - 40, self._record.oldest)
            steady = ~self._in_hand & (self._missing == 0)
            level_db = against_others(self._record, track, steady, start, now)
            deviations_db = self._deviations_db(track)
            still = still_blocks(level_db, deviations_db)
            self._still[track] = still
            unsteady = min(max((deviations_db[0] - 0.03) / 0.1, 0.0), 1.0)
            if still < STILL_BLOCKS + round(STILL_BLOCKS_UNSTEADY * unsteady):
                return
            recent_db = level_db[-still:]
            if not np.isfinite(recent_db).any():
                return
            # What the newest blocks, not cleaned yet, show of a hand that goes on.
            ahead_db = np.abs(block.ahead_db[:, track] - np.nanmean(recent_db))
            if (ahead_db > AHEAD * deviations_db[0] + 0.01).any():
                return
            end, left_from = now - still, now - still + GUARD
        else:
            end, left_from = act.end, act.left_from
        self._leave(act, end, left_from)
        act.settled_s = block.end_s + AROUND * BLOCK_S
        if act.told:
            events.append(TrimSettled(track, self._start_s(end), act.settled_s))

    def _leave(self, act: _Act, end: int, left_from: int) -> None:
        """Take note that the hand has left a trimmer."""
        track = act.track
        act.end, act.left_from = end, left_from
        del self._moving[track]
        self._still.pop(track, None)
        self._pending[track] = act
        self._in_hand[track] = False
        self._last_hand[track] = end
        self._since[track] = left_from
        self._was_settled[track] |= act.told

    def _close(self, act: _Act, end: int, events: list[Event], *, final: bool = True) -> None:
        """Finish an act whose level may be averaged up to a block; one in doubt may wait unless this is ``final``."""
        end = max(end, act.left_from + 1)
        left = settled(self._record, self._unsteadiness, act.track, act.left_from, end)
        if 0 <= act.end - LATE_GUARD <= act.all_moved < act.left_from:
            # The hand left just before all tracks were moved: it left what was then.
            moved_db, _ = self._others_moved(act, (act.all_moved - 10, act.all_moved), (act.left_from, end))
            left = replace(left, level_db=left.level_db - moved_db)
        told_s = self._record.end_s(self._record.count - 1)
        verdict = self._verdict(act, left, end)
        if verdict == "doubtful" and not final:
            return
        self._pending.pop(act.track, None)
        if verdict in ("none", "doubtful"):
            self._was_settled[act.track] = self._touched[act.track]
            self._since[act.track] = min(self._since[act.track], act.since)
            if act.told:
                events.append(MoveDropped(act.track, self._start_s(act.onset), told_s))
            return
        if not act.told:
            self._focus = act.track
            events.append(MoveStarted(act.track, self._start_s(act.onset), told_s))
        self._touched[act.track] = True
        self._was_settled[act.track] = True
        self._last_onset.setdefault(act.track, act.onset)
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

    def _verdict(self, act: _Act, left: Settled, end: int) -> str:
        """Say whether an act was a ``trim``, one that was ``undone``, ``doubtful``, or ``none`` at all."""
        if not (math.isfinite(left.level_db) and math.isfinite(act.as_found.level_db)):
            return "none"
        by_db = left.level_db - act.as_found.level_db
        by_db -= self._others_moved(act, (act.found_from, act.found_to), (act.left_from, end))[0]
        deviation_db = self._contrasts.deviation_db(
            act.track, round(left.seconds / BLOCK_S), round(act.as_found.seconds / BLOCK_S)
        )
        changed = CHANGED if act.told else CHANGED_UNSEEN
        if abs(by_db) >= max(LEAST_TRIM_DB, changed * deviation_db):
            return "trim"
        if not act.told:
            return "doubtful" if abs(by_db) >= max(LEAST_TRIM_DB, UNDECIDED * deviation_db) else "none"
        if act.peak < EXCURSION or act.as_found.seconds < LEAST_FOUND_S:
            return "none"
        start = max(act.onset - 1, self._record.oldest)
        way = self._record.level_db(start, max(act.end + 1, start + 1))[:, act.track] - act.as_found.level_db
        if not np.isfinite(way).any():
            return "none"
        furthest_db = float(way[np.nanargmax(np.abs(way))])
        if abs(furthest_db) < CHANGED * self._deviations_db(act.track)[0]:
            return "none"
        away = int((np.abs(np.nan_to_num(way)) > 0.35 * abs(furthest_db)).sum())
        return "none" if furthest_db < 0.0 and away <= DROPOUT_BLOCKS else "undone"

    def _others_moved(self, act: _Act, before: tuple[int, int], after: tuple[int, int]) -> tuple[float, int]:
        """Return by how much the tracks that nobody touched meanwhile have changed, and how many they are."""
        others = (self._last_hand <= before[0]) & ~self._in_hand
        others[act.track] = False
        before_db, held_before = self._record.means_db(*before)
        after_db, held_after = self._record.means_db(*after)
        others &= (held_before > 0) & (held_after > 0)
        count = int(others.sum())
        return (float(np.median((after_db - before_db)[others])), count) if count >= 2 else (0.0, 0)

    def _way(self, act: _Act) -> tuple[tuple[float, float], ...]:
        start = max(act.onset - GUARD, self._record.oldest)
        level_db = self._record.level_db(start, min(act.end + GUARD, self._record.count))[:, act.track]
        step = -(-max(level_db.size, 1) // WAY_POINTS)
        return tuple(
            (round(self._record.end_s(start + place) - 0.5 * BLOCK_S, 3), round(float(level), 3))
            for place, level in enumerate(level_db)
            if place % step == 0 and math.isfinite(level)
        )
