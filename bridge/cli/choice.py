"""Which calibration is meant: the log and what was asked for in; one calibration out."""

import sqlite3
from typing import TYPE_CHECKING, Final

from bridge.cli.failures import FailedError

if TYPE_CHECKING:
    from bridge.log.queries import LoggedCalibration

LAST: Final = "last"
"""Stands for the newest calibration that holds a trim."""

LAST_MEANT: Final = f"`{LAST}` = the newest that holds a trim."
"""The same for the help texts."""


def chosen(connection: sqlite3.Connection, calibration: str) -> "LoggedCalibration":
    """Return a calibration by its id, or by ``last``: the one that begins when another is finished holds nothing yet.

    Without any trim in the log ``last`` is the newest calibration.

    Raises
    ------
    FailedError
        When there is none of that id, or none at all.
    """
    # The help texts need the words alone, not this.
    from bridge.log import queries

    known = list(queries.calibrations(connection))
    if not known:
        raise FailedError("there is no calibration in the log yet")
    last = next((one for one in reversed(known) if one.trims), known[-1])
    found = last if calibration == LAST else next((one for one in known if one.id == calibration), None)
    if found is None:
        raise FailedError(f"there is no calibration {calibration} in the log: `{LAST}` is {last.id}")
    return found
