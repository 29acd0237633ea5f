"""What can go wrong with the log: SQLite's and the system's errors in, one plain line out."""

import shutil
import sqlite3
from pathlib import Path

_FULL_BYTES = 256 * 1024
"""Less free space than this and a disk is as good as full: a commit with its checkpoint needs some tens of pages."""


_LOCKED = ("SQLITE_BUSY", "SQLITE_LOCKED")


_WORDS = {
    "SQLITE_READONLY": "the log {path} is read-only: give write permission to the file and its directory",
    "SQLITE_BUSY": "another program keeps the log {path} locked: close it",
    "SQLITE_LOCKED": "another program keeps the log {path} locked: close it",
    "SQLITE_CANTOPEN": "the log {path} cannot be opened: look at the permissions of the file and its directory",
    "SQLITE_IOERR": "the disk with the log {path} reports an error ({name}): full, over quota, or failing",
}


class LogError(Exception):
    """The log cannot be used. The message is one line for a person.

    Parameters
    ----------
    message : str
        What is wrong, where, and what would be right.
    passing : bool
        Whether this may pass by itself or be put right under the running program (disk full, read-only, locked), so
        that metering goes on and the log is tried again. False for what needs another file or another program.
    locked : bool
        Whether nothing is wrong but that another program keeps the log locked.
    """

    def __init__(self, message: str, *, passing: bool = False, locked: bool = False) -> None:
        super().__init__(message)
        self.passing = passing
        self.locked = locked


def is_lock(error: sqlite3.Error) -> bool:
    """Say whether an error means that another connection holds a lock."""
    return getattr(error, "sqlite_errorname", "").startswith(_LOCKED)


def fault_of(error: sqlite3.Error | OSError, path: Path) -> LogError:
    """Say in plain words what an error means for the log at ``path``."""
    if isinstance(error, OSError):
        return LogError(f"the log {path} cannot be used: {error.strerror or error}", passing=True)
    name = getattr(error, "sqlite_errorname", "") or type(error).__name__
    if name.startswith("SQLITE_NOTADB"):
        return LogError(f"{path} is not a log of this program: name another file")
    if name.startswith("SQLITE_CORRUPT"):
        return damaged(path, str(error))
    return LogError(_passing_words(name, str(error), path), passing=True, locked=is_lock(error))


def damaged(path: Path, finding: str) -> LogError:
    """Return the fault of a log whose pages do not fit together."""
    # SQLite puts the name that it has for the database on a line before what it found.
    finding = " ".join(finding.rpartition("***\n")[2].split())
    return LogError(f"the log {path} is damaged ({finding}): keep the file for recovery and name a new log")


def _passing_words(name: str, text: str, path: Path) -> str:
    if name == "SQLITE_FULL" or (name.startswith(("SQLITE_IOERR", "SQLITE_CANTOPEN")) and _disk_is_full(path)):
        return f"the disk with the log {path} is full: make space"
    if name.startswith("SQLITE_CANTOPEN") and not path.parent.is_dir():
        return f"the directory of the log {path} is missing"
    for prefix, words in _WORDS.items():
        if name.startswith(prefix):
            return words.format(path=path, name=name)
    return f"the log {path} cannot be written: {text} ({name})"


def _disk_is_full(path: Path) -> bool:
    try:
        return shutil.disk_usage(path.parent).free < _FULL_BYTES
    except OSError:
        return False
