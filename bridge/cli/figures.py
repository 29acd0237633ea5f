"""Figures for people: levels with their sign, and no more digits of a trim than its standard error carries."""

import math
from datetime import datetime
from typing import Final

from bridge.config.faults import printable
from bridge.log.queries import LoggedLine
from bridge.readings import Trim, TrimKind
from bridge.units import FINEST_DB, UNKNOWN, signed

KINDS: Final = "v = right and not touched, u = put back to where it was, h = by hand"

_MARKS: Final[dict[TrimKind | None, str]] = {"verified": " v", "undone": " u", "by hand": " h"}


def counted(number: int, what: str) -> str:
    """Return a number of things; ``what`` is the name of one, with an s where there are several."""
    return f"{number} {what}{'' if number == 1 else 's'}"


def found_of(trim: Trim) -> str:
    """Return what a track was found at."""
    return signed(trim.as_found_db, trim.resolution_db)


def left_of(trim: Trim) -> str:
    """Return what a track was left at."""
    return signed(trim.as_left_db, trim.resolution_db)


def error_of(trim: Trim) -> str:
    """Return the standard error of what a track was left at."""
    return UNKNOWN if math.isnan(trim.standard_error_db) else f"{max(trim.standard_error_db, FINEST_DB):.2f}"


def error_and_kind_of(trim: Trim) -> str:
    """Return the standard error, and a letter behind it where a trim is not simply one: see `KINDS`."""
    return f"{error_of(trim)}{_MARKS.get(trim.kind, '')}"


def time_of_day(unix_ns: int) -> str:
    """Return a Unix time as local time of day."""
    return datetime.fromtimestamp(unix_ns / 1e9).astimezone().strftime("%H:%M:%S")


def note_line(note: LoggedLine) -> str:
    """Return a note as one line."""
    return f"{time_of_day(note.at_ns)}  note: {printable(note.text)}"
