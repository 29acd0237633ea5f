"""The read side of the log: a connection of `bridge.log.store.open_reader` in, rows out one at a time."""

import json
import math
import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final

from bridge.log.trim_row import FIELDS, trail_from, trim_from
from bridge.procedure.preparation import Confirmation
from bridge.procedure.progress import Turned
from bridge.procedure.steps import Step, belongs
from bridge.readings import Trim

TAKEN_BACK: Final = "confirmation taken back"
"""The kind of event after which an item is no longer confirmed, until it is confirmed again."""

TURNED: Final = "turned"
"""The kind of event after which a track is missing until the next trim of it in the same step is logged."""

IN_HAND: Final = "in hand"
LET_GO: Final = "let go"
"""The kinds of event by which the program knows after a kill what it had not logged yet; nobody else needs them."""


@dataclass(frozen=True, slots=True)
class Withdrawal:
    """When, by whom and why a trim was withdrawn."""

    withdrawn_ns: int
    by: str
    reason: str


@dataclass(frozen=True, slots=True)
class LoggedTrim:
    """A trim with what the log knows of it."""

    id: str
    calibration: str
    sequence: int
    trim: Trim
    committed_ns: int
    withdrawal: Withdrawal | None
    trail: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class LoggedCalibration:
    """A calibration at a glance. ``ended_ns`` and ``ending`` are None and "" while it is unfinished."""

    id: str
    machine: str
    started_ns: int
    resumptions: int
    ended_ns: int | None
    ending: str
    trims: int
    withdrawn: int


@dataclass(frozen=True, slots=True)
class LoggedLine:
    """A note, an event or a confirmation: ``kind`` is ``note``, ``confirmation``, or the kind of the event."""

    calibration: str
    at_ns: int
    kind: str
    text: str
    details: dict[str, object]


@dataclass(frozen=True, slots=True)
class Selection:
    """Which trims: all by default. ``from_ns`` (included) and ``until_ns`` (not) are Unix times of settling."""

    calibration: str | None = None
    machine: str | None = None
    tracks: frozenset[int] | None = None
    from_ns: int | None = None
    until_ns: int | None = None
    with_withdrawn: bool = True


def day_ns(first: date, last: date) -> tuple[int, int]:
    """Return where the days from ``first`` to ``last``, both included, begin and end by local time, as Unix times."""
    begin = datetime(first.year, first.month, first.day).astimezone()
    after = last + timedelta(days=1)
    end = datetime(after.year, after.month, after.day).astimezone()
    return int(begin.timestamp()) * 1_000_000_000, int(end.timestamp()) * 1_000_000_000


WITHDRAWALS: Final = (
    "withdrawals ON withdrawals.trim = trims.id AND withdrawals.entry NOT IN (SELECT withdrawal FROM reinstatements)"
)
"""What trims are joined with to know which are withdrawn, and were not reinstated."""

_TRIMS: Final = (
    f"SELECT trims.id, calibration, sequence, committed_ns, trail, withdrawn_ns, by_whom, reason, {', '.join(FIELDS)} "
    f"FROM trims LEFT JOIN {WITHDRAWALS} "
)


def trims(connection: sqlite3.Connection, selection: Selection | None = None) -> Iterator[LoggedTrim]:
    """Yield the trims of a selection in the order of logging."""
    where, values = _conditions(selection or Selection())
    for row in connection.execute(f"{_TRIMS}{where} ORDER BY trims.entry", values):
        trim_id, calibration, sequence, committed_ns, trail, withdrawn_ns, by, reason, *of_trim = row
        withdrawal = None if withdrawn_ns is None else Withdrawal(withdrawn_ns, by, reason)
        trim = trim_from(tuple(of_trim))
        yield LoggedTrim(trim_id, calibration, sequence, trim, committed_ns, withdrawal, trail_from(trail))


