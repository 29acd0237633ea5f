"""The log file: a path in, connections out. One process writes; anyone may read at the same time.

The writer's commits are on disk when they return: WAL with ``synchronous=FULL`` syncs the write-ahead log at every
commit, and ``fullfsync`` makes that reach the medium on macOS, where a plain fsync stops at the drive's cache
(SQLite, "PRAGMA Statements").
"""

import os
import sqlite3
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

from bridge.log.faults import LogError, damaged, fault_of, is_lock
from bridge.log.lock import WriterLock
from bridge.log.schema import check_mark, migrate, newest_version, version_of

BUSY_SLICE_S: Final = 0.1
"""How long one attempt waits for a lock. Short, so that whoever repeats it can still be told to stop."""

OPENING_PATIENCE_S: Final = 2.0

_WRITER_PRAGMAS: Final = (
    "synchronous = FULL",
    "fullfsync = ON",
    "checkpoint_fullfsync = ON",
    "foreign_keys = ON",
    "trusted_schema = OFF",
)


def default_path() -> Path:
    """Return where the log is when nobody names another place: ``trimbridge.db`` in the user's data directory."""
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Application Support"
    else:
        base = Path(os.environ.get("XDG_DATA_HOME") or Path.home() / ".local" / "share")
    return base / "trimbridge" / "trimbridge.db"


class Store:
    """The writer's hold on a log: the lock, the connection, and its transactions. For one thread at a time.

    Parameters
    ----------
    path : Path
        The SQLite file. Its directory must exist, except that of `default_path`, which is made.
    create : bool
        Whether a missing file is made. A writer that opens its log again does not: a log that has vanished is a fault.
    patience_s : float
        How long opening waits for a lock: a reader that repairs the write-ahead log of a crash holds it for some ms.

    Raises
    ------
    LogError
        When the file is not ours, newer, damaged, read-only, locked, or being written by another process.
    """

    def __init__(self, path: Path, *, create: bool = True, patience_s: float = OPENING_PATIENCE_S) -> None:
        self.path = path = path.absolute()
        try:
            _check_place(path, create=create)
            _refuse_stranger(path)
            _open_up_side_files(path)
        except OSError as error:
            raise fault_of(error, path) from error
        self._lock = WriterLock(path)
        try:
            self.connection = _open_writer(path, "rwc" if create else "rw", patience_s)
        except BaseException:
            self._lock.release()
            raise
        self._identity = self._identify()

    @contextmanager
    def transaction(self, is_patient: Callable[[], bool]) -> Iterator[sqlite3.Connection]:
        """Write in one transaction that is on disk, in the file that people find under the path, when this ends.

        Parameters
        ----------
        is_patient : callable
            Asked every `BUSY_SLICE_S` while another program keeps the log locked: whether to wait on.

        Raises
        ------
        LogError
            When it could not be written; ``passing`` says whether it is worth trying again.
        """
        try:
            self._begin(is_patient)
            yield self.connection
            self._check_name()
            self.connection.execute("COMMIT")
        except BaseException as error:
            self._roll_back()
            if isinstance(error, sqlite3.Error):
                raise fault_of(error, self.path) from error
            raise
        self._check_name()

    def close(self) -> None:
        """Give up the connection and the lock. Never raises."""
        # What was committed is in the write-ahead log at worst; the next opening takes it from there. But people copy
        # the log alone, and somebody who reads keeps SQLite from emptying the other file by itself.
        with suppress(sqlite3.Error):
            self.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        with suppress(sqlite3.Error):
            self.connection.close()
        self._lock.release()

    def _begin(self, is_patient: Callable[[], bool]) -> None:
        while True:
            try:
                self.connection.execute("BEGIN IMMEDIATE")
            except sqlite3.OperationalError as error:
                if not is_lock(error) or not is_patient():
                    raise
            else:
                return

    def _check_name(self) -> None:
        """Make sure that what is written goes into the file that people will find.

        A file without a name vanishes with this process. A file with another name would lose what is in the write-ahead
        log, which keeps the old one, and a log put in its place would be spoilt by it: so that is emptied first.
        """
        if self._identify() == self._identity:
            return
        self._roll_back()
        with suppress(sqlite3.Error):
            self.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        raise LogError(f"the log {self.path} was moved or removed: put it back", passing=True)

    def _roll_back(self) -> None:
        # The caller is told of the first error; the next opening rolls back what is left.
        with suppress(sqlite3.Error):
            if self.connection.in_transaction:
                self.connection.execute("ROLLBACK")

    def _identify(self) -> tuple[tuple[int, int] | None, ...]:
        return _identity_of(self.path), _identity_of(self.path.with_name(self.path.name + "-wal"))


