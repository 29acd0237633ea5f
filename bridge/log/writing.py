"""Entries into the log: each in, the rows it becomes out, within a transaction of the caller."""

import json
import math
import sqlite3
import time
from collections.abc import Sequence
from dataclasses import asdict
from typing import Final

from bridge.log.entries import (
    ConfirmationEntry,
    Entry,
    EntryRefusedError,
    EventEntry,
    FinishEntry,
    InHandEntry,
    NoteEntry,
    PositionEntry,
    ReinstatementEntry,
    StepsEntry,
    TakingBackEntry,
    TrimEntry,
    TurnedEntry,
    WithdrawalEntry,
)
from bridge.log.queries import IN_HAND, LET_GO, TAKEN_BACK, TURNED, WITHDRAWALS
from bridge.log.trim_row import insert_trim, next_sequence
from bridge.procedure.progress import Turned
from bridge.procedure.steps import Step

FINISHED: Final = "finished"


def write_entry(connection: sqlite3.Connection, calibration: str, entry: Entry) -> str:
    """Write one entry within a transaction of the caller; return the id of the trim that it is about, else "".

    Raises
    ------
    EntryRefusedError
        When the entry makes no sense. Nothing was written then.
    """
    match entry:
        case EventEntry():
            write_event(connection, calibration, entry)
            return ""
        case InHandEntry(turned, at_ns, is_over):
            kind, said = (LET_GO, "let go") if is_over else (IN_HAND, "in hand")
            write_turned(connection, calibration, kind, turned, f"track {turned.track} {said}", at_ns)
            return ""
        case WithdrawalEntry():
            return _withdraw(connection, calibration, entry)
        case ReinstatementEntry():
            return _reinstate(connection, calibration, entry)
    if _is_ended(connection, calibration):
        raise EntryRefusedError(f"calibration {calibration} is finished: start again to begin another")
    return _write_into_open(connection, calibration, entry)


def _write_into_open(connection: sqlite3.Connection, calibration: str, entry: Entry) -> str:
    match entry:
        case TurnedEntry(turned, message, at_ns):
            write_turned(connection, calibration, TURNED, turned, message, at_ns)
        case TrimEntry():
            return insert_trim(connection, calibration, entry, time.time_ns())
        case NoteEntry():
            connection.execute(
                "INSERT INTO notes (calibration, text, at_ns) VALUES (?, ?, ?)", (calibration, entry.text, entry.at_ns)
            )
        case PositionEntry():
            write_position(connection, calibration, entry.step, entry.bank, entry.at_ns)
        case ConfirmationEntry(confirmed):
            connection.execute(
                "INSERT INTO confirmations (calibration, item, by_whom, at_ns) VALUES (?, ?, ?, ?)",
                (calibration, confirmed.item, confirmed.who, confirmed.confirmed_ns),
            )
        case TakingBackEntry(item, by, at_ns):
            message = f"{by} took back: {item}"
            write_event(connection, calibration, EventEntry(TAKEN_BACK, message, at_ns, {"item": item, "by": by}))
        case StepsEntry():
            write_steps(connection, calibration, entry.steps, entry.at_ns)
        case FinishEntry():
            end(connection, calibration, FINISHED, entry.at_ns)
    return ""


def write_event(connection: sqlite3.Connection, calibration: str, event: EventEntry) -> None:
    """Write an event."""
    connection.execute(
        "INSERT INTO events (calibration, kind, message, details, at_ns) VALUES (?, ?, ?, ?, ?)",
        (calibration, event.kind, event.message, _json(dict(event.details)), event.at_ns),
    )


def write_turned(
    connection: sqlite3.Connection, calibration: str, kind: str, turned: Turned, message: str, at_ns: int
) -> None:
    """Write what was turned, as an event that the trims from the next one on may answer."""
    details = {**_details(turned), "next_sequence": next_sequence(connection, calibration)}
    write_event(connection, calibration, EventEntry(kind, message, at_ns, details))


