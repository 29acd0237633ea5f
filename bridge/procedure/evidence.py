"""The evidence: cleaned blocks of all tracks go in; levels as read and against the others, and their wander, come out.

It is what all that judges movements looks at: two records of the last minute, and what has been learned of the tape.
"""

import math
from dataclasses import replace
from typing import Final

import numpy as np

from bridge.procedure.blocks import Block, Bools, Floats
from bridge.procedure.colour import Colour
from bridge.procedure.common import CommonLevel
from bridge.procedure.contrasts import QUICK, Contrasts
from bridge.procedure.dropouts import Dips
from bridge.procedure.record import Indices, Record
from bridge.procedure.wander import Unsteadiness

LEAST_WATCHED: Final = 10
"""Blocks of its present level that a track must have before its falls can be told from dropouts."""

LONG_BEFORE: Final = -1000
"""A block so far before the first that nothing is said of a tone's begin."""

COLOUR_BLOCKS: Final = 40
"""How often the colour of the wander may be worked out anew."""

COLOUR_CHANGED: Final = 0.05
"""It is where a variance differs by more than this share from the one that it was worked out from."""


class Evidence:
    """What has been seen of all tracks.

    Parameters
    ----------
    tracks : int
    """

    def __init__(self, tracks: int) -> None:
        self.tracks: Final = tracks
        self.contrasts: Final = Contrasts(tracks)
        self.unsteadiness: Final = Unsteadiness(tracks)
        self.colour: Final = Colour()
        self._learn_colour(self.contrasts.together)
        self.begin()

    def begin(self) -> None:
        """Forget all levels; what is known of the tape's unsteadiness is kept as a first guess."""
        self.contrasts.forget()
        self.unsteadiness.forget()
        self.record = Record(self.tracks)
        # Less what is common to all tracks; that stands in the last column.
        self.own = Record(self.tracks + 1)
        self._common = CommonLevel(self.tracks)
        self._dips = Dips(self.tracks)
        self.began: Indices = np.full(self.tracks, LONG_BEFORE, dtype=np.int_)
        """The block in which the tone of each track began after silence, or came back; `LONG_BEFORE` if it was there in
        the first block: a step begins in the middle of a tone when the tape or a person leads to it."""
        # From when on each track has its present level: as it is read, and against the others.
        self.since: Indices = np.zeros(self.tracks, dtype=np.int_)
        self.own_since: Indices = np.zeros(self.tracks + 1, dtype=np.int_)

    @property
    def now(self) -> int:
        """Number of the next block."""
        return self.record.count

    @property
    def inside_dips(self) -> Bools:
        """Tracks that may be in a dropout."""
        return self._dips.inside

    @property
    def common_db(self) -> float:
        """What is common to all tracks in the newest block."""
        return float(self.own.level_db(self.now - 1, self.now)[0, -1])

    def note(self, block: Block, in_hand: Bools) -> None:
        """Record a block, as it is and against what is common to all tracks."""
        common_db = self._common.update(block.level_db, block.good & ~in_hand & ~self._dips.inside)
        own_db = block.level_db - common_db
        watched = ~in_hand & (self.now - self.own_since[:-1] >= LEAST_WATCHED)
        deviation_db = np.sqrt(self.contrasts.variance[0])
        for track, start in self._dips.update(self.own, own_db, block.good, watched, deviation_db):
            self.record.weigh(track, start)
            self.own.weigh(track, start)
        weighed = block.good & ~self._dips.inside
        self.record.append(block, weighed)
        own = replace(block, level_db=np.append(own_db, common_db), good=np.append(block.good, bool(block.good.any())))
        self.own.append(own, np.append(weighed, own.good[-1]))

    def lose(self, lost: Bools, ended: bool) -> None:
        """Take note of tracks on which the tone is gone; ``ended`` says that it is gone on all."""
        self.began = np.where(lost, self.now, self.began)
        self.since = np.where(lost, self.now, self.since)
        self.own_since = np.where(np.append(lost, ended), self.now, self.own_since)

    def compare(self, steady: Bools) -> None:
        """Compare the newest levels with those before, and learn how unsteady those are that nobody moves."""
        self.since = np.maximum(self.since, self.record.oldest)
        self.own_since = np.maximum(self.own_since, self.record.oldest)
        self.contrasts.update(self.own, self.own_since)
        self.unsteadiness.update(self.record, self.since, steady)

    def learn(self, steady: Bools) -> None:
        """Learn from what was compared last, on tracks that nobody moves."""
        self.contrasts.learn(steady)
        if self.now % COLOUR_BLOCKS == 0:
            together = self.contrasts.together
            if np.abs(together / self._coloured_by - 1.0).max() > COLOUR_CHANGED:
                self._learn_colour(together)
        self._common.learn(self.own, self.own_since, steady)

    def _learn_colour(self, variance: Floats) -> None:
        self._coloured_by = variance
        self.colour.learn(variance)

    def holds_since(self, track: int, block: int) -> None:
        """Take note that a track has its present level since a block."""
        self.since[track] = self.own_since[track] = block

    def start_s(self, block: int) -> float:
        """Return the time at which a block began."""
        return self.record.start_s(block)

    def deviations_db(self, track: int) -> tuple[float, float, float]:
        """Return how far a third of a second lies from the mean of a few blocks, of one second, of more, by chance."""
        variance = self.contrasts.variance[:QUICK, track]
        first, third = float(variance[0]), float(variance.sum()) / 4.0
        return math.sqrt(first), math.sqrt(first), math.sqrt(max(first, third))