def calibrations(connection: sqlite3.Connection) -> Iterator[LoggedCalibration]:
    """Yield all calibrations, the oldest first."""
    for row in connection.execute(
        "SELECT id, machine, started_ns, "
        "(SELECT count(*) FROM resumptions WHERE resumptions.calibration = id), ended_ns, coalesce(reason, ''), "
        "(SELECT count(*) FROM trims WHERE trims.calibration = calibrations.id), "
        f"(SELECT count(*) FROM trims JOIN {WITHDRAWALS} WHERE trims.calibration = calibrations.id) "
        "FROM calibrations LEFT JOIN endings ON endings.calibration = id ORDER BY number"
    ):
        yield LoggedCalibration(*row)


def lines(connection: sqlite3.Connection, calibration: str | None = None) -> Iterator[LoggedLine]:
    """Yield notes, events and confirmations in the order of time, of one calibration or of all.

    Not what the program writes for itself: trimmers that are in hand.
    """
    where = "" if calibration is None else "WHERE calibration = ?"
    for owner, at_ns, kind, text, details, by in connection.execute(
        "SELECT * FROM ("
        "SELECT calibration, at_ns, 'note', text, '{}', NULL FROM notes "
        "UNION ALL SELECT calibration, at_ns, 'confirmation', item, '{}', by_whom FROM confirmations "
        "UNION ALL SELECT calibration, at_ns, kind, message, details, NULL FROM events "
        f"WHERE kind NOT IN ('{IN_HAND}', '{LET_GO}')) {where} ORDER BY at_ns",
        () if calibration is None else (calibration,),
    ):
        yield LoggedLine(owner, at_ns, kind, text, json.loads(details) if by is None else {"by": by})


def notes(connection: sqlite3.Connection, calibration: str) -> list[LoggedLine]:
    """Return the notes of a calibration in the order of time."""
    return [
        LoggedLine(calibration, at_ns, "note", text, {})
        for at_ns, text in connection.execute(
            "SELECT at_ns, text FROM notes WHERE calibration = ? ORDER BY at_ns, entry", (calibration,)
        )
    ]


def steps_of(connection: sqlite3.Connection, calibration: str) -> tuple[Step, ...]:
    """Return the steps of a calibration as last written."""
    return tuple(
        Step(adjustment, tone_hz, speed_ips, target_vu, tolerance_db, json.loads(terms))
        for adjustment, tone_hz, speed_ips, target_vu, tolerance_db, terms in connection.execute(
            "SELECT adjustment, tone_hz, speed_ips, target_vu, tolerance_db, target_terms_db FROM steps "
            "WHERE calibration = :id AND revision = (SELECT max(revision) FROM step_lists WHERE calibration = :id) "
            "ORDER BY number",
            {"id": calibration},
        )
    )


def position_of(connection: sqlite3.Connection, calibration: str) -> tuple[int, int] | None:
    """Return the last step number and bank of a calibration; None before the first was written."""
    row = connection.execute(
        "SELECT step, bank FROM positions WHERE calibration = ? ORDER BY entry DESC LIMIT 1", (calibration,)
    ).fetchone()
    return None if row is None else (row[0], row[1])


def confirmations_of(connection: sqlite3.Connection, calibration: str) -> tuple[Confirmation, ...]:
    """Return what is confirmed in a calibration and was not taken back, in the order of confirming."""
    rows = connection.execute(
        "SELECT item, by_whom, at_ns FROM confirmations AS one WHERE calibration = :id AND NOT EXISTS ("
        "SELECT 1 FROM events WHERE events.calibration = :id AND kind = :taken_back "
        "AND json_extract(details, '$.item') = one.item AND events.at_ns >= one.at_ns) ORDER BY entry",
        {"id": calibration, "taken_back": TAKEN_BACK},
    )
    return tuple(Confirmation(*row) for row in rows)


