"""The log, read by people and by other programs: `trims` and `export`. The daemon may be writing meanwhile."""

import itertools
import json
import sqlite3
import sys
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Final

from bridge.cli.failures import FailedError
from bridge.cli.figures import UNKNOWN, error_of, found_of, left_of, signed, time_of_day
from bridge.cli.spared import spare
from bridge.cli.tables import show, table
from bridge.log import export, queries
from bridge.log.faults import fault_of
from bridge.log.queries import LoggedTrim, Selection
from bridge.log.store import default_path, open_reader

LAST: Final = "last"

HEADINGS: Final = (
    ">no.", ">track", ">adjustment", ">Hz", ">in/s", ">target", ">found", ">left", ">±", ">kind", ">verdict",
    ">settled",
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
    known = [one.id for one in queries.calibrations(connection)]
    if calibration == LAST:
        calibration = known[-1] if known else None
    elif calibration is not None and calibration not in known:
        newest = f"the newest is {known[-1]}" if known else "there is none yet"
        raise FailedError(f"there is no calibration {calibration} in the log: {newest}")
    selection = Selection(calibration=calibration, tracks=frozenset(tracks) or None, with_withdrawn=with_withdrawn)
    return queries.trims(connection, selection)


def show_trims(log: Path | None, *, calibration: str | None, tracks: Sequence[int], as_json: bool) -> None:
    """Print the trims, a row each, grouped by calibration."""
    with _reading(log or default_path()) as connection:
        selected = _select(connection, calibration, tracks, with_withdrawn=True)
        if as_json:
            json.dump([export.record_of(one) for one in selected], sys.stdout, ensure_ascii=False, indent=1)
            print()
            return
        machines = {one.id: one.machine for one in queries.calibrations(connection)}
        found = False
        for calibration_id, group in itertools.groupby(selected, key=lambda one: one.calibration):
            found = True
            title = f"{machines[calibration_id]}, calibration {calibration_id}"
            show(table(*HEADINGS, title=title), [_row(one) for one in group])
        if not found:
            print("no trims")


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
        trim.kind or UNKNOWN,
        verdict,
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
            with output.open("w", encoding="utf-8", newline="") as file:
                file.writelines(lines)
