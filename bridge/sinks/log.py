"""The log as a sink: entries in, results out, and nobody who submits ever waits for a disk.

The metering thread submits and polls for results; one thread writes. An entry is `Committed` only after its commit is
on disk. When the disk is full, failing, read-only, locked or gone, entries are `Refused` with the reason, and the log
is tried again with every later entry and every `RETRY_S` until it can be written; then it notes what it missed.
"""

import logging
import queue
import sqlite3
import threading
import time
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Final

from bridge.log.calibrations import Opening, Resumption, begin_or_resume, take_up_again
from bridge.log.entries import (
    Committed,
    Entry,
    EntryRefusedError,
    EventEntry,
    FinishEntry,
    PositionEntry,
    Refused,
    TrimEntry,
)
from bridge.log.faults import LogError
from bridge.log.store import BUSY_SLICE_S, OPENING_PATIENCE_S, Store
from bridge.log.writing import write_entry, write_event
from bridge.readings import LogState

CAPACITY: Final = 256
"""Entries that may wait: minutes of the busiest calibration. More means that the disk does not answer."""

BATCH: Final = 64
"""Entries that share a commit when several wait: a slow disk catches up, and a commit stays short."""

RETRY_S: Final = 1.0

PATIENCE_S: Final = 2.0
"""How long another program's lock is waited for before an entry is refused."""

STUCK_S: Final = 3.0
"""A commit under way for longer shows as a log that refuses: nobody shall wait for a dead disk unknowingly."""

CLOSING_S: Final = 1.0

Result = Committed | Refused | Resumption
_Waiting = tuple[Entry, object]
_logger = logging.getLogger(__name__)