def turned_of(connection: sqlite3.Connection, calibration: str, standing: Sequence[LoggedTrim]) -> tuple[Turned, ...]:
    """Return what was turned in a calibration and not logged since, the first that was read first.

    ``standing`` are the trims of the calibration that are not withdrawn.
    """
    rows = connection.execute(
        "SELECT details FROM events WHERE calibration = ? AND kind = ? ORDER BY entry", (calibration, TURNED)
    )
    turned = []
    for (text,) in rows:
        one, sequence = _turned(text)
        if not _is_logged(one, sequence, standing):
            turned.append(one)
    return tuple(sorted(turned, key=_at_ns))


def in_hand_of(connection: sqlite3.Connection, calibration: str, logged: Sequence[LoggedTrim]) -> tuple[Turned, ...]:
    """Return what was in hand in a calibration when its entries end, the first of each track and step.

    ``logged`` are all trims of the calibration: also one that was withdrawn has told of what was in hand before.
    """
    rows = connection.execute(
        "SELECT kind, details FROM events WHERE calibration = ? AND kind IN (?, ?, ?) ORDER BY entry",
        (calibration, IN_HAND, LET_GO, TURNED),
    )
    in_hand: list[tuple[Turned, int]] = []
    for kind, text in rows:
        one, sequence = _turned(text)
        if kind == IN_HAND:
            in_hand.append((one, sequence))
        elif kind == LET_GO:
            in_hand = [(other, since) for other, since in in_hand if not _is_same(one, other)]
        else:
            in_hand = [(other, since) for other, since in in_hand if not _is_of(one, other)]
    found: list[Turned] = []
    for one, sequence in in_hand:
        if not _is_logged(one, sequence, logged) and not any(_is_of(one, other) for other in found):
            found.append(one)
    return tuple(found)


def _turned(text: str) -> tuple[Turned, int]:
    """Return what was turned, and the number of the first trim that may answer it."""
    details = json.loads(text)
    sequence = details.pop("next_sequence")
    if details["level_vu"] is None:
        details["level_vu"] = math.nan
    return Turned(**details), sequence


def _is_logged(turned: Turned, sequence: int, logged: Sequence[LoggedTrim]) -> bool:
    return any(one.sequence >= sequence and _is_of(one.trim, turned) for one in logged)


def _is_of(one: Trim | Turned, turned: Turned) -> bool:
    """Say whether a trim, or what was turned, is of the same track and step."""
    return one.track == turned.track and belongs(turned, one)


def _is_same(one: Turned, other: Turned) -> bool:
    return (one.track, one.adjustment, one.at_ns) == (other.track, other.adjustment, other.at_ns)


def config_of(connection: sqlite3.Connection, calibration: str) -> str | None:
    """Return the text of the config last used for a calibration; None when there is no such calibration."""
    row = connection.execute(
        "SELECT config FROM (SELECT config, resumed_ns AS at_ns FROM resumptions WHERE calibration = :id "
        "UNION ALL SELECT config, started_ns FROM calibrations WHERE id = :id) ORDER BY at_ns DESC LIMIT 1",
        {"id": calibration},
    ).fetchone()
    return None if row is None else str(row[0])


def _conditions(selection: Selection) -> tuple[str, list[object]]:
    asked: list[tuple[str, object]] = [
        ("calibration = ?", selection.calibration),
        ("machine = ?", selection.machine),
        ("settled_ns >= ?", selection.from_ns),
        ("settled_ns < ?", selection.until_ns),
    ]
    texts = [text for text, value in asked if value is not None]
    values = [value for _, value in asked if value is not None]
    if selection.tracks is not None:
        texts.append(f"track IN ({', '.join('?' * len(selection.tracks))})")
        values.extend(sorted(selection.tracks))
    if not selection.with_withdrawn:
        texts.append("withdrawn_ns IS NULL")
    return (f"WHERE {' AND '.join(texts)}" if texts else ""), values


def _at_ns(turned: Turned) -> int:
    return turned.at_ns
