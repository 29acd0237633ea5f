"""The words that page and terminal share: what is said of a track, and what to do about it.

Who looks from one to the other must not wonder whether two words mean two things. The page is given them with its
setup; its code holds none of its own.
"""

from typing import Final, Literal, NamedTuple

from bridge.readings import State

Sign = Literal["high", "low", "right", "unsure"]


class Way(NamedTuple):
    """What a deviation is called, and what the hand has to do."""

    said: str
    turn: str


WAYS: Final[dict[Sign, Way]] = {
    "high": Way("too high", "turn down"),
    "low": Way("too low", "turn up"),
    "right": Way("on target", "leave"),
    "unsure": Way("not sure yet", "wait"),
}

STATES: Final[dict[State, str]] = {
    "quiet": "no tone",
    "tone": "tone",
    "moving": "turning",
    "settling": "settling",
    "settled": "settled",
    "clipped": "clipping",
}
"""What a track is doing; OSC has its own fixed words."""

HELD: Final = "held: nothing logs itself"
RELEASED: Final = "no longer held: trims log themselves again"
SPEED_NOW: Final = " in/s now: "
EVERY_TRACK_SAFE: Final = "every track safe"
BY_HAND: Final = (SPEED_NOW, EVERY_TRACK_SAFE)
"""What has to be done by hand, at another speed or with another tape, has one of these: it stands large until it is
done."""

TURNED: Final = "turned and not logged"
"""Before the adjustments and tracks of what was."""

STAYS: Final = "following is off"
STAYING: Final = f"{STAYS}: the step stays, whatever tone plays"
FOLLOWING: Final = "following is on: the tape leads to the step of its tone"
