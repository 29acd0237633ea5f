"""What the procedure answers to a command, and what it wants done about it."""

from dataclasses import dataclass

from bridge.procedure.progress import Missing, Turned
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
    """A trim has to go into the log; ``way`` is what was seen between, as pairs of (seconds, dB)."""

    trim: Trim
    way: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class TurnedToLog:
    """That a trimmer was turned and is not logged has to outlive the daemon; ``text`` says so to a person."""

    turned: Turned
    text: str


@dataclass(frozen=True, slots=True)
class InHandToLog:
    """A trimmer is in hand: what its track read before has to outlive the process, in case that dies.

    When ``is_over`` that has come to nothing that is not logged; ``turned`` is what the log was given of it.
    """

    turned: Turned
    is_over: bool = False


@dataclass(frozen=True, slots=True)
class WithdrawalToLog:
    """A trim has to be marked as withdrawn in the log before the command is done."""

    trim_id: str


@dataclass(frozen=True, slots=True)
class ReinstatementToLog:
    """That a withdrawn trim stands again has to go into the log before the command is done."""

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


@dataclass(frozen=True, slots=True)
class FinishToLog:
    """The calibration is to be ended in the log; ``missing`` is what it never got."""

    missing: tuple[Missing, ...]


@dataclass(frozen=True, slots=True)
class StepMoved:
    """The tape has led to another step."""


@dataclass(frozen=True, slots=True)
class Told:
    """Something that a person should know happened; nothing was logged."""

    text: str


ToLog = (
    TrimToLog
    | TurnedToLog
    | InHandToLog
    | WithdrawalToLog
    | ReinstatementToLog
    | NoteToLog
    | ConfirmationToLog
    | TakingBackToLog
    | FinishToLog
)
"""What has to go into the log."""

Outcome = Accepted | Declined | ToLog | StepMoved | Told
