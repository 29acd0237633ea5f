"""The log for other programs: trims in, lines of JSON or CSV out, one trim at a time.

Levels are rounded to 0.001 dB (the fine level is accurate to 0.01 dB), times to 1 ms, frequencies to 0.001 Hz, speeds
to 0.0001 ips. ``within_tolerance`` is judged on the rounded figures, so that nobody finds a 0.250 dB that is not within
0.250 dB; bias, which is measured from its peak, is not judged. What was not measured or judged is ``null`` in JSON and
empty in CSV, and so is the kind in logs of older programs. Times are ISO 8601 in UTC with milliseconds.
"""

import csv
import io
import json
import math
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime, timedelta
from typing import Final

from bridge.log.queries import LoggedTrim
from bridge.readings import Trim

COLUMNS: Final = (
    "id", "calibration", "machine", "track", "path", "adjustment", "tone_hz", "speed_ips", "target_vu", "as_found_db",
    "as_left_db", "spread_db", "tolerance_db", "within_tolerance", "started_s", "settled_s", "started_at",
    "settled_at", "origin", "withdrawn", "standard_error_db", "kind",
)  # fmt: skip
"""The fields of an exported trim, in this order; new ones join at the end, where no reader counts on another."""

CSV_BEGINS: Final = ",".join(COLUMNS[:8])
"""How an export as CSV begins, also one of an older program."""

Record = dict[str, str | int | float | bool | None]


def record_of(logged: LoggedTrim) -> Record:
    """Return a trim as it is exported: the fields `COLUMNS`."""
    trim = logged.trim
    as_left_db = _rounded(trim.as_left_db)
    tolerance_db = _rounded(trim.tolerance_db)
    return {
        "id": logged.id,
        "calibration": logged.calibration,
        "machine": trim.machine,
        "track": trim.track,
        "path": trim.path,
        "adjustment": trim.adjustment,
        "tone_hz": _rounded(trim.tone_hz),
        "speed_ips": _rounded(trim.speed_ips, 4),
        "target_vu": _rounded(trim.target_vu),
        "as_found_db": _rounded(trim.as_found_db),
        "as_left_db": as_left_db,
        "spread_db": _rounded(trim.spread_db),
        "tolerance_db": tolerance_db,
        "within_tolerance": _within(trim, as_left_db, tolerance_db),
        "started_s": _rounded(trim.started_s),
        "settled_s": _rounded(trim.settled_s),
        "started_at": iso_8601(trim.started_ns),
        "settled_at": iso_8601(trim.settled_ns),
        "origin": trim.origin,
        "withdrawn": logged.withdrawal is not None,
        "standard_error_db": _rounded(trim.standard_error_db),
        "kind": trim.kind,
    }


def jsonl(logged: Iterable[LoggedTrim]) -> Iterator[str]:
    """Yield one JSON object a trim, each with its line feed."""
    for one in logged:
        yield json.dumps(record_of(one), ensure_ascii=False, allow_nan=False) + "\n"


def csv_lines(logged: Iterable[LoggedTrim]) -> Iterator[str]:
    """Yield the header and one record a trim, as RFC 4180 writes them: CRLF, quotes where needed and doubled."""
    line = io.StringIO(newline="")
    writer = csv.writer(line, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    yield line.getvalue()
    for one in logged:
        line.seek(0)
        line.truncate()
        writer.writerow([_csv_value(value) for value in record_of(one).values()])
        yield line.getvalue()


def _within(trim: Trim, as_left_db: float | None, tolerance_db: float | None) -> bool | None:
    if trim.within_tolerance is None:
        return None
    return as_left_db is not None and tolerance_db is not None and abs(as_left_db) <= tolerance_db


def iso_8601(unix_ns: int) -> str:
    """Return a Unix time as ISO 8601 in UTC, cut to milliseconds: ``2026-11-25T09:30:00.125Z``."""
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=unix_ns // 1_000_000)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _rounded(value: float, places: int = 3) -> float | None:
    # Adding 0.0 turns -0.0 into 0.0, which some readers would show as a deviation with a sign.
    return round(value, places) + 0.0 if math.isfinite(value) else None


def _csv_value(value: str | float | bool | None) -> str | float | None:
    return ("true" if value else "false") if isinstance(value, bool) else value
