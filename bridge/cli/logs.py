"""The log, read by people and by other programs: `trims` and `export`. The daemon may be writing meanwhile."""

import json
import sqlite3
import sys
from collections.abc import Iterator, Sequence
from contextlib import closing
from pathlib import Path
from typing import Final

from rich.console import Console
from rich.table import Table

from bridge.cli.failures import FailedError
from bridge.log import export, queries
from bridge.log.queries import LoggedTrim, Selection
from bridge.log.store import default_path, open_reader

LAST: Final = "last"


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
    with closing(open_reader(log or default_path())) as connection:
        selected = _select(connection, calibration, tracks, with_withdrawn=True)
        if as_json:
            json.dump([export.record_of(one) for one in selected], sys.stdout, ensure_ascii=False, indent=1)
            print()
            return
        machines = {one.id: one.machine for one in queries.calibrations(connection)}
        console = Console()
        shown = 0
        table = None
        under_way = ""
        for one in selected:
            if table is None or one.calibration != under_way:
                if table is not None:
                    console.print(table)
                under_way = one.calibration
                table = _table(f"{machines[under_way]}, calibration {under_way}")
            table.add_row(*_row(one))
            shown += 1
        if table is not None:
            console.print(table)
        if shown == 0:
            print("no trims")


def _table(title: str) -> Table:
    table = Table(title=title, title_justify="left", box=None, header_style="bold", pad_edge=False)
    for heading, right in (
        ("trim", False), ("track", True), ("adjustment", False), ("tone Hz", True), ("in/s", True), ("target VU", True),
        ("found dB", True), ("left dB", True), ("± dB", True), ("verdict", False), ("settled", False),
    ):  # fmt: skip
        table.add_column(heading, justify="right" if right else "left", no_wrap=True)
    return table


def _row(one: LoggedTrim) -> tuple[str, ...]:
    trim = one.trim
    record = export.record_of(one)
    verdict = "within" if record["within_tolerance"] else "outside"
    return (
        one.id,
        str(trim.track),
        trim.adjustment,
        f"{trim.tone_hz:g}",
        f"{trim.speed_ips:g}",
        f"{trim.target_vu:+.2f}",
        f"{trim.as_found_db:+.2f}",
        f"{trim.as_left_db:+.2f}",
        f"{trim.spread_db:.2f}",
        "withdrawn" if one.withdrawal else f"{verdict} {trim.tolerance_db:g}",
        str(record["settled_at"]).replace("T", " ").removesuffix("Z"),
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
    with closing(open_reader(log or default_path())) as connection:
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
