"""Which trimmer moves, and what it was and is: tone levels of all tracks go in, movements and finished trims come out.

A trim is one act of turning one trimmer. It opens when a track departs from the others by more than the tape's own
unsteadiness allows, goes on while the hand turns, hesitates and turns back, is settled when the level has been still
for long enough to know that the hand has left, and is told when a longer mean would not be any better. What was too
small to be seen is found in hindsight, when the level before and after has been seen for long enough.
"""

from typing import Final

import numpy as np

from bridge.procedure.acts import (
    Act,
    Event,
    LevelMoved,
    MoveDropped,
    MoveStarted,
    Switched,
    TrimCut,
    TrimFound,
    TrimSettled,
)
from bridge.procedure.blocks import AROUND, BLOCK_S, Block, Blocks, Bools, Floats
from bridge.procedure.contrasts import QUICK, SCALES
from bridge.procedure.endings import Endings
from bridge.procedure.evidence import Evidence
from bridge.procedure.glance import Glance
from bridge.procedure.hands import Hands
from bridge.procedure.hindsight import (
    BY_CREEP,
    BY_HAND,
    CREEP_BLOCKS,
    OPEN,
    OPEN_BLOCKS,
    STILL_CREEPS,
    changes_between,
    likeliest_changes,
    sharpness,
)
from bridge.procedure.movement import GUARD, LATE_GUARD, LEAST_STILL, creeps_on, still_blocks
from bridge.procedure.playback_level import PlaybackLevel
from bridge.procedure.record import Indices
from bridge.procedure.settling import LONGEST_S, Settled, settled
from bridge.procedure.switching import AFTER, LEAST, switched_at
from bridge.procedure.verdict import as_found, verdict_on
from bridge.readings import State

__all__ = [
    "Event",
    "LevelMoved",
    "MoveDropped",
    "MoveStarted",
    "Switched",
    "TrimCut",
    "TrimFound",
    "TrimSettled",
    "TrimWatch",
]

DEPARTED: Final = np.array([4.2, 4.1, 4.0])[:, np.newaxis]
"""Times the deviation of wander by which a track must depart to be looked at, for each of the quick `SCALES`; the
quickest is asked most often. By chance that happens about once a minute; what follows sorts it out."""

TOLD: Final = 5.0
"""The same for telling the person that a trimmer moves: by chance once in hours."""

LOOK_BACK_BLOCKS: Final = 5
"""How often it is looked back for trims that were too small to be seen."""

STOOD_BLOCKS: Final = 2 * AFTER
"""For so long after all tracks were moved it may turn out that a switch was thrown."""

CLIP_SHOWN_BLOCKS: Final = 10
QUIET_BLOCKS: Final = 3
ENDED_BLOCKS: Final = 4
LOST_BLOCKS: Final = 10
"""A track without tone for so long is shown as quiet; all of them: the tone has ended; it alone: begins anew."""

LOOKED_BACK: Final = 40
"""Blocks over which it is asked for how long a level has been still."""


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
        self.evidence: Final = Evidence(tracks)
        """What has been seen in this step."""
        self._glance = Glance(tracks)
        self._hands = Hands(self.evidence)
        self._begin()

    def _begin(self) -> None:
        tracks = self._tracks
        self._blocks = Blocks(tracks)
        self._level = PlaybackLevel(self.evidence)
        self._missing: Indices = np.full(tracks, 1000, dtype=np.int_)
        self._clipped_at: Indices = np.full(tracks, -1000, dtype=np.int_)
        self._crept: Indices = np.full(tracks, -1000, dtype=np.int_)
        # From when on each track had its level before all were moved last, and when that was seen.
        self._stood: Indices = np.zeros(tracks, dtype=np.int_)
        self._stood_at = -1000
        self._departed: set[int] = set()
        self._hands.begin()
        self._endings = Endings(self.evidence, self._hands, self._level)

    @property
    def focus(self) -> int | None:
        """The track (0…) whose trimmer moved last in this step; None before."""
        return self._hands.focus

    @property
    def touched(self) -> tuple[bool, ...]:
        """Whether the trimmer of each track has moved in this step."""
        return tuple(bool(touched) for touched in self._hands.touched)

    @property
    def states(self) -> tuple[State, ...]:
        """The state of each track."""
        return tuple(self._state(track) for track in range(self._tracks))

    def _state(self, track: int) -> State:
        if self.evidence.now - self._clipped_at[track] < CLIP_SHOWN_BLOCKS:
            return "clipped"
        if self._missing[track] >= QUIET_BLOCKS:
            return "quiet"
        act = self._hands.moving.get(track)
        if act is not None and act.shown:
            return "moving" if self._hands.is_turning(track) else "settling"
        return "settled" if self._hands.settled[track] else "tone"

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

    def restart(self, *, cut_short: bool = False) -> tuple[Event, ...]:
        """Leave the step, and begin another; return what was still open.

        What has been learned of the tape's unsteadiness is kept as a first guess.

        Parameters
        ----------
        cut_short : bool
            Whether the watching ends and not the work: the hand may turn on, so that a short rest says nothing.
        """
        events: list[Event] = []
        began = [act for act in self._hands.moving.values() if self._has_just_begun(act)]
        if len(began) >= LEAST:
            # More than two hands can: a switch was thrown just now, to go where the step that follows is.
            self._close_before(min(act.onset for act in began) - GUARD, events)
        else:
            self._close_left(events, still=not cut_short)
            events += self._cut()
        self._forget()
        return tuple(events)

    def _forget(self) -> None:
        self.evidence.begin()
        self._glance.forget()
        self._begin()

    def _has_just_begun(self, act: Act) -> bool:
        """Say whether an act is so young that it may be a switch."""
        return act.onset >= self.evidence.now - AFTER - GUARD

    def _cut(self) -> list[Event]:
        start_s = self.evidence.start_s
        told = (act for act in self._hands.moving.values() if act.told)
        return [TrimCut(act.track, act.as_found, start_s(act.onset)) for act in told]

    def _close_before(self, block: int, events: list[Event]) -> None:
        """Finish what was done before a block, in which a switch was thrown, and drop what that looked like."""
        hands = self._hands
        for act in [act for act in hands.moving.values() if act.onset >= block - GUARD]:
            events += self._drop(act)
        self._level.forget(block - AFTER)
        for act in list(hands.moving.values()):
            self._leave_if_still(act, block)
        for act in list(hands.pending.values()):
            events += self._endings.finish(act, block, leaving=True)
        events += self._cut()

    def _drop(self, act: Act) -> list[Event]:
        """Take back that a hand was on a trimmer."""
        evidence = self.evidence
        self._hands.were_not_on(act)
        dropped = MoveDropped(act.track, evidence.start_s(act.onset), evidence.record.end_s(evidence.now - 1))
        return [dropped] if act.told else []

    def close_left(self) -> tuple[Event, ...]:
        """Finish what the hands have left, as well as can be told by now, and go on; what is in hand stays open."""
        events: list[Event] = []
        self._close_left(events, still=True)
        return tuple(events)

    def _close_left(self, events: list[Event], *, still: bool) -> None:
        """Finish the acts that have ended; ``still`` counts a short rest as an end."""
        evidence = self.evidence
        if still:
            for act in list(self._hands.moving.values()):
                # Where the tone is gone, it is asked up to then.
                self._leave_if_still(act, evidence.now - int(self._missing[act.track]))
        if evidence.now:
            self._look_back(np.flatnonzero(~self._hands.on & (self._missing < LOST_BLOCKS)), events, final=True)
        for act in list(self._hands.pending.values()):
            events += self._endings.finish(act, evidence.now, leaving=True)

    def verify(self, track: int) -> Settled | None:
        """Return the level of a track from all its steady blocks of the last minute; None while there is none.

        Of a track that was touched, those since then; None also of one that has changed in that time.
        """
        moving = self._hands.moving.get(track)
        if moving is not None and moving.told:
            return None
        return self._steady(track, int(self.evidence.since[track]), self.evidence.now)

    def _steady(self, track: int, since: int, end: int) -> Settled | None:
        evidence = self.evidence
        pending = self._hands.pending.get(track)
        if since >= end:
            return None
        if pending is not None and not pending.told and since == pending.left_from:
            # What is not told may be wander, and then the level has been there all the time.
            since = max(pending.found_from, evidence.record.oldest)
        level = settled(evidence.record, evidence.unsteadiness, track, since, end)
        (change,) = changes_between(evidence, np.array([track]), np.array([since]), end)
        changed = change is not None and change.stands_out
        return None if changed or level.seconds <= 0.0 else level

    def _take(self, block: Block, events: list[Event]) -> None:
        evidence = self.evidence
        finite = np.isfinite(block.level_db)
        self._missing = np.where(finite, 0, self._missing + 1)
        self._clipped_at[block.clipped] = evidence.now
        evidence.note(block, self._hands.on)
        ended = bool(self._missing.min() >= ENDED_BLOCKS)
        lost = (self._missing >= LOST_BLOCKS) | ended
        if lost.any():
            for act in [act for act in self._hands.pending.values() if lost[act.track]]:
                events += self._endings.finish(act, evidence.now)
            evidence.lose(lost, ended)
        if ended:
            return
        switched = switched_at(evidence)
        if switched is not None:
            self._switch(switched, block, events)
            return
        steady = finite & ~self._hands.on
        evidence.compare(steady)
        self._glance.update(evidence.own, evidence.own_since[:-1], block, evidence.common_db, steady)
        if self._notice_level(events) and self._tracks == 2:
            return
        for act in list(self._hands.moving.values()):
            self._follow(act, block, events)
        self._open(steady, block, events)
        steady &= ~self._hands.on
        if evidence.now % LOOK_BACK_BLOCKS == 0:
            self._look_back(np.flatnonzero(steady), events)
        events += self._endings.finish_known()
        evidence.learn(steady)

    def _switch(self, at: int, block: Block, events: list[Event]) -> None:
        """Begin anew after a switch was thrown; what was done before is finished."""
        self._close_before(at - 1, events)
        evidence = self.evidence
        since = self._stood if evidence.now - self._stood_at <= STOOD_BLOCKS else evidence.since
        before = tuple(self._steady(track, int(since[track]), at - 1) for track in range(self._tracks))
        self._forget()
        events.append(Switched(block.end_s + AROUND * BLOCK_S, before))

    def _notice_level(self, events: list[Event]) -> bool:
        """See whether all tracks are moved together: then what was left before must not be mixed with what is now."""
        evidence = self.evidence
        before, rests = self._level.update()
        if rests is not None:
            events.append(rests)
        if before is None:
            return False
        if evidence.now - self._stood_at > STOOD_BLOCKS:
            self._stood, self._stood_at = evidence.since.copy(), evidence.now
        evidence.since = np.where(self._hands.on, evidence.since, evidence.now)
        if self._tracks == 2:
            # Without others to compare with, what was before is of no use any more.
            for act in [*self._hands.pending.values(), *self._hands.moving.values()]:
                if act.onset >= before - GUARD:
                    # What looked like a hand on one of them was the beginning of this.
                    events += self._drop(act)
            for act in list(self._hands.pending.values()):
                events += self._endings.finish(act, max(before, act.left_from + 1))
            evidence.own_since[:] = evidence.now
        return True

    # -- acts begin

    def _open(self, steady: Bools, block: Block, events: list[Event]) -> None:
        """Look at the tracks that have departed from where they were, and at those that are about to."""
        evidence = self.evidence
        watched = steady & ~evidence.inside_dips
        ratio = evidence.contrasts.departure[:QUICK] / DEPARTED
        departed = (ratio.max(axis=0) >= 1.0) & watched
        self._departed = set(np.flatnonzero(departed).tolist())
        for track in np.flatnonzero(departed):
            scale = SCALES[int(np.argmax(ratio[:, track] >= 1.0))]
            start = max(int(evidence.own_since[track]), evidence.now - scale.blocks - 20)
            level_db = evidence.own.level_db(start, evidence.now)[:, track]
            # Backwards in time the question is the same: how long was it still before it moved?
            still = still_blocks(level_db[::-1], evidence.deviations_db(int(track)))
            self._take_up(int(track), start + min(still, level_db.size - 2), block, events)
        for track in self._glance.departing(watched & ~departed):
            self._take_up(int(track), evidence.now, block, events)
        for track in self._glance.departing(self._hands.on):
            act = self._hands.moving[int(track)]
            act.end = -1
            if not act.shown:
                self._show(act, block, events)

    def _take_up(self, track: int, onset: int, block: Block, events: list[Event]) -> None:
        """Follow a track that moves, as an act that goes on or as another."""
        before = self._hands.pending.get(track)
        act = self._gone_on(before, onset, events) if before is not None else None
        if act is None:
            act = self._act(track, onset, GUARD)
        act.shown = False
        self._hands.take_up(act)
        self._follow(act, block, events)
        if onset == self.evidence.now and not act.shown:
            self._show(act, block, events)

    def _gone_on(self, before: Act, onset: int, events: list[Event]) -> Act | None:
        """Return the act before if a movement is more of it; None if it was another, which is finished, or nothing."""
        evidence = self.evidence
        again = self._hands.is_again(before, onset)
        verdict = verdict_on(evidence, before, onset) if again else "none"
        if not again or verdict == "dropout":
            events += self._endings.finish(before, onset - GUARD)
            return None
        if before.told or verdict in ("trim", "undone"):
            self._hands.go_on(before, onset)
            return before
        # That was nothing: what was found is what has been there all the time.
        evidence.own_since[before.track] = min(evidence.own_since[before.track], before.since)
        return None

    def _act(self, track: int, onset: int, guard: int) -> Act:
        """Return an act that began at a block."""
        since = int(self.evidence.own_since[track])
        rests_since = max(self._level.rests_since(onset), since)
        found = as_found(self.evidence, track, onset, guard, round(LONGEST_S / BLOCK_S), rests_since)
        return Act(track, onset, *found, since)

    def _look_back(self, tracks: Indices, events: list[Event], *, final: bool = False) -> None:
        """Look for trims that were too small to be seen while they were made."""
        evidence = self.evidence
        now = evidence.now
        for track, change in zip(map(int, tracks), likeliest_changes(evidence, tracks, now), strict=True):
            since = max(int(evidence.own_since[track]), evidence.own.oldest)
            if change is None or not change.stands_out:
                continue
            if not final and now - change.block < AFTER + LATE_GUARD:
                # So new it may be a switch, whose moment is as little sure: that is known soon.
                continue
            if self._endings.is_known(track, change):
                evidence.holds_since(track, min(change.block + GUARD, now - 1))
                continue
            sharp = sharpness(evidence, track, change, since, now)
            if sharp < BY_CREEP:
                # What it was before compares with nothing any more.
                evidence.own_since[track] = max(since, now - CREEP_BLOCKS)
                self._crept[track] = now
            waits = not final and now - change.block < OPEN_BLOCKS
            if sharp < (STILL_CREEPS if now - self._crept[track] < CREEP_BLOCKS else BY_HAND if waits else OPEN):
                continue
            before = self._hands.pending.get(track)
            if before is not None and not self._hands.is_again(before, change.block):
                events += self._endings.finish(before, change.block - LATE_GUARD)
                before = None
            act = before if before is not None else self._act(track, change.block, LATE_GUARD)
            act.in_hindsight |= before is None
            act.end, act.left_from = change.block, min(change.block + LATE_GUARD, now - 1)
            act.settled_s = evidence.record.end_s(now - 1)
            self._hands.pending[track] = act
            self._hands.settled[track] = True
            evidence.holds_since(track, act.left_from)

    # -- acts go on

    def _follow(self, act: Act, block: Block, events: list[Event]) -> None:
        """See whether the hand has left."""
        evidence, track = self.evidence, act.track
        if self._missing[track] > 0:
            return
        departure = float(evidence.contrasts.departure[:QUICK, track].max())
        act.peak = max(act.peak, departure)
        if departure >= TOLD and not act.shown:
            self._show(act, block, events)
        now = evidence.now
        deviations_db = evidence.deviations_db(track)
        level_db = evidence.own.level_db(max(act.onset, now - LOOKED_BACK, evidence.own.oldest), now)[:, track]
        still = still_blocks(level_db, deviations_db)
        departs = bool(evidence.contrasts.departure[0, track] >= TOLD)
        self._hands.rest(track, still, since_onset=still >= level_db.size, departs=departs)
        if still < self._hands.settle_blocks(track):
            return
        if not np.isfinite(level_db[-still:]).any() or not self._glance.is_still(track):
            return
        start = max(act.since, now - 2 * still, evidence.own.oldest)
        (variance,) = evidence.contrasts.mean_variance(track, np.array([float(still)]))
        if creeps_on(evidence.own.level_db(start, now)[:, track], still, float(np.sqrt(variance))):
            return
        act.end, act.left_from = now - still, now - still + GUARD
        self._leave(act)
        act.settled_s = block.end_s + AROUND * BLOCK_S
        if act.shown:
            events.append(TrimSettled(track, evidence.start_s(act.end), act.settled_s))

    def _show(self, act: Act, block: Block, events: list[Event]) -> None:
        """Say that a hand is on a trimmer."""
        began = {one.track for one in self._hands.moving.values() if self._has_just_begun(one)}
        if self._has_just_begun(act) and len(began | self._departed) >= LEAST:
            # So many at once may be a switch: that is known soon.
            return
        if self._hands.show(act):
            started_s = self.evidence.start_s(act.onset)
            events.append(MoveStarted(act.track, act.as_found, started_s, block.end_s + AROUND * BLOCK_S))

    def _leave(self, act: Act) -> None:
        """Take note that the hand has left a trimmer."""
        self._hands.leave(act)
        self.evidence.holds_since(act.track, act.left_from)

    def _leave_if_still(self, act: Act, end: int) -> None:
        """End an act of which nothing more will be seen, if the hand seems to have left."""
        own = self.evidence.own
        level_db = own.level_db(max(act.onset, end - LOOKED_BACK, own.oldest), end)[:, act.track]
        still = still_blocks(level_db, self.evidence.deviations_db(act.track))
        if LEAST_STILL + GUARD <= still < level_db.size and np.isfinite(level_db[-still + GUARD :]).any():
            act.end, act.left_from = end - still, end - still + GUARD
            self._leave(act)
