"""The daemon as a user starts it: a process of its own, its config, and an independent ear on its OSC."""

import math
import os
import signal
import socket
import subprocess
import sys
import threading
import time
import uuid
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from pythonosc.osc_bundle import OscBundle
from pythonosc.osc_message import OscMessage
from pythonosc.osc_message_builder import OscMessageBuilder

from tests.system.jack import wait_until
from tests.system.starter import Started, Starter

ROOT = Path(__file__).parents[2]

MARK = "/mark"
"""What an ear sends to itself."""


def message(address: str, *values: Any) -> bytes:
    """An OSC message, encoded by python-osc."""
    builder = OscMessageBuilder(address)
    for value in values:
        builder.add_arg(value)
    return builder.build().dgram


class Ear:
    """A UDP receiver that reads OSC with python-osc, which shares no line with the program.

    ``frames`` is a list of (time tag in Unix seconds, {address: arguments}); ``messages`` holds what comes outside of
    bundles: announcements and answers. ``answers`` has the answers to each request id, as ("/done",) or ("/refused",
    reason).
    """

    def __init__(self, port: int = 0) -> None:
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 22)
        self._socket.bind(("127.0.0.1", port))
        self._socket.settimeout(0.05)
        self.port = self._socket.getsockname()[1]
        self.frames: list[tuple[float, dict[str, tuple[Any, ...]]]] = []
        self.messages: list[tuple[str, tuple[Any, ...]]] = []
        self.answers: dict[str, list[tuple[Any, ...]]] = {}
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._hear, name="ear")
        self._thread.start()

    def _hear(self) -> None:
        while not self._closing.is_set():
            try:
                packet = self._socket.recv(65536)
            except TimeoutError:
                continue
            if OscBundle.dgram_is_bundle(packet):
                bundle = OscBundle(packet)
                self.frames.append((bundle.timestamp, {one.address: tuple(one.params) for one in bundle}))
            else:
                self._take(OscMessage(packet))

    def _take(self, heard: OscMessage) -> None:
        values = tuple(heard.params)
        self.messages.append((heard.address, values))
        if heard.address in ("/done", "/refused", MARK):
            self.answers.setdefault(values[0], []).append((heard.address, *values[1:]))

    @property
    def newest(self) -> dict[str, tuple[Any, ...]]:
        """The newest frame; empty before the first."""
        return self.frames[-1][1] if self.frames else {}

    def value(self, address: str) -> Any:
        """The first argument of an address in the newest frame; None before the first."""
        return self.newest.get(address, (None,))[0]

    def send(self, port: int, *packets: bytes) -> None:
        """Send packets from the socket that hears."""
        for packet in packets:
            self._socket.sendto(packet, ("127.0.0.1", port))

    def ask(self, port: int, address: str, *values: Any) -> str:
        """Send a command under a request id of its own; return the id."""
        request_id = uuid.uuid4().hex
        self.send(port, message(address, *values, request_id))
        return request_id

    def heard_all(self, deadline_s: float = 60.0) -> None:
        """Return when everything has been read that was sent here before now."""
        mark = uuid.uuid4().hex
        self.send(self.port, message(MARK, mark))
        wait_until(lambda: mark in self.answers, "the ear has read what lay in its socket", deadline_s)

    def close(self) -> None:
        self._closing.set()
        self._thread.join()
        self._socket.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()


def free_port() -> int:
    """A UDP port that nobody has."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


class Daemon:
    """`trimbridge run` with a config, until it is stopped. What it wrote is in ``output`` afterwards.

    Parameters
    ----------
    config : Path
    environment : mapping, optional
        Of the process; ours by default.
    before : sequence of str
        A command line that runs the daemon's, as `setpriv` does.
    words : sequence of str
        Options of `run`.
    starter : Starter, optional
        Starts it from a process that has loaded the program; environment and what runs it are those of the starter.
    popen
        What else `subprocess.Popen` shall know.
    """

    def __init__(
        self,
        config: Path,
        environment: Mapping[str, str] | None = None,
        before: Sequence[str] = (),
        words: Sequence[str] = (),
        starter: Starter | None = None,
        **popen: Any,
    ) -> None:
        self.config = config
        self.stopped_in_s = math.nan
        """How long it took to end after its signal."""
        self._output = config.with_suffix(".out").open("a+", encoding="utf-8")
        command = ["run", str(config), "--plain", *words]
        if starter is not None:
            out = config.with_suffix(".out")
            self.process: subprocess.Popen[Any] | Started = starter.start(command, ROOT, out, out)
            return
        self.process = subprocess.Popen(
            [*before, sys.executable, "-m", "bridge", *command],
            **{
                "cwd": ROOT,
                "env": dict(environment or os.environ),
                "stdin": subprocess.DEVNULL,
                "stdout": self._output,
                "stderr": subprocess.STDOUT,
                **popen,
            },
        )

    @property
    def output(self) -> str:
        """All that it has written so far."""
        return self.config.with_suffix(".out").read_text(encoding="utf-8")

    def alive(self) -> bool:
        """Whether it runs; raises with its output when it does not."""
        if self.process.poll() is not None:
            raise AssertionError(f"the daemon ended with {self.process.returncode}:\n{self.output}")
        return True

    def until(self, condition: Any, what: str, deadline_s: float = 60.0) -> None:
        """Wait for a condition while the daemon runs."""
        wait_until(lambda: self.alive() and condition(), what, deadline_s)

    def stop(self, number: int = signal.SIGTERM) -> int:
        """End it with a signal; return its exit status."""
        if self.process.poll() is None:
            began_s = time.monotonic()
            self.process.send_signal(number)
            try:
                self.process.wait(30)
                self.stopped_in_s = time.monotonic() - began_s
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()
                raise
        self._output.close()
        return self.process.returncode

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.stop()


def write_config(path: Path, *, port: int, source: str, tracks: int = 24, more: str = "") -> Path:
    """A config with one step at 1 kHz and target 0 VU; ``source`` is the text of ``[audio]``."""
    path.write_text(
        f'[machine]\nname = "Test room"\ntracks = {tracks}\n'
        f"[audio]\n{source}\n"
        '[[step]]\nadjustment = "repro level"\ntone_hz = 1000\ntarget_vu = 0.0\ntolerance_db = 0.25\n'
        f'[log]\nfile = "{path.with_suffix(".db")}"\n'
        "[page]\nport = 0\n"
        f"[osc]\nport = {port}\n{more}",
        encoding="utf-8",
    )
    return path


JACK = 'source = "device"\ndevice = "system"\nhost_api = "JACK"\nsample_rate_hz = 48000\nblock_frames = 256\n'
