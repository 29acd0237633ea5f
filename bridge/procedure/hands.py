"""The hands: acts that begin, rest and end go in; where the hands are and how long to wait for them comes out."""

from typing import Final

import numpy as np

from bridge.procedure.acts import Act
from bridge.procedure.blocks import BLOCK_S, Bools
from bridge.procedure.evidence import Evidence
from bridge.procedure.movement import LEAST_STILL
from bridge.procedure.rhythm import Rhythm

ONE_ACT_S: Final = 4.0
"""A hand that is back on a trimmer within this time never left it, even if another trimmer has been moved meanwhile: to
go there, turn it and come back takes longer, so that was another hand."""

THERE_AND_BACK_S: Final = 8.0
"""One hand does not go to another trimmer, turn that and come back in less. Common practice, no source."""

UNSTEADY_BLOCKS: Final = 10
"""So many more blocks make a settled level where tape is so unsteady that a slow hand cannot be seen at once."""

STEADY_DB: Final = 0.03
UNSTEADY_DB: Final = 0.1
"""Deviation of a level over 0.4 s from that of the second before: of steady tape, and beyond that of unsteady tape."""

UNSTEADY_APART_S: Final = 18.0
"""For so long a trimmer must be left alone before a movement of it is another act, where small turns cannot be seen."""

HINDSIGHT_S: Final = 10.0
"""How long after a movement it shows in hindsight, where tape is unsteady: `hindsight.OPEN_BLOCKS`."""

ONSET_BLOCKS: Final = 15
"""How far the moment may be off at which a slow movement on unsteady tape is taken to have begun."""


