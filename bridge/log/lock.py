"""One writing process per log: a lock file beside the database, held while the process lives.

The operating system drops the lock with the process, however it ends, so a lock file that is left behind blocks nobody.
The file itself stays: removing it would let two processes hold two different files of the same name.
"""

import os
import sys
from contextlib import suppress
from pathlib import Path

from bridge.log.faults import LogError, fault_of

if sys.platform == "win32":
    import msvcrt

    _LOCKED_BYTE = 1 << 20
    """Windows keeps others from reading a locked byte: this one is behind the process id, and needs not exist."""

    def _lock(descriptor: int) -> None:
        os.lseek(descriptor, _LOCKED_BYTE, os.SEEK_SET)
        try:
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        finally:
            os.lseek(descriptor, 0, os.SEEK_SET)
else:
    import fcntl

    def _lock(descriptor: int) -> None:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)


class WriterLock:
    """The right to write the log at ``path``, held from making to `release`.

    Raises
    ------
    LogError
        When another process holds it (the message names that process), or when the lock file cannot be written.
    """

    def __init__(self, path: Path) -> None:
        self._path = path.with_name(path.name + ".lock")
        try:
            self._descriptor = os.open(self._path, os.O_RDWR | os.O_CREAT, 0o666)
        except OSError as error:
            raise fault_of(error, path) from error
        try:
            _lock(self._descriptor)
        except OSError as error:
            holder = os.read(self._descriptor, 32).decode("ascii", "replace").strip()
            os.close(self._descriptor)
            who = f"process {holder}" if holder.isdigit() else "another process"
            raise LogError(f"the log {path} is being written by {who}: end it, or name another log") from error
        # The lock holds without the number too: a full disk must not take the right to write away.
        with suppress(OSError):
            os.ftruncate(self._descriptor, 0)
            os.write(self._descriptor, f"{os.getpid()}\n".encode("ascii"))

    def release(self) -> None:
        """Give the right back."""
        os.close(self._descriptor)
