"""The rhythm of a hand: pauses within acts go in; how long to wait before a hand has left comes out.

People turn, look, and turn again; how long they look differs from one to the next by a factor of three. Whoever has
been seen to look for a second has left after less than two; whoever takes two seconds to think has not.
"""

from collections import deque
from collections.abc import Sequence
from typing import Final

from bridge.procedure.blocks import BLOCK_S

KEPT: Final = 16
"""Pauses that are remembered: those of the last few tracks."""

FEWEST: Final = 4
"""Of fewer pauses nothing is concluded."""

SHORTEST_BLOCKS: Final = 5
LONGEST_BLOCKS: Final = 60
"""A shorter pause is a slow end of a stroke, a longer one is another thought."""

SHARE: Final = 0.75
"""This share of the pauses counts for how long a trimmer is left alone."""

THOUGHT: Final = 1.6
"""A pause of so many times the middle one is no look at the needle but a thought. Thoughts take as long as they please;
they are not waited for."""

LOOKED: Final = 0.95
"""This share of the looks is waited for."""

SEEN_BLOCKS: Final = 2
"""A pause is measured until the next stroke shows among cleaned levels; whether one shows among the newest is asked
before a level is called settled."""

USUAL_SETTLE_BLOCKS: Final = 16
SETTLE_BLOCKS: Final = (11, 29)
"""A level that has been still for so long is settled, where tape is steady: before anything is known of the hand, and
the least and the most afterwards."""

USUAL_APART_S: Final = 8.0
APART_S: Final = (8.0, 12.0)
"""A hand that is back on the same trimmer within this time, with no other turned meanwhile, never left it: the
screwdriver is still in the slot."""


class Rhythm:
    """The pauses of whoever turns."""

    def __init__(self) -> None:
        self._pauses: deque[int] = deque(maxlen=KEPT)

    def paused(self, blocks: int) -> None:
        """Take note that a hand has rested for so many blocks, and has gone on."""
        if SHORTEST_BLOCKS <= blocks <= LONGEST_BLOCKS:
            self._pauses.append(blocks)

    @property
    def settle_blocks(self) -> int:
        """How many still blocks make a settled level."""
        if len(self._pauses) < FEWEST:
            return USUAL_SETTLE_BLOCKS
        least, most = SETTLE_BLOCKS
        pauses = sorted(self._pauses)
        thought = THOUGHT * _at(pauses, 0.5)
        looks = [pause for pause in pauses if pause <= thought]
        return min(max(_at(looks, LOOKED) - SEEN_BLOCKS, least), most)

    @property
    def apart_s(self) -> float:
        """For how long a trimmer must be left alone before a movement of it is another act."""
        if len(self._pauses) < FEWEST:
            return USUAL_APART_S
        least, most = APART_S
        return min(max(5.0 + 3.0 * BLOCK_S * _at(sorted(self._pauses), SHARE), least), most)


def _at(pauses: Sequence[int], share: float) -> int:
    """Return the pause that is as long as or longer than this share of some in order."""
    return pauses[int(share * (len(pauses) - 1))]
