"""The procedure as a table: a state and an event go in; what has to be done, and the state after it, come out.

What happens to a person at the machine is an event; what follows from it is read here and nowhere else. While held,
nothing is logged and nothing moves but what the person asks for: no row of that state says otherwise.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

State = Literal["automatic", "held"]
"""Whether the tape leads, where it is followed, and trims are logged by themselves, or nothing happens unasked."""

Event = Literal[
    "tape leads on",
    "act seen",
    "act cut",
    "source lost",
    "step asked",
    "repeat asked",
    "bank asked",
    "log asked",
    "hold asked",
    "release asked",
    "follow asked",
    "stay asked",
    "finish asked",
    "recording ended",
    "stop asked",
]
"""What can happen.

The tape leads on when the tone of another step stands; an act is seen when a trimmer was turned and left, and cut when
the tone or the watching ended before it was left. To stay is to let no tone lead on. To stop is to end the daemon,
whatever the hands are doing.
"""

Duty = Literal[
    "close acts",
    "close left acts",
    "cut acts",
    "log act",
    "keep act open",
    "log by hand",
    "verify",
    "choose",
    "patch",
    "begin",
    "begin anew",
    "pause",
    "hold",
    "release",
    "follow",
    "stay",
    "finish",
]
"""What can be done about it.

To close acts is to take what is still being watched as an event of its own; to cut them is the same where the hand may
turn on unseen: only what has settled counts as left. To close left acts is to do so with those that the hand has left,
and to go on watching the others. An act that is kept open is not in the log: its track is missing until it is, and the
next trim begins where that act began. To verify is to log what was right and
never touched.
"""


@dataclass(frozen=True, slots=True)
class Row:
    """What has to be done, in this order, and the state after it."""

    duties: tuple[Duty, ...]
    then: State


TABLE: Final[Mapping[State, Mapping[Event, Row]]] = {
    "automatic": {
        "tape leads on": Row(("close acts", "verify", "begin"), "automatic"),
        "act seen": Row(("log act",), "automatic"),
        "act cut": Row(("keep act open",), "automatic"),
        "source lost": Row(("pause",), "automatic"),
        "step asked": Row(("close acts", "verify", "choose", "begin"), "automatic"),
        "repeat asked": Row(("close acts", "verify", "choose", "begin anew"), "automatic"),
        "bank asked": Row(("close acts", "verify", "patch", "begin"), "automatic"),
        "log asked": Row(("log by hand",), "automatic"),
        # What the hand had left before is logged; what it leaves from here on is not.
        "hold asked": Row(("close left acts", "hold"), "held"),
        "release asked": Row((), "automatic"),
        "follow asked": Row(("follow",), "automatic"),
        "stay asked": Row(("stay",), "automatic"),
        "finish asked": Row(("close acts", "verify", "finish"), "automatic"),
        "recording ended": Row(("close acts", "verify"), "automatic"),
        "stop asked": Row(("cut acts", "verify"), "automatic"),
    },
    "held": {
        "tape leads on": Row((), "held"),
        "act seen": Row(("keep act open",), "held"),
        "act cut": Row(("keep act open",), "held"),
        "source lost": Row(("pause",), "held"),
        "step asked": Row(("close acts", "choose", "begin"), "held"),
        "repeat asked": Row(("close acts", "choose", "begin anew"), "held"),
        "bank asked": Row(("close acts", "patch", "begin"), "held"),
        "log asked": Row(("log by hand",), "held"),
        "hold asked": Row((), "held"),
        "release asked": Row(("close left acts", "release"), "automatic"),
        "follow asked": Row(("follow",), "held"),
        "stay asked": Row(("stay",), "held"),
        "finish asked": Row(("close acts", "finish"), "held"),
        "recording ended": Row(("close acts",), "held"),
        "stop asked": Row(("cut acts",), "held"),
    },
}
