"""A terminal for a process under test: what a person would type goes in, what they would see comes out."""

import codecs
import os
import pty
import select
import subprocess
import time
from collections.abc import Mapping, Sequence
from typing import Self

import pytest

SHOWN = 2000
"""Characters at the end of what was read that a failure shows: a picture may have been drawn a hundred times."""


class Pty:
    """The terminal of a process that a test answers. On exit the process is ended.

    Parameters
    ----------
    command : sequence of str
        The program and its arguments.
    environment : mapping, optional
        Its environment; None = that of the test.
    patience_s : float
        How long it may take to show what is awaited, or to end.
    """

    def __init__(
        self, command: Sequence[str], environment: Mapping[str, str] | None = None, patience_s: float = 60.0
    ) -> None:
        self._fd, inner = pty.openpty()
        self.process = subprocess.Popen(
            command, stdin=inner, stdout=inner, stderr=inner, env=environment, start_new_session=True
        )
        os.close(inner)
        self.patience_s = patience_s
        self._decoder = codecs.getincrementaldecoder("utf-8")("replace")
        self.text = ""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.process.kill()
        self.process.wait()
        os.close(self._fd)

    def until(self, words: str) -> None:
        """Read until ``words`` are seen; a failure shows what was read instead."""
        deadline_s = time.monotonic() + self.patience_s
        while words not in self.text:
            left_s = deadline_s - time.monotonic()
            if left_s <= 0 or not select.select([self._fd], [], [], left_s)[0]:
                pytest.fail(
                    f"{words!r} did not come within {self.patience_s:g} s; what was read last: {self.text[-SHOWN:]!r}"
                )
            try:
                self.text += self._decoder.decode(os.read(self._fd, 4096))
            except OSError:
                pytest.fail(
                    f"{words!r} did not come before the program ended; what was read last: {self.text[-SHOWN:]!r}"
                )

    def type(self, text: str) -> None:
        """Type, and forget what was read before."""
        self.text = ""
        os.write(self._fd, text.encode())

    def end(self) -> int:
        """Return the exit status of a process that is about to end."""
        return self.process.wait(self.patience_s)