class Hands:
    """Where the hands are, and where they have been in this step.

    Parameters
    ----------
    evidence : Evidence
    """

    def __init__(self, evidence: Evidence) -> None:
        self._evidence = evidence
        self._rhythm = Rhythm()
        self._several = 1
        self.begin()

    def begin(self) -> None:
        """Begin a step: all hands are off. What is known of their rhythm, and how many they are, is kept."""
        tracks = self._evidence.tracks
        self.moving: dict[int, Act] = {}
        """Acts under way, by track: the hand is on the trimmer."""
        self.pending: dict[int, Act] = {}
        """Acts of which what was left is still being averaged, by track."""
        self.on: Bools = np.zeros(tracks, dtype=bool)
        """Whether a hand is on the trimmer of each track."""
        self.touched: Bools = np.zeros(tracks, dtype=bool)
        """Whether the trimmer of each track has been turned in this step."""
        self.settled: Bools = np.zeros(tracks, dtype=bool)
        """Whether the trimmer of each track was turned and has been left, as far as can be seen."""
        # Tracks with the onset of the act that was shown to move, the last one last.
        self._focused: list[tuple[int, int]] = []
        self._still: dict[int, int] = {}
        self._rested: set[int] = set()
        self._last_onset: dict[int, int] = {}
        self._last_end: dict[int, int] = {}

    @property
    def focus(self) -> int | None:
        """The track whose trimmer moved last; None before."""
        return self._focused[-1][0] if self._focused else None

    def _look_at(self, act: Act) -> None:
        one = (act.track, act.onset)
        self._focused = [other for other in self._focused if other != one] + [one]

    # -- what they do

    def take_up(self, act: Act) -> None:
        """Take note that a hand is on a trimmer, as far as can be seen."""
        self.pending.pop(act.track, None)
        self.moving[act.track] = act
        self._rested.discard(act.track)
        self.on[act.track] = True

    def go_on(self, act: Act, onset: int) -> None:
        """Take note that a hand that seemed to have left a trimmer turns it again."""
        self._rhythm.paused(onset - act.end)
        self._compare(act.track, act.end, onset)
        act.end = act.left_from = -1

    def rest(self, track: int, still: int, *, since_onset: bool, departs: bool) -> None:
        """Take note that a level has been still for so many blocks.

        A stretch that reaches back to the onset (``since_onset``) has not been seen to end a movement. What ``departs``
        now is moved for sure, and not by wander.
        """
        rested = self._still.get(track, 0)
        if still < rested:
            self._rhythm.paused(rested)
            self._compare(track, self._evidence.now - rested, self._evidence.now)
        self._still[track] = 0 if since_onset else still
        if still > LEAST_STILL:
            self._rested.add(track)
        elif departs and track in self._rested and self.moving[track].shown:
            self._rested.discard(track)
            self._look_at(self.moving[track])

    def show(self, act: Act) -> bool:
        """Show that a hand is on a trimmer; return whether that is new of this act."""
        act.shown = True
        self.settled[act.track] = False
        self._look_at(act)
        if act.told:
            return False
        act.told = True
        self._last_onset[act.track] = act.onset
        if act.track in self._last_end:
            self._compare(act.track, self._last_end[act.track], act.onset)
        others = (other for other in self.moving.values() if other.shown and other is not act)
        if any(self._still.get(other.track, 0) < LEAST_STILL for other in others):
            self._several = 2
        return True

    def leave(self, act: Act) -> None:
        """Take note that the hand has left a trimmer."""
        del self.moving[act.track]
        self._still.pop(act.track, None)
        self.pending[act.track] = act
        self.on[act.track] = False
        if act.told:
            self.settled[act.track] = True
            self._last_end[act.track] = act.end

    def were_not_on(self, act: Act) -> None:
        """Take note that what looked like a hand on a trimmer was none: the eyes go back to where one was before."""
        track = act.track
        self.finish(act)
        self._focused = [other for other in self._focused if other != (track, act.onset)]
        self.settled[track] = self.touched[track]

    def finish(self, act: Act) -> None:
        """Take note that nothing more is watched of an act."""
        if self.pending.get(act.track) is act:
            del self.pending[act.track]
        if self.moving.get(act.track) is act:
            del self.moving[act.track]
            self._still.pop(act.track, None)
            self.on[act.track] = False

    def were_on(self, act: Act) -> None:
        """Take note that a hand has been on a trimmer, as is known only now."""
        if all(onset < act.onset for onset in self._last_onset.values()):
            self._look_at(act)
        self._last_onset[act.track] = act.onset

    def _compare(self, track: int, end: int, onset: int) -> None:
        """See whether another trimmer was taken up between two strokes on one that are too near to each other."""
        between = (other != track and end < at < onset for other, at in self._last_onset.items())
        if (onset - end) * BLOCK_S < THERE_AND_BACK_S and any(between):
            self._several = 2

    # -- what follows

    def is_turning(self, track: int) -> bool:
        """Say whether a hand that is on a trimmer turns it just now, rather than resting."""
        return self._still.get(track, 0) <= LEAST_STILL

    def settle_blocks(self, track: int) -> int:
        """Return how many still blocks make a settled level."""
        return self._rhythm.settle_blocks + round(UNSTEADY_BLOCKS * self._unsteady(track))

    def apart_s(self, act: Act) -> float:
        """Return for how long a trimmer must be left alone before a movement of it is another act."""
        if len(self._elsewhere(act)) >= self._several:
            return ONE_ACT_S
        apart_s = self._rhythm.apart_s
        return apart_s + max(UNSTEADY_APART_S - apart_s, 0.0) * self._unsteady(act.track)

    def shows_s(self, act: Act) -> float:
        """Return how long after it a movement that is more of an act shows, as it may only in hindsight."""
        elsewhere = len(self._elsewhere(act)) >= self._several
        return 0.0 if elsewhere else HINDSIGHT_S * self._unsteady(act.track)

    def is_again(self, act: Act, onset: int) -> bool:
        """Say whether a movement that begins at a block is still the same act."""
        return (onset - act.end) * BLOCK_S < self.apart_s(act)

    def latest(self, act: Act, end: int) -> int:
        """Return up to which block a hand may have been at a trimmer, unseen."""
        elsewhere = self._elsewhere(act)
        return elsewhere[self._several - 1] + ONSET_BLOCKS if len(elsewhere) >= self._several else end

    def _elsewhere(self, act: Act) -> list[int]:
        """Return when other trimmers were moved since the hand left this one, in order."""
        return sorted(onset for track, onset in self._last_onset.items() if track != act.track and onset > act.end)

    def _unsteady(self, track: int) -> float:
        """Return how unsteady the tape is on a track, from 0 to 1."""
        deviation_db = self._evidence.deviations_db(track)[0]
        return min(max((deviation_db - STEADY_DB) / UNSTEADY_DB, 0.0), 1.0)