def _details(turned: Turned) -> dict[str, object]:
    """Return what was turned as JSON takes it: a level that is not known is none."""
    return {**asdict(turned), "level_vu": turned.level_vu if math.isfinite(turned.level_vu) else None}


def write_position(connection: sqlite3.Connection, calibration: str, step: int, bank: int, at_ns: int) -> None:
    """Write where a calibration stands."""
    connection.execute(
        "INSERT INTO positions (calibration, step, bank, at_ns) VALUES (?, ?, ?, ?)", (calibration, step, bank, at_ns)
    )


def write_steps(connection: sqlite3.Connection, calibration: str, steps: Sequence[Step], at_ns: int) -> None:
    """Write the steps of a calibration from now on, as the next revision of its list."""
    terms = [_json(dict(step.target_terms_db)) for step in steps]
    revision = connection.execute(
        "SELECT coalesce(max(revision), 0) + 1 FROM step_lists WHERE calibration = ?", (calibration,)
    ).fetchone()[0]
    connection.execute("INSERT INTO step_lists VALUES (?, ?, ?)", (calibration, revision, at_ns))
    connection.executemany(
        "INSERT INTO steps VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [
            (
                calibration,
                revision,
                number,
                step.adjustment,
                step.tone_hz,
                step.speed_ips,
                step.target_vu,
                step.tolerance_db,
                text,
            )
            for number, (step, text) in enumerate(zip(steps, terms, strict=True), start=1)
        ],
    )


def _withdraw(connection: sqlite3.Connection, calibration: str, entry: WithdrawalEntry) -> str:
    trim_id, withdrawal = _find(connection, calibration, entry.trim_id)
    if withdrawal is not None:
        raise EntryRefusedError(f"trim {trim_id} is already withdrawn")
    connection.execute(
        "INSERT INTO withdrawals (trim, reason, by_whom, withdrawn_ns) VALUES (?, ?, ?, ?)",
        (trim_id, entry.reason, entry.by, entry.at_ns),
    )
    return trim_id


def _reinstate(connection: sqlite3.Connection, calibration: str, entry: ReinstatementEntry) -> str:
    trim_id, withdrawal = _find(connection, calibration, entry.trim_id)
    if withdrawal is None:
        raise EntryRefusedError(f"trim {trim_id} is not withdrawn: it stands")
    connection.execute("INSERT INTO reinstatements VALUES (?, ?, ?)", (withdrawal, entry.by, entry.at_ns))
    return trim_id


def _find(connection: sqlite3.Connection, calibration: str, asked: str) -> tuple[str, int | None]:
    """Return the id of a trim and its withdrawal, None while it stands."""
    asked = asked.strip()
    trim_id = f"{calibration}.{int(asked)}" if asked.isascii() and asked.isdigit() else asked
    row = connection.execute(
        f"SELECT trims.id, withdrawals.entry FROM trims LEFT JOIN {WITHDRAWALS} WHERE trims.id = ?", (trim_id,)
    ).fetchone()
    if row is None:
        whose = "" if trim_id == asked else ": a number alone is one of the calibration that is open now"
        raise EntryRefusedError(f"there is no trim {trim_id or 'without an id'}{whose}")
    return trim_id, row[1]


def end(connection: sqlite3.Connection, calibration: str, reason: str, at_ns: int) -> None:
    """End a calibration."""
    connection.execute("INSERT INTO endings VALUES (?, ?, ?)", (calibration, reason, at_ns))


def _is_ended(connection: sqlite3.Connection, calibration: str) -> bool:
    return connection.execute("SELECT 1 FROM endings WHERE calibration = ?", (calibration,)).fetchone() is not None


def _json(value: object) -> str:
    try:
        return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    except (TypeError, ValueError) as error:
        raise EntryRefusedError(f"{value!r} does not go into JSON: {error}") from error
