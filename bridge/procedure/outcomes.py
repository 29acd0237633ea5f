"""What the procedure answers to a command, and what it wants done about it."""

from dataclasses import dataclass

from bridge.readings import Trim


@dataclass(frozen=True, slots=True)
class Accepted:
    """Done. ``moved`` says that the step or the bank is another now."""

    moved: bool = False


@dataclass(frozen=True, slots=True)
class Declined:
    """Not done; the reason is one line for a person."""

    reason: str


@dataclass(frozen=True, slots=True)
class TrimToLog:
    """A trim has to go into the log before the command is done."""

    trim: Trim


@dataclass(frozen=True, slots=True)
class WithdrawalToLog:
    """A trim has to be marked as withdrawn in the log before the command is done."""

    trim_id: str


@dataclass(frozen=True, slots=True)
class NoteToLog:
    """A note has to go into the log before the command is done."""

    text: str


@dataclass(frozen=True, slots=True)
class ConfirmationToLog:
    """A confirmation has to go into the log before the command is done."""

    item: str
    who: str


@dataclass(frozen=True, slots=True)
class TakingBackToLog:
    """That a confirmation is taken back has to go into the log before the command is done."""

    item: str
    who: str


Outcome = Accepted | Declined | TrimToLog | WithdrawalToLog | NoteToLog | ConfirmationToLog | TakingBackToLog
