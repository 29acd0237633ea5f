"""What the log holds of the calibration under way, for the page: the log's file in, JSON documents out.

The page never keeps a trim of its own: what it shows as logged was read from the log. For one thread.

A log that cannot be written is let go of after each look. SQLite shares the memory beside a log between all connections
of a process, and once it was opened for reading alone, it stays so for the daemon's writer, too, also after the
permission has come back.
"""

import math
import os
import sqlite3
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from bridge.log.faults import LogError, fault_of
from bridge.log.queries import LoggedTrim, Selection, calibrations, confirmations_of, lines, trims, turned_of
from bridge.log.store import open_reader
from bridge.procedure.progress import TRACKS_TOLD
from bridge.procedure.steps import OfStep, Step, belongs

JsonObject = dict[str, object]

UNREADABLE: Final = -1
CLOSED: Final = -2
"""In place of a version of the data: that of a log that cannot be read, or was let go of."""

LINES: Final = 200
"""Most notes and events that are shown, the newest."""


class History:
    """Reads the calibration under way from the log.

    Parameters
    ----------
    path : Path or None
        The log's file; None when nothing is logged.
    machine : str
        Whose calibration.
    steps : sequence of Step
        The steps now.
    """

    def __init__(self, path: Path | None, machine: str, steps: Sequence[Step]) -> None:
        self._path = path
        self._machine = machine
        self._steps = tuple(steps)
        self._connection: sqlite3.Connection | None = None
        self._version = UNREADABLE

    def has_changed(self) -> bool:
        """Whether somebody has committed since this was asked last (SQLite, "PRAGMA data_version")."""
        if self._path is None:
            return False
        version = UNREADABLE
        try:
            version = int(self._open().execute("PRAGMA data_version").fetchone()[0]) if self._is_writable() else CLOSED
        except (LogError, sqlite3.Error):
            self.close()
        changed, self._version = version != self._version, version
        return changed

    def document(self) -> JsonObject:
        """Return calibration, trims, what was turned since without being logged, confirmations, notes and events.

        Raises
        ------
        LogError
            When the log cannot be read.
        """
        if self._path is None:
            return _empty("off")
        try:
            return self._document(self._open())
        except sqlite3.Error as error:
            self.close()
            raise fault_of(error, self._path) from error
        finally:
            self._is_writable()

    def trails(self, step: int) -> JsonObject:
        """Return the way of each trim of a step, by its id.

        Raises
        ------
        LogError
            When the log cannot be read.
        """
        if self._path is None:
            return {}
        try:
            connection = self._open()
            calibration = self._calibration(connection)
            return {
                logged.id: _centred(logged)
                for logged in trims(connection, Selection(calibration=calibration or ""))
                if self._step_of(logged.trim) == step
            }
        except sqlite3.Error as error:
            self.close()
            raise fault_of(error, self._path) from error
        finally:
            self._is_writable()

    def close(self) -> None:
        """Let go of the file."""
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    def _is_writable(self) -> bool:
        """Return whether the log can be written; let go of it when not."""
        assert self._path is not None
        beside = self._path.with_name(self._path.name + "-shm")
        is_so = beside.exists() and os.access(self._path, os.W_OK) and os.access(beside, os.W_OK)
        if not is_so:
            self.close()
        return is_so

    def _open(self) -> sqlite3.Connection:
        if self._connection is None:
            assert self._path is not None
            self._connection = open_reader(self._path)
        return self._connection

    def _calibration(self, connection: sqlite3.Connection) -> str | None:
        ids = [known.id for known in calibrations(connection) if known.machine == self._machine]
        return ids[-1] if ids else None

    def _document(self, connection: sqlite3.Connection) -> JsonObject:
        found = [known for known in calibrations(connection) if known.machine == self._machine]
        if not found:
            return _empty("on")
        calibration = found[-1]
        logged = list(trims(connection, Selection(calibration=calibration.id)))
        turned = turned_of(connection, calibration.id, [one for one in logged if one.withdrawal is None])
        said = [line for line in lines(connection, calibration.id) if line.kind not in ("confirmation", TRACKS_TOLD)]
        return {
            "log": "on",
            "calibration": {
                "id": calibration.id,
                "started_s": calibration.started_ns / 1e9,
                "resumptions": calibration.resumptions,
                "ended_s": None if calibration.ended_ns is None else calibration.ended_ns / 1e9,
            },
            "trims": [self._trim(one) for one in logged],
            "turned": [{"step": self._step_of(one), "track": one.track} for one in turned],
            "confirmations": [
                {"item": confirmed.item, "who": confirmed.who, "at_s": confirmed.confirmed_ns / 1e9}
                for confirmed in confirmations_of(connection, calibration.id)
            ],
            "lines": [{"at_s": line.at_ns / 1e9, "kind": line.kind, "text": line.text} for line in said[-LINES:]],
        }

    def _trim(self, logged: LoggedTrim) -> JsonObject:
        trim, withdrawal = logged.trim, logged.withdrawal
        return {
            "id": logged.id,
            "number": logged.sequence,
            "step": self._step_of(logged.trim),
            "track": trim.track,
            "adjustment": trim.adjustment,
            "tone_hz": trim.tone_hz,
            "speed_ips": trim.speed_ips,
            "as_found_db": _said(trim.as_found_db),
            "as_left_db": _said(trim.as_left_db),
            "standard_error_db": _said(trim.standard_error_db),
            "resolution_db": trim.resolution_db,
            "kind": trim.kind,
            "tolerance_db": trim.tolerance_db,
            "within_tolerance": trim.within_tolerance,
            "origin": trim.origin,
            "seconds": trim.settled_s - trim.started_s,
            "settled_s": trim.settled_ns / 1e9,
            "withdrawn_by": None if withdrawal is None else withdrawal.by,
        }

    def _step_of(self, done: OfStep) -> int:
        """Return the number of the step that a trim, or what was turned, belongs to; 0 when there is none any more."""
        return next((number for number, step in enumerate(self._steps, 1) if belongs(done, step)), 0)


def _empty(log: str) -> JsonObject:
    return {"log": log, "calibration": None, "trims": [], "turned": [], "confirmations": [], "lines": []}


def _centred(logged: LoggedTrim) -> list[tuple[float, float]]:
    """Return the way with its time counted from the start of the trim."""
    return [(round(at_s - logged.trim.started_s, 3), level_db) for at_s, level_db in logged.trail]


def _said(value_db: float) -> float | None:
    return round(value_db, 4) if math.isfinite(value_db) else None
