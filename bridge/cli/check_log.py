"""Whether trims can be logged: settings in, findings out. The log is only read; beside it a trial one is written."""

import os
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Final

from bridge.cli.finding import Finding
from bridge.config.settings import Settings
from bridge.daemon.setup import log_path, paired_path
from bridge.log.faults import LogError, damaged
from bridge.log.lock import WriterLock
from bridge.log.store import Store, default_path, open_reader
from bridge.wire.udp import is_loopback

LEAST_FREE_BYTES: Final = 50_000_000
"""A calibration takes less than 1 MB; below this the disk is about to be full from something else."""

OTHER_PLACE: Final = "give yourself the right to write there, or name another [log] file"


def log(settings: Settings) -> Iterator[Finding]:
    """Test the log and its disk."""
    path = log_path(settings).absolute()
    if settings.log.enabled:
        yield from _log(path)
        yield from _paired(settings)
    else:
        yield Finding("log", "note", "the log is off: no trim is kept", "set [log] enabled = true")
    yield from _disk(path)


def _log(path: Path) -> Iterator[Finding]:
    place = path.parent
    if not place.is_dir() and place != default_path().parent:
        yield Finding("log", "bad", f"the folder {place} of the log is missing", "make it, or name another [log] file")
        return
    trial = _trial(_standing(place))
    if trial is not None:
        yield trial
    faults = list(_of_file(path)) if path.exists() else []
    yield from faults
    if trial is None and not faults:
        yield Finding("log", "good", f"{path} can be written" if path.exists() else f"{path} will be made")


def _trial(place: Path) -> Finding | None:
    """Write a log beside where the real one is or will be, and remove it; return what was in the way."""
    try:
        with tempfile.TemporaryDirectory(prefix=".trimbridge-check-", dir=place) as made:
            Store(Path(made) / "trial.db").close()
    except (OSError, LogError) as error:
        said = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        return Finding("log", "bad", f"no log can be written in the folder {place}: {said}", OTHER_PLACE)
    return None


def _of_file(path: Path) -> Iterator[Finding]:
    """Look at a log that is there."""
    try:
        with closing(open_reader(path)) as connection:
            found = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
        if found != "ok":
            raise damaged(path, str(found))
    except LogError as error:
        yield Finding("log", "bad", str(error), "name another [log] file, or put this one right")
        return
    except sqlite3.Error as error:
        yield Finding("log", "bad", str(damaged(path, str(error))))
        return
    # SQLite writes into these too, once they are there.
    files = [path, *(path.with_name(path.name + ending) for ending in ("-wal", "-shm"))]
    for file in files:
        if file.exists() and not os.access(file, os.W_OK):
            yield Finding("log", "bad", f"{file} is read-only: no trim could be logged", OTHER_PLACE)
            return
    if not os.access(path.parent, os.W_OK):
        return  # told by the trial
    try:
        WriterLock(path).release()
    except LogError as error:
        yield Finding("log", "bad", str(error), "end the other one, or give [log] file another name")


def _paired(settings: Settings) -> Iterator[Finding]:
    path = paired_path(settings)
    if path is None or not settings.page.enabled or is_loopback(settings.page.listen) or not path.exists():
        return
    if not os.access(path, os.R_OK | os.W_OK):
        message = f"{path} cannot be read and written: screens would have to be paired anew"
        yield Finding("page", "bad", message, "give yourself the right to, or delete that file")


def _disk(path: Path) -> Iterator[Finding]:
    place = _standing(path.parent)
    free = shutil.disk_usage(place).free
    if free < LEAST_FREE_BYTES:
        yield Finding("disk", "bad", f"{free / 1e6:.0f} MB free at {place}", "make room: a full disk refuses trims")
    else:
        yield Finding("disk", "good", f"{free / 1e9:.1f} GB free at {place}")


def _standing(place: Path) -> Path:
    """Return the folder, or the nearest above it that is there."""
    while not place.is_dir():
        place = place.parent
    return place
