"""Another process that writes a log, and what it says."""

import os
import select
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

ROOT = Path(__file__).parents[2]
DEADLINE_S = 60.0


class Writing:
    """The process and its lines."""

    def __init__(self, path: Path) -> None:
        # -S: the log needs nothing but Python itself, and starts in a tenth of a second without the rest.
        self._process = subprocess.Popen(
            [sys.executable, "-S", "-m", "tests.log.writing_process", str(path)],
            cwd=ROOT,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        self._rest = b""
        self.pid = self._process.pid

    def line(self) -> str:
        """Return the next line; empty when the process is gone."""
        assert self._process.stdout is not None
        end_s = time.monotonic() + DEADLINE_S
        while b"\n" not in self._rest:
            assert select.select([self._process.stdout], [], [], end_s - time.monotonic())[0], (
                "the process says nothing"
            )
            got = os.read(self._process.stdout.fileno(), 65_536)
            if not got:
                return ""
            self._rest += got
        line, self._rest = self._rest.split(b"\n", 1)
        return line.decode()

    def read(self, start: str) -> str:
        """Return what follows ``start`` in the next line that begins so."""
        while line := self.line():
            if line.startswith(start):
                return line.removeprefix(start)
        raise AssertionError(f"the process ended: {self.complaints()}")

    def tell(self, command: str) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(f"{command}\n".encode())
        self._process.stdin.flush()

    def kill(self) -> None:
        self._process.kill()
        self._process.wait(DEADLINE_S)

    def complaints(self) -> str:
        assert self._process.stderr is not None
        self.kill()
        return self._process.stderr.read().decode()

    def close(self) -> None:
        self.kill()
        for stream in (self._process.stdin, self._process.stdout, self._process.stderr):
            assert stream is not None
            stream.close()


@contextmanager
def start_writing(path: Path) -> Iterator[Writing]:
    writing = Writing(path)
    try:
        yield writing
    finally:
        writing.close()
