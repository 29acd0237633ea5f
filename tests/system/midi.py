"""Controllers that come and go, and independent ears on MIDI ports. Nothing here imports the program under test."""

import contextlib
import re
import subprocess
import sys
import threading
from pathlib import Path
from types import TracebackType
from typing import Self

from tests.system.jack import JackServer, wait_until

_DEADLINE_S = 30.0


class Player:
    """A controller: a process with ports ``client:out`` and ``client:in``. What arrives is in ``heard``, as hex."""

    def __init__(self, server: JackServer, client: str, *, thru: bool = False) -> None:
        self.client = client
        self.heard: list[str] = []
        script = Path(__file__).with_name("midi_player.py")
        self._process = subprocess.Popen(
            [sys.executable, str(script), client, *(["thru"] if thru else [])],
            env=server.environment,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        assert self._process.stdout is not None
        if self._process.stdout.readline() != "ready\n":
            raise RuntimeError("the player did not start")
        self._thread = threading.Thread(target=self._hear, name="player")
        self._thread.start()

    def _hear(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            self.heard.append(line.strip())

    def send(self, *lines: str) -> None:
        """Send messages: bytes in hexadecimal; ``flood N`` for N of them."""
        assert self._process.stdin is not None
        self._process.stdin.write("".join(f"{line}\n" for line in lines))
        self._process.stdin.flush()

    def kill(self) -> None:
        """End it as a pulled plug would."""
        self._process.kill()
        self.close()

    def close(self) -> None:
        """End it in order."""
        assert self._process.stdin is not None and self._process.stdout is not None
        with contextlib.suppress(BrokenPipeError):  # it may have been killed
            self._process.stdin.close()
        try:
            self._process.wait(_DEADLINE_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._thread.join()
        self._process.stdout.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()


class Dump:
    """Debian's ``jack_midi_dump`` as a receiver: a port ``client:input``; what arrives is in ``heard``, as hex."""

    _LINE = re.compile(r"^\s*\d+:((?: [0-9a-f]{2})+)")

    def __init__(self, server: JackServer, client: str) -> None:
        self.heard: list[str] = []
        self._process = subprocess.Popen(
            ["jack_midi_dump", client],
            env=server.environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        self._thread = threading.Thread(target=self._hear, name="dump")
        self._thread.start()
        try:
            wait_until(lambda: f"{client}:input" in server.ports(client, check=False), f"{client} has its port")
        except TimeoutError:
            self.__exit__(None, None, None)
            raise

    def _hear(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            found = self._LINE.match(line)
            if found:
                self.heard.append(found[1].replace(" ", ""))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._process.terminate()
        self._process.wait(_DEADLINE_S)
        self._thread.join()
        assert self._process.stdout is not None
        self._process.stdout.close()


class Sequencer:
    """Debian's ``jack_midiseq`` as a sender: one note again and again, on and off, from ``client:out``."""

    def __init__(self, server: JackServer, client: str, note: int, period_frames: int) -> None:
        self._process = subprocess.Popen(
            ["jack_midiseq", client, str(period_frames), "0", str(note), str(period_frames // 2)],
            env=server.environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._process.terminate()
        self._process.wait(_DEADLINE_S)
