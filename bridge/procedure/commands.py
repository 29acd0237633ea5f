"""What a person can tell the procedure to do, whichever way it arrives: OSC, MIDI, the page, the keyboard."""

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class NextStep:
    """Go to the following step."""


@dataclass(frozen=True, slots=True)
class PreviousStep:
    """Go back to the step before."""


@dataclass(frozen=True, slots=True)
class RepeatStep:
    """Begin the step anew: as found is what every track reads from now on. What was logged stays logged."""


@dataclass(frozen=True, slots=True)
class GoToStep:
    """Go to a step by its number, from 1."""

    number: int


@dataclass(frozen=True, slots=True)
class SelectBank:
    """Say which bank is patched to the inputs, from 1."""

    number: int


@dataclass(frozen=True, slots=True)
class Focus:
    """Keep the focus on a track, or 0 to let it follow the movement."""

    track: int


@dataclass(frozen=True, slots=True)
class Hold:
    """Stop, or let go on, everything automatic."""

    on: bool


@dataclass(frozen=True, slots=True)
class Follow:
    """Let the tape lead to the step of its tone, or stay at the step whatever plays. All else goes on as it is."""

    on: bool


@dataclass(frozen=True, slots=True)
class LogNow:
    """Log a track as it stands now."""

    track: int


@dataclass(frozen=True, slots=True)
class Withdraw:
    """Mark a trim as withdrawn. Nothing is deleted."""

    trim_id: str


@dataclass(frozen=True, slots=True)
class Reinstate:
    """Let a trim stand again that was withdrawn."""

    trim_id: str


@dataclass(frozen=True, slots=True)
class Note:
    """Write a note into the log."""

    text: str


@dataclass(frozen=True, slots=True)
class Confirm:
    """Confirm an item of the preparation, and say who does."""

    item: str
    who: str


@dataclass(frozen=True, slots=True)
class TakeBack:
    """Take back the confirmation of an item. That it was confirmed stays in the log."""

    item: str
    who: str


@dataclass(frozen=True, slots=True)
class Finish:
    """End the calibration; what comes after belongs to a new one."""


@dataclass(frozen=True, slots=True)
class TurnTrimmer:
    """Turn a trimmer of the simulated recorder by a share of its travel, −1…1."""

    track: int
    adjustment: str
    share: float


@dataclass(frozen=True, slots=True)
class PlayTone:
    """Wind the tape of the simulated recorder to a tone, and play."""

    hz: float


@dataclass(frozen=True, slots=True)
class ListenTo:
    """Switch the simulated recorder to a path."""

    path: str


@dataclass(frozen=True, slots=True)
class MovePlayback:
    """Set the level of all tracks of the simulated recorder together, dB above where it was at first."""

    gain_db: float


@dataclass(frozen=True, slots=True)
class PlayForeignTone:
    """Play a tone on the simulated recorder that is not of its calibration tape."""

    hz: float


FOREIGN: Final = ("announcement", "sweep", "noise")
"""What the simulated recorder can play that is no tone."""


@dataclass(frozen=True, slots=True)
class PlayForeign:
    """Play something on the simulated recorder that is no tone, such as an announcement."""

    what: str


Practice = TurnTrimmer | PlayTone | ListenTo | MovePlayback | PlayForeignTone | PlayForeign
"""What is done to the simulated recorder, not to the procedure."""

Command = (
    NextStep
    | PreviousStep
    | RepeatStep
    | GoToStep
    | SelectBank
    | Focus
    | Hold
    | Follow
    | LogNow
    | Withdraw
    | Reinstate
    | Note
    | Confirm
    | TakeBack
    | Finish
    | Practice
)
