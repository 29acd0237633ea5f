"""The file of paired screens: what is worth keeping in, a file for its owner alone out, and back at the next start.

It holds digests of tokens, never a token: who reads it can command nothing. It is written by a thread of its own, so
that a disk that hangs stops no screen.

Screens are paired for as long as the code is that they have shown, where the config names one. Of that code a derived
key stands in the file (scrypt, RFC 7914), which costs a guess tens of milliseconds; the code itself is in the config.
"""

import hashlib
import hmac
import logging
import os
import secrets
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Final, Literal

from pydantic import BaseModel, ConfigDict, ValidationError

from bridge.control.paired import PairedScreen

SALT_BYTES: Final = 16


class _Document(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", allow_inf_nan=False)
    version: Literal[1]
    screens: tuple[PairedScreen, ...]
    salt: str = ""
    code_key: str = ""


_log: Final = logging.getLogger(__name__)


class PairedFile:
    """Keeps paired screens.

    Parameters
    ----------
    path : Path
        Its folder is made where it is missing.
    code : str
        The pairing code of the config; empty where it names none, so that each start makes another.
    """

    def __init__(self, path: Path, code: str = "") -> None:
        self._path = path
        self._code = code
        self._salt = secrets.token_hex(SALT_BYTES)
        self._code_key = _key(code, self._salt)
        self._writer = ThreadPoolExecutor(1, thread_name_prefix="paired screens")

    def read(self) -> tuple[PairedScreen, ...]:
        """Return the screens of the last time; none, and a warning, where the file cannot be read.

        Where they were paired with a code that is not that of the config any more, none are left, and that is said.
        """
        try:
            found = _Document.model_validate_json(self._path.read_bytes())
        except FileNotFoundError:
            return ()
        except (OSError, ValidationError) as error:
            what = f"{error.error_count()} faults" if isinstance(error, ValidationError) else str(error)
            _log.warning("%s cannot be read (%s): screens must be paired anew", self._path, what)
            return ()
        if self._code and not found.code_key:
            # From now on it is known with which code.
            self.keep(found.screens)
        if not found.code_key or hmac.compare_digest(found.code_key, _key(self._code, found.salt)):
            return found.screens
        if found.screens:
            count = len(found.screens)
            which = "the paired screen was" if count == 1 else f"all {count} paired screens were"
            _log.warning("pairing_code has changed: %s forgotten, and must be paired anew", which)
        self.keep(())
        return ()

    def keep(self, screens: Sequence[PairedScreen]) -> None:
        """Write the screens; returns at once."""
        self._writer.submit(self._write, tuple(screens))

    def close(self) -> None:
        """Wait for what is being written."""
        self._writer.shutdown()

    def _write(self, screens: Sequence[PairedScreen]) -> None:
        document = _Document(version=1, screens=tuple(screens), salt=self._salt, code_key=self._code_key)
        beside = self._path.with_name(self._path.name + ".new")
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            beside.unlink(missing_ok=True)
            with os.fdopen(os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as out:
                out.write(document.model_dump_json(indent=1).encode())
                out.flush()
                os.fsync(out.fileno())
            beside.replace(self._path)
        except OSError as error:
            _log.warning("%s cannot be written (%s): paired screens will be forgotten at the end", self._path, error)


def _key(code: str, salt: str) -> str:
    """Return the key of a code; that of no code is empty."""
    return hashlib.scrypt(code.encode(), salt=salt.encode(), n=2**14, r=8, p=1).hex() if code else ""
