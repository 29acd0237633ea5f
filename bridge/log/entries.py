"""What can be written into the log, and what became of it. Frozen; they cross from the metering thread and back."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from bridge.procedure.preparation import Confirmation
from bridge.procedure.progress import Turned
from bridge.procedure.steps import Step
from bridge.readings import Trim


@dataclass(frozen=True, slots=True)
class TrimEntry:
    """A trim. ``trail`` is the way between: pairs of (seconds from the start of the source, fine deviation in dB)."""

    trim: Trim
    trail: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class TurnedEntry:
    """A trimmer was turned and not logged: its track is missing until the next trim of it. ``message`` says so."""

    turned: Turned
    message: str
    at_ns: int


@dataclass(frozen=True, slots=True)
class InHandEntry:
    """A trimmer is in hand: unless this is answered, it counts as turned and not logged when the log is next opened.

    What answers it is the next trim or `TurnedEntry` of that track and step, or the same once more when it ``is_over``:
    it has left nothing to be logged.
    """

    turned: Turned
    at_ns: int
    is_over: bool = False


@dataclass(frozen=True, slots=True)
class WithdrawalEntry:
    """A trim is withdrawn: by its id, or by its number alone within the current calibration (``17``)."""

    trim_id: str
    by: str
    at_ns: int
    reason: str = ""


@dataclass(frozen=True, slots=True)
class ReinstatementEntry:
    """A trim that was withdrawn stands again: named as for its withdrawal."""

    trim_id: str
    by: str
    at_ns: int


@dataclass(frozen=True, slots=True)
class NoteEntry:
    """What a person wants to keep with the calibration."""

    text: str
    at_ns: int


@dataclass(frozen=True, slots=True)
class EventEntry:
    """Something happened: source lost or back, overruns, a refused trim. ``details`` must go into JSON."""

    kind: str
    message: str
    at_ns: int
    details: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class PositionEntry:
    """Where the calibration stands: step number (1…, 0 without steps) and bank (1…)."""

    step: int
    bank: int
    at_ns: int


@dataclass(frozen=True, slots=True)
class ConfirmationEntry:
    """A person has confirmed a preparation."""

    confirmation: Confirmation


@dataclass(frozen=True, slots=True)
class TakingBackEntry:
    """A person has taken back a confirmation: it was a slip, or is no longer so."""

    item: str
    by: str
    at_ns: int


@dataclass(frozen=True, slots=True)
class StepsEntry:
    """The steps of the calibration from now on."""

    steps: Sequence[Step]
    at_ns: int


@dataclass(frozen=True, slots=True)
class FinishEntry:
    """The calibration is done: nothing but withdrawals, reinstatements and events is added to it.

    ``then_begin`` begins the next one at once; its `Resumption` comes with the results.
    """

    at_ns: int
    then_begin: bool = False


Entry = (
    TrimEntry
    | TurnedEntry
    | InHandEntry
    | WithdrawalEntry
    | ReinstatementEntry
    | NoteEntry
    | EventEntry
    | PositionEntry
    | ConfirmationEntry
    | TakingBackEntry
    | StepsEntry
    | FinishEntry
)


class EntryRefusedError(Exception):
    """An entry that makes no sense in this log. The message says why, in one line."""


@dataclass(frozen=True, slots=True)
class Committed:
    """The entry is on disk. ``id`` is that of the trim that it is about, else empty; ``tag`` came with the entry."""

    entry: Entry
    tag: object
    id: str


@dataclass(frozen=True, slots=True)
class Refused:
    """The entry is not in the log. ``reason`` is one line for a person."""

    entry: Entry
    tag: object
    reason: str
