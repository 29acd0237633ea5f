"""The life of a calibration in the log: begun or resumed, written entry by entry, finished.

Which calibration is resumed: the newest of this machine that is not finished, if its last entry is at most
`RESUME_WITHIN_S` old and every trim in it (but for withdrawn ones) still belongs to a step, as
`bridge.procedure.steps.belongs` says. Steps may have joined, left, moved or got another tolerance: the trims are as
true as before, the new list is written, and the position follows its step. When the target of a logged trim has
changed, trims for two targets would stand side by side as one calibration: the old one is ended, with the reason, and a
new one begun.
"""

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

import bridge
from bridge.log.faults import LogError
from bridge.log.queries import (
    TURNED,
    LoggedTrim,
    Selection,
    confirmations_of,
    in_hand_of,
    position_of,
    steps_of,
    trims,
    turned_of,
)
from bridge.log.writing import end, write_position, write_steps, write_turned
from bridge.procedure.preparation import Confirmation
from bridge.procedure.progress import Turned
from bridge.procedure.steps import Step, belongs
from bridge.units import signed

RESUME_WITHIN_S: Final = 72 * 3600.0
"""A calibration left on Friday evening goes on on Monday morning; next month's is another one."""

_PROGRAM: Final = f"trimbridge {bridge.__version__}"


@dataclass(frozen=True, slots=True)
class Opening:
    """What the daemon starts with. ``config`` is the text of the config used, ``at_ns`` Unix time.

    ``fresh`` begins a new calibration also where one could be resumed.
    """

    machine: str
    config: str
    steps: Sequence[Step]
    at_ns: int
    fresh: bool = False
    resume_within_s: float = RESUME_WITHIN_S


@dataclass(frozen=True, slots=True)
class Resumption:
    """Where the calibration stands, for the procedure to take up.

    ``step`` is 1… (0 without steps), ``bank`` 1…. ``trims`` are all so far in the order of their numbers, withdrawn
    ones marked; ``turned`` is what was turned since and not logged, ``confirmations`` are the preparations confirmed so
    far. ``replaced`` says why an unfinished
    calibration was not resumed; empty when there was none.
    """

    calibration: str
    resumed: bool
    step: int
    bank: int
    trims: tuple[LoggedTrim, ...] = ()
    turned: tuple[Turned, ...] = ()
    confirmations: tuple[Confirmation, ...] = ()
    next_sequence: int = 1
    replaced: str = ""


def begin_or_resume(connection: sqlite3.Connection, opening: Opening) -> Resumption:
    """Take up the unfinished calibration of the machine, or begin a new one. Within a transaction of the caller."""
    row = connection.execute(
        "SELECT id FROM calibrations WHERE machine = ? AND id NOT IN (SELECT calibration FROM endings) "
        "ORDER BY number DESC LIMIT 1",
        (opening.machine,),
    ).fetchone()
    if row is None:
        return _begin(connection, opening, "")
    unfinished = row[0]
    logged = tuple(trims(connection, Selection(calibration=unfinished)))
    _keep_turned(connection, unfinished, logged, opening.at_ns)
    obstacle = _obstacle(connection, unfinished, logged, opening)
    if not obstacle:
        return _resume(connection, unfinished, logged, opening)
    resumption = _begin(connection, opening, f"{unfinished} was not resumed: {obstacle}")
    end(connection, unfinished, f"replaced by {resumption.calibration}: {obstacle}", opening.at_ns)
    return resumption


def take_up_again(connection: sqlite3.Connection, calibration: str, path: Path) -> None:
    """Make sure that a log that was opened again is the one of the calibration, with a `LogError` if it is not."""
    if connection.execute("SELECT 1 FROM calibrations WHERE id = ?", (calibration,)).fetchone() is None:
        raise LogError(f"{path} is not the log of calibration {calibration}: put that back", passing=True)


def _begin(connection: sqlite3.Connection, opening: Opening, replaced: str) -> Resumption:
    day = datetime.fromtimestamp(opening.at_ns // 1_000_000_000).astimezone().strftime("%Y%m%d")
    taken = connection.execute(
        "SELECT coalesce(max(CAST(substr(id, 10) AS INTEGER)), 0) FROM calibrations WHERE id LIKE ? || '-%'", (day,)
    ).fetchone()[0]
    calibration = f"{day}-{taken + 1}"
    connection.execute(
        "INSERT INTO calibrations (id, machine, config, program, started_ns) VALUES (?, ?, ?, ?, ?)",
        (calibration, opening.machine, opening.config, _PROGRAM, opening.at_ns),
    )
    write_steps(connection, calibration, opening.steps, opening.at_ns)
    return Resumption(calibration, resumed=False, step=min(1, len(opening.steps)), bank=1, replaced=replaced)


def _resume(
    connection: sqlite3.Connection, calibration: str, logged: tuple[LoggedTrim, ...], opening: Opening
) -> Resumption:
    before = steps_of(connection, calibration)
    step, bank = position_of(connection, calibration) or (1, 1)
    if not _are_equal(before, opening.steps):
        write_steps(connection, calibration, opening.steps, opening.at_ns)
        step = min(_follow(before, opening.steps, step), len(opening.steps))
        write_position(connection, calibration, step, bank, opening.at_ns)
    connection.execute(
        "INSERT INTO resumptions (calibration, config, program, resumed_ns) VALUES (?, ?, ?, ?)",
        (calibration, opening.config, _PROGRAM, opening.at_ns),
    )
    step = max(min(1, len(opening.steps)), min(step, len(opening.steps)))
    confirmations = confirmations_of(connection, calibration)
    next_sequence = logged[-1].sequence + 1 if logged else 1
    turned = turned_of(connection, calibration, [one for one in logged if one.withdrawal is None])
    return Resumption(calibration, True, step, bank, logged, turned, confirmations, next_sequence)


def _keep_turned(connection: sqlite3.Connection, calibration: str, logged: tuple[LoggedTrim, ...], at_ns: int) -> None:
    """Write down as turned what was in hand when the program before was killed."""
    for turned in in_hand_of(connection, calibration, logged):
        message = f"track {turned.track} was turned just before the program was cut off: not logged"
        write_turned(connection, calibration, TURNED, turned, message, at_ns)


def _obstacle(
    connection: sqlite3.Connection, calibration: str, logged: tuple[LoggedTrim, ...], opening: Opening
) -> str:
    if opening.fresh:
        return "a new calibration was asked for"
    age_s = (opening.at_ns - _last_entry_ns(connection, calibration)) / 1e9
    if age_s > opening.resume_within_s:
        return f"its last entry is {age_s / 3600.0:.0f} hours old"
    for one in logged:
        trim = one.trim
        if one.withdrawal is None and not any(belongs(one.trim, step) for step in opening.steps):
            return (
                f"trim {one.id} was made for {trim.adjustment} at {trim.tone_hz:g} Hz, {trim.speed_ips:g} in/s to "
                f"{signed(trim.target_vu)} VU, which is not among the steps now"
            )
    return ""


def _are_equal(before: Sequence[Step], now: Sequence[Step]) -> bool:
    return [_figures(step) for step in before] == [_figures(step) for step in now]


def _figures(step: Step) -> tuple[object, ...]:
    terms = {name: float(value) for name, value in step.target_terms_db.items()}
    return *_place(step), step.target_vu, step.tolerance_db, terms


def _place(step: Step) -> tuple[object, ...]:
    return step.adjustment, step.tone_hz, step.speed_ips


def _follow(before: Sequence[Step], now: Sequence[Step], number: int) -> int:
    """Find the step ``number`` of the list before in the list now; the first step when it has left."""
    if not 1 <= number <= len(before):
        return 1
    places = [_place(step) for step in before]
    place = places[number - 1]
    occurrence = places[: number - 1].count(place)
    found = [index for index, step in enumerate(now, start=1) if _place(step) == place]
    return found[min(occurrence, len(found) - 1)] if found else 1


def _last_entry_ns(connection: sqlite3.Connection, calibration: str) -> int:
    row = connection.execute(
        "SELECT max(at_ns) FROM ("
        "SELECT started_ns AS at_ns FROM calibrations WHERE id = :id "
        "UNION ALL SELECT resumed_ns FROM resumptions WHERE calibration = :id "
        "UNION ALL SELECT committed_ns FROM trims WHERE calibration = :id "
        "UNION ALL SELECT at_ns FROM positions WHERE calibration = :id)",
        {"id": calibration},
    ).fetchone()
    return int(row[0])
