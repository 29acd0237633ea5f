"""A trim as a row of the log, and back. NaN (not measured) is NULL; everything else keeps its full precision."""

import json
import math
import sqlite3
from dataclasses import fields
from typing import Final

from bridge.log.entries import EntryRefusedError, TrimEntry
from bridge.readings import Trim

FIELDS: Final = tuple(field.name for field in fields(Trim))
MEASURED: Final = frozenset({"as_found_db", "as_left_db", "spread_db", "standard_error_db"})
"""The fields that may be NaN: a track can be logged by hand, without the stretch that a mean and its error need."""

_COLUMNS: Final = ("id", "calibration", "sequence", *FIELDS, "committed_ns", "trail")
_INSERT: Final = f"INSERT INTO trims ({', '.join(_COLUMNS)}) VALUES ({', '.join('?' * len(_COLUMNS))})"


def insert_trim(connection: sqlite3.Connection, calibration: str, entry: TrimEntry, committed_ns: int) -> str:
    """Write a trim with the next free number of its calibration; return its id.

    Raises
    ------
    EntryRefusedError
        When a field is not a number where it must be one.
    """
    values = [_value(entry.trim, name) for name in FIELDS]
    trail = _trail_text(entry.trail)
    sequence = next_sequence(connection, calibration)
    trim_id = f"{calibration}.{sequence}"
    connection.execute(_INSERT, (trim_id, calibration, sequence, *values, committed_ns, trail))
    return trim_id


def next_sequence(connection: sqlite3.Connection, calibration: str) -> int:
    """Return the number of the next trim of a calibration."""
    found = connection.execute("SELECT coalesce(max(sequence), 0) + 1 FROM trims WHERE calibration = ?", (calibration,))
    return int(found.fetchone()[0])


def trim_from(values: tuple[object, ...]) -> Trim:
    """Return the trim of a row that holds `FIELDS` in order."""
    named = dict(zip(FIELDS, values, strict=True))
    for name in MEASURED:
        if named[name] is None:
            named[name] = math.nan
    return Trim(**named)  # type: ignore[arg-type]


def trail_from(text: str | None) -> tuple[tuple[float, float], ...]:
    """Return the way between, from the text of its column."""
    return tuple((float(at_s), float(level_db)) for at_s, level_db in json.loads(text)) if text else ()


def _value(trim: Trim, name: str) -> object:
    value = getattr(trim, name)
    if isinstance(value, float):
        if math.isnan(value) and name in MEASURED:
            return None
        if not math.isfinite(value):
            raise EntryRefusedError(f"the trim of track {trim.track} has no {name} ({value})")
    return value


def _trail_text(trail: tuple[tuple[float, float], ...]) -> str | None:
    # To 1 ms and 0.001 dB: finer than any figure of it, and a third of the size.
    points = [[round(at_s, 3), round(level_db, 3)] for at_s, level_db in trail if math.isfinite(at_s + level_db)]
    return json.dumps(points, separators=(",", ":")) if points else None
