"""The file of paired screens: what is worth keeping in, a file for its owner alone out, and back at the next start.

It holds digests of tokens, never a token: who reads it can command nothing. It is written by a thread of its own, so
that a disk that hangs stops no screen.

Screens are paired for as long as the code is that they have shown, where the config names one. Of that code a derived
key stands in the file (scrypt, RFC 7914), which costs a guess tens of milliseconds; the code itself is in the config.
"""

import hashlib
import hmac
import logging
import secrets
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Annotated, Final, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from bridge.config.edit import replace_file, sync_folder
from bridge.control.paired import PairedScreen

SALT_BYTES: Final = 16

FORMER_NAME: Final = "paired-screens.json"
"""What the one file of all logs of a folder was called by an older program."""


class _Document(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", allow_inf_nan=False)
    version: Literal[1]
    screens: tuple[PairedScreen, ...]
    # What is no key is no document: it is compared with one.
    salt: Annotated[str, Field(pattern=r"\A[0-9a-f]{32}\z")]
    code_key: Annotated[str, Field(pattern=r"\A([0-9a-f]{128})?\z")] = ""


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
        self._screens: tuple[PairedScreen, ...] = ()
        self._in_file: frozenset[str] = frozenset()
        self._is_outdated = False
        self._is_unread = False
        self.problem = ""
        """What is wrong with the file now, in one line; empty when nothing is."""

    def read(self) -> tuple[PairedScreen, ...]:
        """Return the screens of the last time; none, and a warning, where the file cannot be read.

        Where they were paired with a code that is not that of the config any more, none are left, and that is said.
        Nothing is written: `start` does that.
        """
        try:
            found = _Document.model_validate_json(self._path.read_bytes())
        except FileNotFoundError:
            self._look_for_former()
            return ()
        except (OSError, ValidationError) as error:
            what = f"{error.error_count()} faults" if isinstance(error, ValidationError) else str(error)
            _log.warning("%s cannot be read (%s): screens must be paired anew", self._path, what)
            # Whoever it names must not come back when it can be read again.
            self._is_unread = self._is_outdated = True
            return ()
        self._in_file = frozenset(screen.digest for screen in found.screens)
        self._screens = found.screens if self._is_code_of(found) else ()
        self._is_outdated = found.screens != self._screens
        if found.screens and not self._screens:
            count = len(found.screens)
            which = "the paired screen was" if count == 1 else f"all {count} paired screens were"
            _log.warning("pairing_code has changed: %s forgotten, and must be paired anew", which)
        return self._screens

    def _is_code_of(self, found: _Document) -> bool:
        """Return whether its screens may command with the code of the config."""
        if not found.code_key:
            return not self._code  # paired with a code of one start; another one never made them strangers
        return hmac.compare_digest(found.code_key, _key(self._code, found.salt))

    def _look_for_former(self) -> None:
        former = self._path.with_name(FORMER_NAME)
        if former.exists():
            _log.warning("%s is used no more, each log has its own now: pair the screens once more, delete it", former)

    def start(self) -> None:
        """Write what `read` has found to be otherwise; from now on the daemon runs."""
        if self._is_outdated:
            self.keep(self._screens)

    def keep(self, screens: Sequence[PairedScreen]) -> None:
        """Write the screens; returns at once."""
        self._screens = tuple(screens)
        self._writer.submit(self._write, self._screens)

    def close(self) -> None:
        """Wait for what is being written; what could not be is tried once more."""
        if self.problem:
            self.keep(self._screens)
        self._writer.shutdown()

    def _write(self, screens: tuple[PairedScreen, ...]) -> None:
        document = _Document(version=1, screens=screens, salt=self._salt, code_key=self._code_key)
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            replace_file(self._path, document.model_dump_json(indent=1).encode(), is_private=True)
        except OSError as error:
            self._fail(screens, str(error))
            return
        self._in_file = frozenset(screen.digest for screen in screens)
        self._is_unread = False
        self.problem = ""

    def _fail(self, screens: tuple[PairedScreen, ...], why: str) -> None:
        """See to it that nobody who was forgotten is found in the file again, and say what is to be expected."""
        forgotten = self._in_file - {screen.digest for screen in screens}
        after = "screens that were paired since must be paired anew after the next start"
        if forgotten or self._is_unread:
            try:
                self._path.unlink(missing_ok=True)
                sync_folder(self._path.parent)
                self._in_file = frozenset()
                self._is_unread = False
                after = "it was deleted, and all screens must be paired anew after the next start"
            except OSError:
                if self._is_unread:
                    after = f"{after}, and those that it names may command again: delete it"
                else:
                    which = "a forgotten screen" if len(forgotten) == 1 else f"{len(forgotten)} forgotten screens"
                    after = f"{which} may command again after the next start: delete it"
        problem = f"{self._path} cannot be written ({why}): {after}"
        if problem != self.problem:
            _log.warning("%s", problem)
        self.problem = problem


def _key(code: str, salt: str) -> str:
    """Return the key of a code; that of no code is empty."""
    return hashlib.scrypt(code.encode(), salt=salt.encode(), n=2**14, r=8, p=1).hex() if code else ""
