"""Every published frame as rows of a CSV file: frames in, one row a track out."""

import math
from pathlib import Path
from typing import Final

from bridge.readings import Frame, Trim

COLUMNS: Final = ("position_s", "track", "vu", "deviation_db", "fine_db", "spread_db", "hz", "state")


class ReadingsFile:
    """A CSV file (RFC 4180) of readings. What is not known is left empty.

    Parameters
    ----------
    path : Path
        The file; one that exists is replaced.

    Raises
    ------
    OSError
        When it cannot be written.
    """

    def __init__(self, path: Path) -> None:
        self._file = path.open("w", encoding="utf-8", newline="")
        self._file.write(f"{','.join(COLUMNS)}\r\n")

    def publish(self, frame: Frame, now_s: float) -> None:  # noqa: ARG002 - positions, not the time of day
        """Write a frame."""
        position, hz = f"{frame.position_s:.4f}", f"{frame.tone_hz:.3f}"
        # Nothing here ever needs quotes.
        self._file.writelines(
            f"{position},{one.track},{one.vu:.4f},{one.deviation_db:.4f},"
            f"{_figure(one.fine_db)},{_figure(one.spread_db)},{hz},{one.state}\r\n"
            for one in frame.readings
        )

    def announce(self, trim: Trim, trim_id: str, now_s: float) -> None:
        """Trims are in the log."""

    def close(self) -> None:
        """Write out what waits, and close the file."""
        self._file.close()


def _figure(level_db: float) -> str:
    return "" if math.isnan(level_db) else f"{level_db:.4f}"
