"""A calibration as a whole: the log in; as found and as left of every track in every step, and what is missing, out.

A track is complete in a step by what stands in the log, as `bridge.procedure.progress` says.
"""

import sqlite3
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from bridge.cli.choice import chosen
from bridge.log import queries
from bridge.log.queries import LoggedCalibration, LoggedLine, LoggedTrim, Selection
from bridge.procedure.preparation import Confirmation
from bridge.procedure.progress import TRACKS_TOLD, Missing, Turned, turned_told
from bridge.procedure.steps import Step, belongs, speed_told


@dataclass(frozen=True, slots=True)
class Sheet:
    """One calibration: for each step and track the first and the last trim that stands; a track without is missing.

    So is one that was turned since and not logged, or is in hand. ``notes`` stand in the order of time, each with the
    last trim that had settled before it, if any. ``tape`` is what the config said of the calibration tapes, in words;
    empty when it said nothing.
    """

    calibration: LoggedCalibration
    tracks: tuple[int, ...]
    steps: tuple[Step, ...]
    cells: tuple[dict[int, tuple[LoggedTrim, LoggedTrim]], ...]
    turned: tuple[Turned, ...]
    notes: tuple[tuple[LoggedLine, LoggedTrim | None], ...]
    confirmations: tuple[Confirmation, ...]
    tape: str

    @property
    def missing(self) -> tuple[Missing, ...]:
        """What never got into the log, was withdrawn, or was turned since."""
        lacking = (
            tuple(track for track in self.tracks if track not in cells or self._is_turned(step, track))
            for step, cells in zip(self.steps, self.cells, strict=True)
        )
        return self._of_steps(lacking)

    @property
    def unlogged(self) -> tuple[Missing, ...]:
        """What was turned since it was logged last, or is in hand: of what is missing, what a hand has changed."""
        return self._of_steps(
            tuple(track for track in self.tracks if self._is_turned(step, track)) for step in self.steps
        )

    def _of_steps(self, tracks_of_steps: Iterable[tuple[int, ...]]) -> tuple[Missing, ...]:
        """Return the tracks of each step that has any, with its number and its speed."""
        return tuple(
            Missing(number, tracks, speed_told(self.steps[number - 1], self.steps))
            for number, tracks in enumerate(tracks_of_steps, 1)
            if tracks
        )

    @property
    def turned_text(self) -> str:
        """The same in words; empty when there is nothing of it."""
        return turned_told(self.unlogged, self.steps)

    def _is_turned(self, step: Step, track: int) -> bool:
        return any(one.track == track and belongs(one, step) for one in self.turned)

    @property
    def standing(self) -> str:
        """How it stands, behind its name: empty when it has ended with nothing missing."""
        if not self.calibration.ending:
            return ", still open" if self.missing else ", all logged, still open"
        return ", ended with something missing" if self.missing else ""


def sheet_of(connection: sqlite3.Connection, calibration: str) -> Sheet:
    """Return a calibration by its id or by ``last``, as `bridge.cli.choice` says.

    Raises
    ------
    FailedError
        When there is none of that id, or none at all.
    """
    return _sheet(connection, chosen(connection, calibration))


def _sheet(connection: sqlite3.Connection, calibration: LoggedCalibration) -> Sheet:
    logged = list(queries.trims(connection, Selection(calibration=calibration.id)))
    standing = [one for one in logged if one.withdrawal is None]
    steps = queries.steps_of(connection, calibration.id)
    told = [line.details for line in queries.lines(connection, calibration.id) if line.kind == TRACKS_TOLD]
    named = told[-1].get("tracks") if told else None
    # A log of an older program does not say which tracks there are.
    tracks = named if isinstance(named, list) else {one.trim.track for one in standing}
    cells = tuple(_cells(step, standing) for step in steps)
    # What is in hand is that still, or was when the program was killed: the log has not been opened since.
    in_hand = queries.in_hand_of(connection, calibration.id, logged)
    turned = (*queries.turned_of(connection, calibration.id, standing), *in_hand)
    notes = tuple((note, _before(note, standing)) for note in queries.notes(connection, calibration.id))
    confirmations = queries.confirmations_of(connection, calibration.id)
    tape = _tape(queries.config_of(connection, calibration.id) or "")
    return Sheet(calibration, tuple(sorted(tracks)), steps, cells, turned, notes, confirmations, tape)


def _tape(config: str) -> str:
    """Return what a config says of the calibration tapes; it may be that of an older program."""
    try:
        tapes = tomllib.loads(config).get("tape", {})
    except tomllib.TOMLDecodeError:
        return ""
    several = tapes if isinstance(tapes, list) else [tapes]
    return "; ".join(filter(None, (_of_tape(tape) for tape in several if isinstance(tape, dict))))


def _of_tape(tape: dict[str, Any]) -> str:
    said = [
        str(tape.get("name") or ""),
        f"{tape['fluxivity_nwb_per_m']} nWb/m" if "fluxivity_nwb_per_m" in tape else "",
        f"{tape['speed_ips']} in/s" if "speed_ips" in tape else "",
        str(tape["equalization"]) if isinstance(tape.get("equalization"), str) else "",
        f"as in {tape['use']}" if "use" in tape else "",
    ]
    return ", ".join(filter(None, said))


def _before(note: LoggedLine, standing: list[LoggedTrim]) -> LoggedTrim | None:
    """Return the last trim that had settled before a note."""
    return max((one for one in standing if one.trim.settled_ns <= note.at_ns), key=_settled_ns, default=None)


def _settled_ns(one: LoggedTrim) -> int:
    return one.trim.settled_ns


def _cells(step: Step, standing: list[LoggedTrim]) -> dict[int, tuple[LoggedTrim, LoggedTrim]]:
    cells: dict[int, tuple[LoggedTrim, LoggedTrim]] = {}
    for one in standing:
        if belongs(one.trim, step):
            first, _ = cells.get(one.trim.track, (one, one))
            cells[one.trim.track] = (first, one)
    return cells