def open_reader(path: Path) -> sqlite3.Connection:
    """Open a log for reading, also while the daemon writes it, or from a read-only place.

    A log of an older version is read as a copy in memory that is brought to the newest.

    Raises
    ------
    LogError
        When there is no log, it is not ours, newer, or cannot be read.
    """
    path = path.absolute()
    try:
        if path.is_dir():
            raise LogError(f"{path} is a folder: name the file that `trimbridge run` writes")
        if not path.is_file():
            raise LogError(f"there is no log {path}: name the file that `trimbridge run` writes, or calibrate first")
        try:
            return _open_checked(path, "mode=ro")
        except sqlite3.OperationalError as error:
            if not getattr(error, "sqlite_errorname", "").startswith(("SQLITE_CANTOPEN", "SQLITE_READONLY")):
                raise
        # SQLite cannot make its shared memory there, so nobody can be writing.
        wal = path.with_name(path.name + "-wal")
        if wal.exists() and wal.stat().st_size > 0:
            raise LogError(f"the log {path} was not closed: copy it with {wal.name} into a directory you can write to")
        return _open_checked(path, "mode=ro&immutable=1")
    except (sqlite3.Error, OSError) as error:
        raise fault_of(error, path) from error


def _open_checked(path: Path, options: str) -> sqlite3.Connection:
    connection = _connect(path, options)
    try:
        return _at_newest(connection, path)
    except BaseException:
        connection.close()
        raise


def _at_newest(connection: sqlite3.Connection, path: Path) -> sqlite3.Connection:
    if version_of(connection, path) == newest_version():
        return connection
    copy = sqlite3.connect(":memory:", isolation_level=None, check_same_thread=False)
    try:
        connection.backup(copy)
        connection.close()
        # The daemon may have brought the log to the newest since it was asked: what counts is what was copied.
        migrate(copy, version_of(copy, path))
    except BaseException:
        copy.close()
        raise
    return copy


def _open_writer(path: Path, mode: str, patience_s: float) -> sqlite3.Connection:
    try:
        connection = _connect(path, f"mode={mode}", patience_s)
        try:
            _prepare_writer(connection, path)
        except BaseException:
            connection.close()
            raise
    except sqlite3.Error as error:
        raise fault_of(error, path) from error
    return connection


def _prepare_writer(connection: sqlite3.Connection, path: Path) -> None:
    version = version_of(connection, path)
    for pragma in _WRITER_PRAGMAS:
        connection.execute(f"PRAGMA {pragma}")
    mode = connection.execute("PRAGMA journal_mode = WAL").fetchone()[0]
    if mode != "wal":
        raise LogError(f"the log {path} cannot be kept safe there (no write-ahead log): name a file on a local disk")
    migrate(connection, version)
    finding = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
    if finding != "ok":
        raise damaged(path, str(finding))
    # Shows now, not at the first trim, whether the file can be written; and makes the write-ahead log.
    connection.execute("BEGIN IMMEDIATE")
    connection.execute(f"PRAGMA user_version = {newest_version()}")
    connection.execute("COMMIT")
    connection.execute(f"PRAGMA busy_timeout = {round(1000 * BUSY_SLICE_S)}")


def _connect(path: Path, options: str, patience_s: float = OPENING_PATIENCE_S) -> sqlite3.Connection:
    # isolation_level=None: transactions begin and end where this code says so. Threads: the writer's connection is
    # opened by the thread that starts the daemon and handed over.
    return sqlite3.connect(
        f"{path.as_uri()}?{options}",
        uri=True,
        timeout=patience_s,
        isolation_level=None,
        check_same_thread=False,
    )


def _check_place(path: Path, *, create: bool) -> None:
    if not path.parent.is_dir():
        if not create or path.parent != default_path().parent:
            raise LogError(f"the directory of the log {path} is missing: make it, or name another log")
        path.parent.mkdir(parents=True)
    if path.exists() and not path.is_file():
        raise LogError(f"{path} is not a file: name a file for the log")
    if not create and not path.exists():
        raise LogError(f"the log {path} was moved or removed: put it back", passing=True)


def _refuse_stranger(path: Path) -> None:
    """Look before anything is written beside or into what may be another program's file, or no database at all.

    Only at the mark in the first page, and without SQLite's locks: whatever else is wrong shows when it is opened.
    """
    if not path.exists() or path.stat().st_size == 0:
        return
    try:
        connection = _connect(path, "mode=ro&immutable=1")
        try:
            check_mark(connection, path)
        finally:
            connection.close()
    except sqlite3.Error as error:
        if getattr(error, "sqlite_errorname", "") == "SQLITE_NOTADB":
            raise fault_of(error, path) from error


def _open_up_side_files(path: Path) -> None:
    """Let the files beside the log be written if the log may be.

    SQLite makes them with the permissions of the log at that time. Those of a log that was read-only then would keep it
    read-only after its owner has put it right.
    """
    for ending in ("-wal", "-shm"):
        side = path.with_name(path.name + ending)
        with suppress(OSError):
            if side.stat().st_mode != path.stat().st_mode:
                side.chmod(path.stat().st_mode & 0o777)


def _identity_of(path: Path) -> tuple[int, int] | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino
