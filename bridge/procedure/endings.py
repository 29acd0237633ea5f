"""Acts that the hand has left: when enough is known of each, whether it was a trim, and what is said of it."""

import math
from dataclasses import dataclass
from typing import Final

from bridge.procedure.acts import Act, Event, MoveDropped, MoveStarted, TrimCut, TrimFound
from bridge.procedure.blocks import BLOCK_S
from bridge.procedure.evidence import Evidence
from bridge.procedure.hands import ONSET_BLOCKS, Hands
from bridge.procedure.hindsight import LEAST_TRIM_DB, Change
from bridge.procedure.movement import GUARD
from bridge.procedure.playback_level import PlaybackLevel
from bridge.procedure.settling import Settled, long_enough
from bridge.procedure.unseen import Rested
from bridge.procedure.verdict import (
    Verdict,
    found_of,
    is_unsure,
    left_of,
    may_have_changed,
    verdict_on,
    way_of,
)

SAME: Final = 3.0
"""Standard errors within which what was told and what is found later are the same."""

BACK: Final = 2.0
"""Standard errors within which a trimmer is back where it was."""

WAITED_S: Final = 0.5
"""So much longer than the hand may be away it is waited: the next movement shows only after it has begun."""

LONGEST_DOUBT_S: Final = 20.0
"""It is not waited for longer than this before what was left is told."""


@dataclass(frozen=True, slots=True)
class _Told:
    """What was told of an act: what it left, and up to which block a change belongs to it if it leads there too."""

    latest: int
    left: Settled


class Endings:
    """Finishes the acts of one step.

    Parameters
    ----------
    evidence : Evidence
    hands : Hands
        What they have left is finished, and no longer pending there.
    level : PlaybackLevel
    """

    def __init__(self, evidence: Evidence, hands: Hands, level: PlaybackLevel) -> None:
        self._evidence = evidence
        self._hands = hands
        self._level = level
        self._last_told: dict[int, _Told] = {}

    def is_known(self, track: int, change: Change) -> bool:
        """Say whether a change is the last of an act that has been told, with the level that it led to."""
        told = self._last_told.get(track)
        if told is None or track in self._hands.pending or change.block > told.latest:
            return False
        evidence, told_db = self._evidence, told.left.level_db
        since = max(int(evidence.own_since[track]), evidence.record.oldest)
        before_db = evidence.record.moments(track, since, change.block - GUARD)[1]
        apart_db = abs(evidence.record.moments(track, change.block + GUARD, evidence.now)[1] - told_db)
        # What was told is what the track read before the change: that came after it.
        is_before = abs(before_db - told_db) < apart_db
        return not is_before and apart_db <= SAME * told.left.standard_error_db + LEAST_TRIM_DB

    def finish_known(self) -> list[Event]:
        """Finish the acts of which more time would tell nothing more."""
        evidence = self._evidence
        events: list[Event] = []
        for act in list(self._hands.pending.values()):
            # Of what came later it cannot be told yet whether the hand has moved it.
            known = evidence.now - round(self._hands.shows_s(act) / BLOCK_S)
            if known < self._apart(act):
                continue
            final = (known - act.end) * BLOCK_S >= LONGEST_DOUBT_S
            if not long_enough(evidence.unsteadiness, act.track, known - act.left_from):
                continue
            if final or not is_unsure(evidence, act, known, self._hands.latest(act, known)):
                events += self._finish(act, known, final=final)
        return events

    def finish(self, act: Act, end: int, *, leaving: bool = False) -> list[Event]:
        """Finish an act of whose level nothing more is seen from a block on.

        When ``leaving`` the step more time cannot tell: an act that was told of and may have changed something is cut.
        """
        # What a hand does that was away for so long is another act, and may not have been seen.
        return self._finish(act, min(end, self._apart(act)), leaving=leaving)

    def _apart(self, act: Act) -> int:
        """Return from which block on a movement that has not been seen by then is another act."""
        return act.end + round((self._hands.apart_s(act) + WAITED_S) / BLOCK_S)

    def _finish(self, act: Act, end: int, *, final: bool = True, leaving: bool = False) -> list[Event]:
        """Finish an act whose level may be averaged up to a block; one in doubt may wait unless this is ``final``."""
        evidence = self._evidence
        end = min(max(end, act.left_from + 1), evidence.now)
        left, behind = left_of(evidence, act, end, self._hands.latest(act, end), self._level)
        found = found_of(evidence, act, end, self._level)
        verdict = verdict_on(evidence, act, end)
        changed_db = abs(left.level_db - found.level_db)
        if not math.isfinite(changed_db) or (verdict == "trim" and not act.told and changed_db < LEAST_TRIM_DB):
            verdict = "none"
        if verdict == "doubtful" and not final:
            return []
        self._hands.finish(act)
        if verdict in ("none", "doubtful", "crept", "dropout"):
            cut = leaving and verdict != "dropout" and may_have_changed(evidence, act, end)
            return self._drop(act, verdict, cut=cut)
        # The hand was on it for sure. Whether the trimmer is back where it was is told by what was found and left.
        back_db = BACK * math.hypot(found.standard_error_db, left.standard_error_db) + LEAST_TRIM_DB
        return self._tell(act, found, left, behind, end, undone=verdict == "undone" and changed_db <= back_db)

    def _drop(self, act: Act, verdict: Verdict, *, cut: bool) -> list[Event]:
        """Take an act back: it was none, or ``cut`` where nobody can tell."""
        evidence, track = self._evidence, act.track
        if verdict not in ("crept", "dropout"):
            evidence.own_since[track] = min(evidence.own_since[track], act.since)
        self._hands.were_not_on(act)
        if not act.told:
            return []
        started_s = evidence.start_s(act.onset)
        if cut:
            return [TrimCut(track, act.as_found, started_s)]
        return [MoveDropped(track, started_s, evidence.record.end_s(evidence.now - 1))]

    def _tell(self, act: Act, found: Settled, left: Settled, behind: Rested, end: int, *, undone: bool) -> list[Event]:
        """Tell of a trim."""
        evidence, track = self._evidence, act.track
        events: list[Event] = []
        if behind.block > act.left_from:
            # It has turned once more, by too little to be seen at once.
            act.end, act.left_from = behind.block, min(behind.block + GUARD, end - 1)
            act.settled_s = max(act.settled_s, evidence.record.end_s(act.left_from))
            if track not in self._hands.moving:
                evidence.holds_since(track, act.left_from)
        if not act.told:
            self._hands.were_on(act)
            told_s = evidence.record.end_s(evidence.now - 1)
            events.append(MoveStarted(track, found, evidence.start_s(act.onset), told_s))
        self._last_told[track] = _Told(max(self._hands.latest(act, end), end) + 2 * ONSET_BLOCKS, left)
        self._hands.touched[track] = True
        self._hands.settled[track] = True
        events.append(
            TrimFound(
                track=track,
                as_found=found,
                as_left=left,
                started_s=evidence.start_s(act.onset),
                ended_s=evidence.start_s(act.end),
                settled_s=act.settled_s,
                way=way_of(evidence.record, act),
                undone=undone,
            )
        )
        return events
