"""What a person can tell the procedure to do, whichever way it arrives: OSC, MIDI, the page, the keyboard."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class NextStep:
    """Go to the following step."""


@dataclass(frozen=True, slots=True)
class PreviousStep:
    """Go back to the step before."""


@dataclass(frozen=True, slots=True)
class GoToStep:
    """Go to a step by its number, 1…"""

    number: int


@dataclass(frozen=True, slots=True)
class SelectBank:
    """Say which bank is patched to the inputs, 1…"""

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
class LogNow:
    """Log a track as it stands now."""

    track: int


@dataclass(frozen=True, slots=True)
class Withdraw:
    """Mark a trim as withdrawn. Nothing is deleted."""

    trim_id: str


@dataclass(frozen=True, slots=True)
class Note:
    """Write a note into the log."""

    text: str


Command = NextStep | PreviousStep | GoToStep | SelectBank | Focus | Hold | LogNow | Withdraw | Note
