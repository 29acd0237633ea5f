"""The file of paired screens: what is worth keeping in, a file for its owner alone out, and back at the next start.

It holds digests of tokens, never a token: who reads it can command nothing. It is written by a thread of its own, so
that a disk that hangs stops no screen.
"""

import logging
import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Final, Literal

from pydantic import BaseModel, ConfigDict, ValidationError

from bridge.control.paired import PairedScreen


class _Document(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", allow_inf_nan=False)
    version: Literal[1]
    screens: tuple[PairedScreen, ...]


_log: Final = logging.getLogger(__name__)


class PairedFile:
    """Keeps paired screens.

    Parameters
    ----------
    path : Path
        Its folder is made where it is missing.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._writer = ThreadPoolExecutor(1, thread_name_prefix="paired screens")

    def read(self) -> tuple[PairedScreen, ...]:
        """Return the screens of the last time; none, and a warning, where the file cannot be read."""
        try:
            return _Document.model_validate_json(self._path.read_bytes()).screens
        except FileNotFoundError:
            return ()
        except (OSError, ValidationError) as error:
            what = f"{error.error_count()} faults" if isinstance(error, ValidationError) else str(error)
            _log.warning("%s cannot be read (%s): screens must be paired anew", self._path, what)
            return ()

    def keep(self, screens: Sequence[PairedScreen]) -> None:
        """Write the screens; returns at once."""
        self._writer.submit(self._write, tuple(screens))

    def close(self) -> None:
        """Wait for what is being written."""
        self._writer.shutdown()

    def _write(self, screens: Sequence[PairedScreen]) -> None:
        beside = self._path.with_name(self._path.name + ".new")
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            beside.unlink(missing_ok=True)
            with os.fdopen(os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as out:
                out.write(_Document(version=1, screens=tuple(screens)).model_dump_json(indent=1).encode())
                out.flush()
                os.fsync(out.fileno())
            beside.replace(self._path)
        except OSError as error:
            _log.warning("%s cannot be written (%s): paired screens will be forgotten at the end", self._path, error)
