"""The log, read by people and by other programs: `trims` and `export`. The daemon may be writing meanwhile."""

import json
import sqlite3
import sys
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Final

from bridge.cli.choice import chosen
from bridge.cli.figures import error_of, found_of, left_of, note_line, time_of_day
from bridge.cli.output_file import spare, write_whole
from bridge.cli.tables import show_with_lines
from bridge.log import export, queries
from bridge.log.faults import fault_of
from bridge.log.queries import LoggedLine, LoggedTrim, Selection
from bridge.log.store import default_path, open_reader
from bridge.units import signed

HEADINGS: Final = (
    ">no.", ">track", ">adjustment", ">Hz", ">in/s", ">target", ">found", ">left", ">±", "verdict", ">settled",
)  # fmt: skip


@contextmanager
def _reading(path: Path) -> Iterator[sqlite3.Connection]:
    """Open a log for reading; what SQLite finds wrong on the way is said as at the opening."""
    with closing(open_reader(path)) as connection:
        try:
            yield connection
        except sqlite3.Error as error:
            raise fault_of(error, path) from error


def _select(
    connection: sqlite3.Connection, calibration: str | None, tracks: Sequence[int], with_withdrawn: bool
) -> Iterator[LoggedTrim]:
    named = None if calibration is None else chosen(connection, calibration).id
    selection = Selection(calibration=named, tracks=frozenset(tracks) or None, with_withdrawn=with_withdrawn)
    return queries.trims(connection, selection)


def show_trims(log: Path | None, *, calibration: str | None, tracks: Sequence[int], as_json: bool) -> None:
    """Print the trims, a row each, grouped by calibration; notes stand between them in their place in time."""
    with _reading(log or default_path()) as connection:
        if as_json:
            selected = _select(connection, calibration, tracks, with_withdrawn=True)
            json.dump([export.record_of(one) for one in selected], sys.stdout, ensure_ascii=False, indent=1)
            print()
            return
        found = False
        for one in queries.calibrations(connection) if calibration is None else (chosen(connection, calibration),):
            selection = Selection(calibration=one.id, tracks=frozenset(tracks) or None)
            items = _with_notes(queries.trims(connection, selection), queries.notes(connection, one.id))
            if items:
                found = True
                show_with_lines(HEADINGS, items, title=f"{one.machine}, calibration {one.id}")
        if not found:
            print("no trims")


def _with_notes(trims: Iterable[LoggedTrim], notes: Iterable[LoggedLine]) -> list[tuple[str, ...] | str]:
    """Return a row for each trim, and each note as a line in its place in time."""
    items: list[tuple[str, ...] | str] = []
    waiting = deque(notes)
    for one in trims:
        while waiting and waiting[0].at_ns < one.trim.settled_ns:
            items.append(note_line(waiting.popleft()))
        items.append(_row(one))
    return [*items, *map(note_line, waiting)]


def _row(one: LoggedTrim) -> tuple[str, ...]:
    trim = one.trim
    if one.withdrawal:
        verdict = "withdrawn"
    elif trim.within_tolerance is None:
        verdict = "from its peak"
    else:
        verdict = f"{'within' if export.record_of(one)['within_tolerance'] else 'outside'} {trim.tolerance_db:g}"
    return (
        str(one.sequence),
        str(trim.track),
        trim.adjustment,
        f"{trim.tone_hz:g}",
        f"{trim.speed_ips:g}",
        signed(trim.target_vu),
        found_of(trim),
        left_of(trim),
        error_of(trim),
        f"{trim.kind}, {verdict}" if trim.kind else verdict,
        time_of_day(trim.settled_ns),
    )


def export_trims(
    log: Path | None,
    *,
    as_csv: bool,
    calibration: str | None,
    tracks: Sequence[int],
    output: Path | None,
    with_withdrawn: bool,
) -> None:
    """Write the trims as JSON lines or CSV."""
    path = log or default_path()
    if output is not None:
        spare(output, path, begins=export.CSV_BEGINS.encode() if as_csv else b'{"id": ')
    with _reading(path) as connection:
        selected = _select(connection, calibration, tracks, with_withdrawn)
        lines = export.csv_lines(selected) if as_csv else export.jsonl(selected)
        if output is None:
            # The lines bring their own ends, also on Windows.
            sys.stdout.reconfigure(encoding="utf-8", newline="")  # type: ignore[union-attr]
            sys.stdout.writelines(lines)
            sys.stdout.flush()
        else:
            write_whole(output, "".join(lines))
