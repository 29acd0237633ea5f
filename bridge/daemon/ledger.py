"""What the log was given and what it is owed: outcomes and entries in; entries for the log and its results out.

The engine's side of the log, in the engine's thread. Nothing here waits.
"""

import logging
import time
from collections.abc import Iterator, Sequence

from bridge.control.inbox import Request
from bridge.log.entries import (
    Committed,
    ConfirmationEntry,
    Entry,
    EventEntry,
    FinishEntry,
    InHandEntry,
    NoteEntry,
    PositionEntry,
    Refused,
    ReinstatementEntry,
    TakingBackEntry,
    TrimEntry,
    TurnedEntry,
    WithdrawalEntry,
)
from bridge.procedure.calibration import Calibration
from bridge.procedure.outcomes import (
    ConfirmationToLog,
    FinishToLog,
    InHandToLog,
    NoteToLog,
    ReinstatementToLog,
    TakingBackToLog,
    ToLog,
    TrimToLog,
    TurnedToLog,
    WithdrawalToLog,
)
from bridge.procedure.preparation import Confirmation
from bridge.readings import Trim
from bridge.sinks.log import LogWriter, Result
from bridge.units import signed

LOG_OFF = "the log is off: nothing can be logged"

_log = logging.getLogger(__name__)


class Ledger:
    """Gives the log its entries, and keeps what it refused for as long as that is true.

    Parameters
    ----------
    log : LogWriter or None
        None when nothing is logged.
    calibration : Calibration
        Asked whether what the log is owed is so still.
    """

    def __init__(self, log: LogWriter | None, calibration: Calibration) -> None:
        self._log = log
        self._calibration = calibration
        # What was turned, or in hand, and is not in the log because that refused.
        self._owed: list[TurnedEntry | InHandEntry] = []
        # Trims that were given to the log, and those whose fate is known.
        self._trims_given = self._trims_known = 0

    @property
    def is_writing(self) -> bool:
        """Whether the log takes what it is given."""
        return self._log is not None and self._log.state == "writing"

    @property
    def trims_given(self) -> int:
        """Trims that the log was given so far."""
        return self._trims_given

    def knows(self, trims: int) -> bool:
        """Say whether the fate of the first so many trims is known, or will not be before the log writes again."""
        return not self.is_writing or self._trims_known >= trims

    def submit(self, entry: Entry, request: Request | None = None) -> str | None:
        """Give the log an entry, which answers the request with its fate; return why not when there is no log."""
        if isinstance(entry, TrimEntry):
            if self._log is None:
                self._owe(entry.trim)
            else:
                self._trims_given += 1
        if self._log is None:
            return LOG_OFF
        self._log.submit(entry, request)
        return None

    def event(self, kind: str, message: str, **details: object) -> None:
        """Note that something happened; the details must go into JSON."""
        self.submit(EventEntry(kind, message, time.time_ns(), details))

    def place(self) -> None:
        """Note where the calibration stands."""
        place = self._calibration.place
        self.submit(PositionEntry(place.step, place.bank, time.time_ns()))

    def take(self, results: Sequence[Result]) -> Iterator[Result]:
        """Pass the results on one by one: what was refused is told in the messages, and owed where it counts."""
        for result in results:
            if isinstance(result, Committed | Refused) and isinstance(result.entry, TrimEntry):
                self._trims_known += 1
            if isinstance(result, Refused):
                self._refused(result.entry, result.reason)
            yield result

    def results(self) -> Sequence[Result]:
        """Return what the log says since it was last asked."""
        return self._log.take_results() if self._log is not None else ()

    def _refused(self, entry: Entry, reason: str) -> None:
        # Of events that come by themselves there may be many; the log itself says once that it refuses.
        if not isinstance(entry, EventEntry | InHandEntry):
            _log.error("%s: %s", _missed(entry), reason)
        if isinstance(entry, TrimEntry):
            self._owe(entry.trim)
        if isinstance(entry, TurnedEntry | InHandEntry):
            self._owed.append(entry)

    def _owe(self, trim: Trim) -> None:
        turned = self._calibration.not_logged(trim)
        if turned is not None and self._log is not None:
            self._owed.append(TurnedEntry(turned, f"the trim of track {trim.track} was not logged", time.time_ns()))

    def pay(self) -> None:
        """Log what could not be logged when it happened, and is true still."""
        if self._owed and self.is_writing:
            owed, self._owed = self._owed, []
            for entry in owed:
                if self._is_true(entry):
                    self.submit(entry)

    def _is_true(self, entry: TurnedEntry | InHandEntry) -> bool:
        if isinstance(entry, TurnedEntry):
            return self._calibration.is_unlogged(entry.turned)
        return entry.is_over or self._calibration.is_in_hand(entry.turned)


def entry_for(outcome: ToLog, by: str, now_ns: int) -> Entry:
    """Return what the log is to keep of an outcome, as asked for by someone."""
    entry: Entry
    match outcome:
        case TrimToLog(trim, way):
            entry = TrimEntry(trim, way)
        case TurnedToLog(turned, text):
            entry = TurnedEntry(turned, text, now_ns)
        case InHandToLog(turned, is_over):
            entry = InHandEntry(turned, now_ns, is_over)
        case WithdrawalToLog(trim_id):
            entry = WithdrawalEntry(trim_id, by, now_ns)
        case ReinstatementToLog(trim_id):
            entry = ReinstatementEntry(trim_id, by, now_ns)
        case NoteToLog(text):
            entry = NoteEntry(text, now_ns)
        case ConfirmationToLog(item, who):
            entry = ConfirmationEntry(Confirmation(item, who, now_ns))
        case TakingBackToLog(item, who):
            entry = TakingBackEntry(item, who, now_ns)
        case FinishToLog():
            entry = FinishEntry(now_ns, then_begin=True)
    return entry


def _missed(entry: Entry) -> str:
    """Return what did not come about, as a person says it."""
    match entry:
        case TrimEntry(trim):
            said = f"not logged: trim of track {trim.track}, {trim.adjustment}, left at {signed(trim.as_left_db)} dB"
        case TurnedEntry(turned):
            said = f"that track {turned.track} was turned is not in the log yet"
        case WithdrawalEntry(trim_id):
            said = f"trim {trim_id} was not withdrawn"
        case ReinstatementEntry(trim_id):
            said = f"trim {trim_id} was not reinstated"
        case NoteEntry():
            said = "a note was not logged"
        case ConfirmationEntry(confirmation):
            said = f"that {confirmation.item} is confirmed was not logged"
        case TakingBackEntry(item):
            said = f"that {item} is not confirmed any more was not logged"
        case FinishEntry():
            said = "the calibration was not ended in the log"
        case _:
            said = "where the calibration stands was not logged"
    return said
