"""A real JACK server of one's own, and an independent client that plays tones into whatever records there.

Nothing here imports the program under test. The server is `jackd` with its dummy driver, whose inputs are silent; the
tones come from a second process that speaks to the server through PortAudio, and the two are wired with `jack_connect`
as a person would do it with a patch bay.

    with JackServer() as server, ToneClient(server, levels_dbfs=[-18.0] * 24, hz=1000) as tones:
        ...start what is to be tested with server.environment, then
        server.wire(tones.client, "trimbridge", 24)
"""

import contextlib
import json
import os
import struct
import subprocess
import sys
import time
import uuid
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

_DEADLINE_S = 30.0
"""Generous: the machine may be loaded. Nothing takes longer than a second when it is not."""


def wait_until(condition: Callable[[], bool], what: str, deadline_s: float = _DEADLINE_S) -> None:
    """Poll until the condition holds; fail with ``what`` when it does not before the deadline."""
    end = time.monotonic() + deadline_s
    while not condition():
        if time.monotonic() > end:
            raise TimeoutError(f"after {deadline_s:g} s still not: {what}")
        time.sleep(0.01)


class JackServer:
    """`jackd` with the dummy driver under a name of its own. ``start`` and ``stop`` may be repeated.

    ``environment`` is what a process needs to find this server and no other.

    ``synchronous``: the server waits for a late client instead of going on with its last samples, so that a loaded
    machine delays the tones but does not bend them. The price: it stands still for 10 s after a client was killed with
    SIGKILL. A test that kills clients wants False.
    """

    def __init__(
        self,
        sample_rate_hz: int = 48_000,
        period_frames: int = 256,
        channels: int = 24,
        synchronous: bool = True,
    ) -> None:
        self.sample_rate_hz = sample_rate_hz
        self.period_frames = period_frames
        self.channels = channels
        self.synchronous = synchronous
        self.name = f"test{uuid.uuid4().hex[:10]}"
        self.environment = {**os.environ, "JACK_DEFAULT_SERVER": self.name, "JACK_NO_START_SERVER": "1"}
        self._process: subprocess.Popen[bytes] | None = None
        self._untidy = False

    @property
    def runs(self) -> bool:
        """Whether it was started and not ended since."""
        return self._process is not None

    @property
    def pid(self) -> int:
        """The id of the server's process, for a test that lets it hang."""
        assert self._process is not None, "it does not run"
        return self._process.pid

    def start(self) -> None:
        """Start the server and return when it answers."""
        assert self._process is None, "already running"
        _forget_dead_servers()
        self._process = subprocess.Popen(
            [
                *("jackd", "-n", self.name, "--no-realtime", *(["-S"] if self.synchronous else [])),
                *("-d", "dummy", "-r", str(self.sample_rate_hz), "-p", str(self.period_frames)),
                *("-C", str(self.channels), "-P", str(self.channels)),
            ],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        wait_until(self._answers, f"JACK server {self.name} answers")
        self._untidy = False

    def _answers(self) -> bool:
        assert self._process is not None
        if self._process.poll() is not None:
            raise RuntimeError(f"jackd ended with {self._process.returncode}")
        return any(port.startswith("system:capture_") for port in self.ports(check=False))

    def stop(self) -> None:
        """End the server in order; nothing when it does not run."""
        self._end(self._process.terminate if self._process else None)

    def kill(self) -> None:
        """End the server with SIGKILL, as a crash would."""
        self._untidy = self._process is not None
        self._end(self._process.kill if self._process else None)

    def _end(self, act: Callable[[], None] | None) -> None:
        if self._process is None or act is None:
            return
        act()
        try:
            self._process.wait(_DEADLINE_S)
        except subprocess.TimeoutExpired:
            self._untidy = True
            self._process.kill()
            self._process.wait(_DEADLINE_S)
        self._process = None
        # Clients that outlive their server leave their semaphores behind.
        for left in Path("/dev/shm").glob(f"jack_*{self.name}_*"):
            left.unlink(missing_ok=True)

    def _tool(self, *words: str, check: bool = True) -> str:
        done = subprocess.run(
            words, env=self.environment, capture_output=True, text=True, timeout=_DEADLINE_S, check=False
        )
        if check and done.returncode != 0:
            raise RuntimeError(f"{' '.join(words)}: {done.stderr.strip() or done.stdout.strip()}")
        return done.stdout

    def ports(self, client: str = "", check: bool = True) -> list[str]:
        """Return the names of all ports, or of those of one client, in the server's order."""
        names = [line for line in self._tool("jack_lsp", check=check).splitlines() if ":" in line]
        return [name for name in names if not client or name.partition(":")[0] == client]

    def wire(self, player: str, recorder: str, count: int) -> None:
        """Wire output k of one client to input k of another, for the first ``count``, as soon as all are there."""

        def both_there() -> bool:
            return len(self.ports(player)) >= count and len(self.ports(recorder)) >= count

        wait_until(both_there, f"{count} ports at {player} and at {recorder}")
        wires = list(zip(self.ports(player)[:count], self.ports(recorder)[:count], strict=True))
        for output, input_ in wires:
            self._tool("jack_connect", output, input_, check=False)
        missing = [wire for wire in wires if wire not in self.wires()]
        if missing:
            raise RuntimeError(f"not connected: {missing}")

    def wires(self) -> set[tuple[str, str]]:
        """Return all connections as pairs of output port and input port."""
        found = set()
        port = ""
        for line in self._tool("jack_lsp", "-c").splitlines():
            if line.startswith("   "):
                found |= {(port, line.strip()), (line.strip(), port)}
            else:
                port = line
        return found

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.stop()
        if self._untidy:
            # A hundred megabytes of shared memory, which the next server of the same name takes over.
            self.start()
            self.stop()


def _forget_dead_servers() -> None:
    """Free the places of servers that no longer run: there are eight, and who is killed with a test run leaves its own.

    The layout is that of JACK 2 (common/shm.h): a header of six integers, whose fifth is the length of header and
    places together; then the places, each a process id and a name of 260 bytes.
    """
    registry = Path("/dev/shm/jack-shm-registry")
    if not registry.exists():
        return
    with registry.open("r+b") as file:
        magic, *_, header_bytes, _ = struct.unpack("=6i", file.read(24))
        assert magic == 0x4A41434B, "another layout"
        for place in range(24, header_bytes, 264):
            file.seek(place)
            (pid,) = struct.unpack("=i", file.read(4))
            if pid and not Path(f"/proc/{pid}").exists():
                file.seek(place)
                file.write(bytes(264))


class ToneClient:
    """A process that plays one sine a channel into the server, until it is stopped.

    Parameters
    ----------
    server : JackServer
    levels_dbfs : sequence of float
        One level a channel; 0 dBFS is a sine of peak 1.0 (AES17). ``-inf`` is silence.
    hz : int
        Whole hertz, the same on all channels, so that a table of one second repeats without a seam.
    """

    def __init__(self, server: JackServer, levels_dbfs: Sequence[float], hz: int = 1000) -> None:
        self.client = f"tones{uuid.uuid4().hex[:6]}"
        self._server = server
        self._channels = len(levels_dbfs)
        self._first = (list(levels_dbfs), hz)
        self._process: subprocess.Popen[str] | None = None

    def start(self) -> None:
        """Start to play and return when the ports are there."""
        assert self._process is None, "already running"
        script = Path(__file__).with_name("tone_player.py")
        self._process = subprocess.Popen(
            [sys.executable, str(script), self.client, str(self._channels), str(self._server.sample_rate_hz)],
            env=self._server.environment,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        self.play(*self._first)

    def play(self, levels_dbfs: Sequence[float], hz: int = 1000) -> None:
        """Change levels and frequency; return when they are playing."""
        assert self._process is not None and self._process.stdin is not None and self._process.stdout is not None
        self._process.stdin.write(json.dumps({"levels_dbfs": list(levels_dbfs), "hz": hz}) + "\n")
        self._process.stdin.flush()
        answer = self._process.stdout.readline()
        if answer != "playing\n":
            raise RuntimeError(f"the tone player said {answer!r}")

    def stop(self) -> None:
        """End the process in order; nothing when it does not run."""
        if self._process is None:
            return
        if not self._server.runs:
            # Its JACK library waits for a server that is gone, for ever.
            self._process.kill()
        try:
            self._process.communicate(timeout=_DEADLINE_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.communicate()
        self._process = None

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.stop()


@contextlib.contextmanager
def found_by_this_process(server: JackServer) -> Iterator[None]:
    """Let this process, and what it starts, find ``server`` as long as the context lasts."""
    before = os.environ.get("JACK_DEFAULT_SERVER")
    os.environ["JACK_DEFAULT_SERVER"] = server.name
    try:
        yield
    finally:
        if before is None:
            del os.environ["JACK_DEFAULT_SERVER"]
        else:
            os.environ["JACK_DEFAULT_SERVER"] = before
