"""Commands started from a process that has loaded the program already: processes all the same, and sooner."""

import contextlib
import json
import os
import select
import signal
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path

ROOT = Path(__file__).parents[2]


class Started:
    """A process of a `Starter`; what of `subprocess.Popen` is needed."""

    def __init__(self, answers: int) -> None:
        self._answers = answers
        self.pid = self._number()
        self.returncode: int | None = None

    def _number(self) -> int:
        said = b""
        while not said.endswith(b"\n"):
            read = os.read(self._answers, 1)
            assert read, "the starter has ended"
            said += read
        return int(said)

    def poll(self, timeout_s: float = 0.0) -> int | None:
        """Return its exit status; None while it runs."""
        if self.returncode is None and select.select([self._answers], [], [], timeout_s)[0]:
            self.returncode = self._number()
        return self.returncode

    def wait(self, timeout_s: float | None = None) -> int:
        """Return its exit status when it has ended."""
        if self.poll(1e6 if timeout_s is None else timeout_s) is None:
            raise subprocess.TimeoutExpired("trimbridge", timeout_s or 0.0)
        assert self.returncode is not None
        return self.returncode

    def send_signal(self, number: int) -> None:
        """Send a signal, if it runs."""
        if self.poll() is None:
            # It may end just now.
            with contextlib.suppress(ProcessLookupError):
                os.kill(self.pid, number)

    def kill(self) -> None:
        """End it as it stands, if it runs."""
        self.send_signal(signal.SIGKILL)


class Starter:
    """Starts one command after the other, see `tests.system.starting`.

    Parameters
    ----------
    before : sequence of str
        A command line that runs the starter, as `setpriv` does.
    environment : mapping
        Of the commands.
    """

    def __init__(self, before: Sequence[str] = (), environment: Mapping[str, str] | None = None) -> None:
        self._environment = dict(environment or os.environ)
        self._process = subprocess.Popen(
            [*before, sys.executable, "-m", "tests.system.starting"],
            cwd=ROOT,
            env=self._environment,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
        )

    def start(self, words: Sequence[str], folder: Path, out: Path, error: Path, limit_s: int = 0) -> Started:
        """Start a command whose output and complaints are added to files; a limit of 0 is none.

        The one before must have ended.
        """
        assert self._process.stdin is not None and self._process.stdout is not None
        command = {
            "words": list(words), "folder": str(folder), "environment": self._environment,
            "out": str(out), "error": str(error), "limit_s": limit_s,
        }  # fmt: skip
        self._process.stdin.write(f"{json.dumps(command)}\n".encode())
        self._process.stdin.flush()
        return Started(self._process.stdout.fileno())

    def close(self) -> None:
        """Start no more."""
        assert self._process.stdin is not None and self._process.stdout is not None
        self._process.stdin.close()
        try:
            self._process.wait(60)
        finally:
            self._process.stdout.close()