class LogWriter:
    """One writer thread behind a bounded queue.

    Parameters
    ----------
    path : Path
        The SQLite file, see `bridge.log.store.Store`.
    capacity : int
        Entries that may wait in the queue; more are refused at once.
    """

    def __init__(self, path: Path, *, capacity: int = CAPACITY) -> None:
        self.path = path
        self._queue: queue.Queue[_Waiting | None] = queue.Queue(capacity)
        self._outbox: deque[Result] = deque()
        self._thread = threading.Thread(target=self._run, name="log writer", daemon=True)
        self._changed = threading.Condition()
        self._unanswered = 0
        self._missed = 0
        self._refused_trims = 0
        self._deadline_s: float | None = None
        # From here on only the writer thread writes.
        self._opening: Opening | None = None
        self._store: Store | None = None
        self._calibration = ""
        self._problem = ""
        self._last_problem = ""
        self._busy_since_s: float | None = None
        self._batch: list[_Waiting] = []
        self._unwritten_position: PositionEntry | None = None

    def start(self, opening: Opening) -> Resumption | None:
        """Open the log and take up or begin the calibration.

        Returns
        -------
        Resumption or None
            None when the log cannot be written now but perhaps later (disk full, read-only, locked): `problem` says
            why, entries are refused, and the `Resumption` comes through `take_results` once it can be written.

        Raises
        ------
        LogError
            When it takes another file or another program: not a log, newer, damaged, its directory missing, or
            another process writes it. No thread runs then.
        """
        self._opening = opening
        resumption = None
        try:
            resumption = self._open(OPENING_PATIENCE_S)
        except LogError as error:
            if not error.passing:
                raise
            self._begin_refusing(str(error))
        self._thread.start()
        return resumption

    def submit(self, entry: Entry, tag: object = None) -> None:
        """Hand over an entry; its result comes through `take_results` with the ``tag``. Never waits, never raises."""
        with self._changed:
            self._unanswered += 1
        if self._deadline_s is not None:
            self._refuse([(entry, tag)], "the log is closed")
            return
        try:
            self._queue.put_nowait((entry, tag))
        except queue.Full:
            self._refuse([(entry, tag)], f"the log does not keep up: {self._queue.maxsize} entries wait for the disk")

    def take_results(self) -> list[Result]:
        """Return what became of the entries since the last call, one result each. Never waits."""
        results: list[Result] = []
        while self._outbox:
            results.append(self._outbox.popleft())
        return results

    def flush(self, timeout_s: float) -> bool:
        """Wait until every entry has its result; for who is faster than real time. Return whether that is so."""
        with self._changed:
            return self._changed.wait_for(lambda: self._unanswered == 0, timeout_s)

    def close(self, timeout_s: float = CLOSING_S) -> list[Result]:
        """Write what waits, within ``timeout_s``, end the thread, and return the last results.

        What could not be written in time is among them as `Refused`.
        """
        self._deadline_s = time.monotonic() + timeout_s
        with suppress(queue.Full):  # a full queue wakes the thread as well
            self._queue.put_nowait(None)
        if self._thread.is_alive():
            self._thread.join(timeout_s + 4.0 * BUSY_SLICE_S)
        if self._thread.is_alive():
            # The disk does not answer at all; the thread ends with the process.
            self._refuse(self._batch, "the disk did not answer before the end: look into the log whether it is there")
        self._refuse(self._take_waiting(self._queue.maxsize + 1), "the log was closed before this was written")
        return self.take_results()

    @property
    def state(self) -> LogState:
        """Whether entries are written or refused now."""
        return "refusing" if self.problem else "writing"

    @property
    def problem(self) -> str:
        """Why entries are refused now, one line; empty while they are written."""
        since_s = self._busy_since_s
        if not self._problem and since_s is not None and time.monotonic() - since_s > STUCK_S:
            return f"the disk with the log {self.path} does not answer"
        return self._problem

    @property
    def refused_trims(self) -> int:
        """How many trims were refused since the start, for whatever reason."""
        return self._refused_trims

    def _run(self) -> None:
        while not self._is_over():
            self._batch = self._next_batch()
            if self._batch or self._problem:
                self._busy_since_s = time.monotonic()
                self._write(self._batch)
                self._busy_since_s = None
            self._batch = []
        if self._store is not None:
            self._store.close()

    def _is_over(self) -> bool:
        return self._deadline_s is not None and (self._queue.empty() or time.monotonic() > self._deadline_s)

    def _next_batch(self) -> list[_Waiting]:
        try:
            first = self._queue.get(timeout=RETRY_S if self._problem else None)
        except queue.Empty:
            return []
        return ([] if first is None else [first]) + self._take_waiting(BATCH - 1)

    def _take_waiting(self, most: int) -> list[_Waiting]:
        taken: list[_Waiting] = []
        while len(taken) < most:
            try:
                item = self._queue.get_nowait()
            except queue.Empty:
                break
            if item is not None:
                taken.append(item)
        return taken

    def _write(self, batch: list[_Waiting]) -> None:
        for entry, _ in batch:
            if isinstance(entry, PositionEntry):
                self._unwritten_position = entry
        try:
            if self._store is None and (late := self._open(BUSY_SLICE_S)) is not None:
                self._outbox.append(late)
            results, begun = self._commit(batch)
        except LogError as error:
            if not error.locked:
                self._drop_store()
            self._give_up(batch, str(error))
        except Exception as error:
            # A fault of ours must not end the thread: what follows may well be written.
            _logger.exception("the log writer stumbled")
            self._drop_store()
            self._give_up(batch, f"the log could not be written: {type(error).__name__}: {error}")
        else:
            self._unwritten_position = None
            self._end_refusing()
            self._answer(results)
            self._outbox.extend(begun)

    def _open(self, patience_s: float) -> Resumption | None:
        """Open the log; take up the calibration unless that is done. Return where it stands if it was."""
        assert self._opening is not None
        store = Store(self.path, create=not self._calibration, patience_s=patience_s)
        resumption = None
        try:
            with store.transaction(self._patience()) as connection:
                if not self._calibration:
                    resumption = begin_or_resume(connection, self._opening)
                else:
                    take_up_again(connection, self._calibration, self.path)
        except BaseException:
            store.close()
            raise
        if resumption is not None:
            self._calibration = resumption.calibration
        self._store = store
        return resumption

    def _commit(self, batch: list[_Waiting]) -> tuple[list[Committed | Refused], list[Resumption]]:
        assert self._store is not None
        assert self._opening is not None
        missed = self._missed
        with self._store.transaction(self._patience()) as connection:
            if self._problem or missed:
                self._write_missed(connection, missed, batch)
            calibration = self._calibration
            begun: list[Resumption] = []
            results: list[Committed | Refused] = []
            for entry, tag in batch:
                result = self._write_one(connection, calibration, entry, tag)
                results.append(result)
                if isinstance(result, Committed) and isinstance(entry, FinishEntry) and entry.then_begin:
                    begun.append(begin_or_resume(connection, replace(self._opening, fresh=True, at_ns=entry.at_ns)))
                    calibration = begun[-1].calibration
        # Only what is committed counts.
        self._calibration = calibration
        with self._changed:
            self._missed -= missed
        return results, begun

    def _write_missed(self, connection: sqlite3.Connection, missed: int, batch: list[_Waiting]) -> None:
        reason = self._last_problem or "too many entries waited"
        event = EventEntry(
            "log refused",
            f"{missed} entries could not be written: {reason}",
            time.time_ns(),
            {"entries": missed, "reason": reason},
        )
        write_event(connection, self._calibration, event)
        position = self._unwritten_position
        if position is not None and not any(entry is position for entry, _ in batch):
            self._write_one(connection, self._calibration, position, None)

    def _write_one(
        self, connection: sqlite3.Connection, calibration: str, entry: Entry, tag: object
    ) -> Committed | Refused:
        connection.execute("SAVEPOINT entry")
        try:
            trim_id = write_entry(connection, calibration, entry)
        except EntryRefusedError as error:
            reason = str(error)
        except (
            # What SQLite says of a value, as opposed to what it says of the file.
            sqlite3.IntegrityError,
            sqlite3.DataError,
            sqlite3.ProgrammingError,
            sqlite3.InterfaceError,
            ValueError,
            OverflowError,
        ) as error:
            reason = f"the log cannot hold this: {error}"
        else:
            connection.execute("RELEASE entry")
            return Committed(entry, tag, trim_id)
        connection.execute("ROLLBACK TO entry")
        connection.execute("RELEASE entry")
        return Refused(entry, tag, reason)

    def _patience(self) -> Callable[[], bool]:
        end_s = time.monotonic() + PATIENCE_S
        return lambda: time.monotonic() < (end_s if self._deadline_s is None else min(end_s, self._deadline_s))

    def _drop_store(self) -> None:
        if self._store is not None:
            self._store.close()
            self._store = None

    def _give_up(self, batch: list[_Waiting], reason: str) -> None:
        with self._changed:
            self._missed += len(batch)
        self._begin_refusing(reason)
        self._answer([Refused(entry, tag, reason) for entry, tag in batch])

    def _begin_refusing(self, reason: str) -> None:
        if not self._problem:
            _logger.error("%s", reason)
        self._problem = self._last_problem = reason

    def _end_refusing(self) -> None:
        if self._problem:
            _logger.warning("the log %s is written again", self.path)
        self._problem = self._last_problem = ""

    def _refuse(self, waiting: list[_Waiting], reason: str) -> None:
        with self._changed:
            self._missed += len(waiting)
        self._answer([Refused(entry, tag, reason) for entry, tag in waiting])

    def _answer(self, results: list[Committed | Refused]) -> None:
        refused = [result for result in results if isinstance(result, Refused)]
        self._outbox.extend(results)
        with self._changed:
            self._refused_trims += sum(isinstance(result.entry, TrimEntry) for result in refused)
            self._unanswered -= len(results)
            self._changed.notify_all()
