"""What the daemon does when something around it fails: it goes on, says so, and stops when it is told to.

Real faults: a JACK server that hangs, a file that may not grow, files without write permission, a log that never opens,
receivers that are gone, a terminal that nobody reads.
"""

import contextlib
import fcntl
import itertools
import logging
import math
import os
import re
import resource
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from bridge.cli.running import STOP_LIMIT_S
from tests.system.daemon import JACK, ROOT, Daemon, Ear, free_port, message, write_config
from tests.system.jack import JackServer
from tests.system.midi import Player
from tests.system.sound import tones

LOGGER = logging.getLogger(__name__)

STOP_S = 2.0
"""What is promised on a machine that has nothing else to do."""

LENIENCE = 5.0
"""What other work on a machine may make of it."""


class Room:
    """A daemon's config, its log, its port, and an ear that hears its frames."""

    def __init__(self, directory: Path, source: str, *, tracks: int = 2, more: str = "") -> None:
        self.ear = Ear()
        self.port = free_port()
        heard = f'destinations = ["127.0.0.1:{self.ear.port}"]\n'
        self.config = write_config(
            directory / "room.toml", port=self.port, source=source, tracks=tracks, more=heard + more
        )
        self.log = self.config.with_suffix(".db")

    def answer(self, daemon: Daemon, address: str, *values: object) -> tuple[object, ...]:
        """Ask, and return the answer: ("/done",) or ("/refused", reason)."""
        request_id = self.ear.ask(self.port, address, *values)
        daemon.until(lambda: request_id in self.ear.answers, f"an answer to {address}")
        return self.ear.answers[request_id][0]

    def hears_frames(self, daemon: Daemon, count: int = 1) -> None:
        """Return when so many more frames have come."""
        before = len(self.ear.frames)
        daemon.until(lambda: len(self.ear.frames) >= before + count, f"{count} more frames")

    def is_steady(self, daemon: Daemon) -> None:
        """Return when a trim has been logged."""
        self.hears_frames(daemon)
        daemon.until(lambda: self.answer(daemon, "/do/log", 1) == ("/done",), "a trim is logged")

    @property
    def announced(self) -> list[str]:
        return [str(values[-1]) for address, values in list(self.ear.messages) if address == "/trim/logged"]

    @property
    def logged(self) -> list[str]:
        with closing(sqlite3.connect(f"file:{self.log}?mode=ro", uri=True)) as connection:
            return [row[0] for row in connection.execute("SELECT id FROM trims ORDER BY entry")]

    def events(self) -> list[tuple[str, str]]:
        with closing(sqlite3.connect(f"file:{self.log}?mode=ro", uri=True)) as connection:
            return connection.execute("SELECT kind, message FROM events ORDER BY rowid").fetchall()


@pytest.fixture
def recording(tmp_path: Path) -> str:
    """The text of [audio] for a steady tone of two tracks."""
    path = tones(tmp_path / "tone.wav", [-18.0, -17.9], seconds=240)
    return f'source = "recording"\nrecording = "{path}"\nsample_rate_hz = 48000\n'


@pytest.fixture
def room(tmp_path: Path, recording: str) -> Iterator[Room]:
    made = Room(tmp_path, recording)
    with closing(made.ear):
        yield made


# --- stopping ---------------------------------------------------------------------------------------------------------


@contextlib.contextmanager
def nothing_wrong(directory: Path, recording: str) -> Iterator[tuple[Room, Daemon]]:
    room = Room(directory, recording)
    with closing(room.ear), Daemon(room.config) as daemon:
        room.hears_frames(daemon, 3)
        yield room, daemon


@contextlib.contextmanager
def source_missing(directory: Path, recording: str) -> Iterator[tuple[Room, Daemon]]:
    room = Room(directory, JACK)
    environment = {**os.environ, "JACK_DEFAULT_SERVER": "nobody", "JACK_NO_START_SERVER": "1"}
    with closing(room.ear), Daemon(room.config, environment) as daemon:
        daemon.until(lambda: room.ear.value("/health/source") == "lost", "the source is missing")
        yield room, daemon


@contextlib.contextmanager
def source_hanging(directory: Path, recording: str) -> Iterator[tuple[Room, Daemon]]:
    room = Room(directory, JACK)
    with (
        closing(room.ear),
        JackServer(channels=2, synchronous=False) as server,
        Daemon(room.config, server.environment) as daemon,
    ):
        daemon.until(lambda: room.ear.value("/health/source") == "running", "the source runs")
        os.kill(server.pid, signal.SIGSTOP)
        try:
            daemon.until(lambda: room.ear.value("/health/source") == "lost", "the source is lost")
            yield room, daemon
        finally:
            os.kill(server.pid, signal.SIGCONT)


@contextlib.contextmanager
def log_locked(directory: Path, recording: str) -> Iterator[tuple[Room, Daemon]]:
    room = Room(directory, recording)
    with closing(room.ear), Daemon(room.config) as daemon:
        room.is_steady(daemon)
        with closing(sqlite3.connect(room.log)) as other:
            other.execute("BEGIN IMMEDIATE")
            room.ear.ask(room.port, "/do/log", 1)
            yield room, daemon


@contextlib.contextmanager
def log_never_opens(directory: Path, recording: str) -> Iterator[tuple[Room, Daemon]]:
    room = Room(directory, recording)
    with closing(room.ear), Daemon(room.config) as daemon:
        room.is_steady(daemon)
        with log_that_hangs(room.log):
            for _ in range(3):
                room.ear.ask(room.port, "/do/log", 1)
            daemon.until(lambda: room.ear.value("/health/log") == "refusing", "the log refuses")
            yield room, daemon


@contextlib.contextmanager
def log_that_hangs(log: Path) -> Iterator[None]:
    """Let whoever opens the log wait in the system: what a dead network drive does.

    A lease keeps every other process in its `open` until it is given up (Linux, fcntl(2), "Leases"; 45 s at most).
    """
    away = log.with_name("away.db")
    # The daemon lets go of a log that has gone, and opens it again when there is one.
    log.rename(away)
    empty = os.open(log, os.O_RDWR | os.O_CREAT)
    signal.signal(signal.SIGIO, signal.SIG_IGN)
    try:
        fcntl.fcntl(empty, fcntl.F_SETLEASE, fcntl.F_WRLCK)
        yield
    finally:
        os.close(empty)
        signal.signal(signal.SIGIO, signal.SIG_DFL)


@contextlib.contextmanager
def packets_flooding(directory: Path, recording: str) -> Iterator[tuple[Room, Daemon]]:
    with nothing_wrong(directory, recording) as (room, daemon), flood(room.port):
        room.hears_frames(daemon, 3)
        yield room, daemon


@contextlib.contextmanager
def flood(port: int) -> Iterator[None]:
    """Send as many packets as a thread can: good ones and nonsense."""
    over = threading.Event()
    packets = itertools.cycle([message("/do/log", 1), message("/do/focus", 0), b"/nonsense", bytes(1400)])

    def send() -> None:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as one:
            while not over.is_set():
                one.sendto(next(packets), ("127.0.0.1", port))

    thread = threading.Thread(target=send)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


@contextlib.contextmanager
def everything_wrong(directory: Path, recording: str) -> Iterator[tuple[Room, Daemon]]:
    with source_hanging(directory, recording) as (room, daemon), log_that_hangs(room.log):
        room.ear.send(room.port, message("/do/note", "wakes the log"))
        daemon.until(lambda: room.ear.value("/health/log") == "refusing", "the log refuses")
        with flood(room.port):
            room.hears_frames(daemon, 3)
            yield room, daemon


@contextlib.contextmanager
def everything_hung(directory: Path, recording: str) -> Iterator[tuple[Room, Daemon]]:
    """What can hang does, all at once: sound and MIDI with their processes, the disk, a tablet, a subscriber by TCP."""
    tcp_port = free_port()
    more = (
        f'tcp = "size"\ntcp_port = {tcp_port}\n'
        '[[midi.bind]]\nport = "Ring box"\nmessage = "note"\ncommand = "next"\n'
        '[[midi.meter]]\nport = "Ring box"\nmessage = "control 14 bit"\nnumber = 0\n'
    )
    room = Room(directory, JACK, more=more)
    with (
        closing(room.ear),
        JackServer(channels=2, synchronous=False) as server,
        Player(server, "Ring box"),
        Daemon(room.config, server.environment) as daemon,
    ):
        daemon.until(lambda: room.ear.value("/health/source") == "running", "the source runs")
        daemon.until(lambda: room.ear.value("/health/midi") == "ready", "the ports are open")
        page = re.search(r"page: http://([\d.]+):(\d+)/", daemon.output)
        assert page
        with contextlib.ExitStack() as hung:
            # Both are sent every frame and read none of them.
            tablet = hung.enter_context(closing(deaf((page[1], int(page[2])), upgrade(page[1], int(page[2])))))
            assert tablet.recv(12) == b"HTTP/1.1 101"
            asked = message("/subscribe", 3600)
            hung.enter_context(closing(deaf(("127.0.0.1", tcp_port), len(asked).to_bytes(4, "big") + asked)))
            room.hears_frames(daemon, 3)
            hung.enter_context(log_that_hangs(room.log))
            room.ear.send(room.port, message("/do/note", "wakes the log"))
            daemon.until(lambda: room.ear.value("/health/log") == "refusing", "the log refuses")
            children = children_of(daemon.process.pid)
            assert len(children) == 2, "capture and MIDI"
            for process_id in (server.pid, *children):
                os.kill(process_id, signal.SIGSTOP)
                hung.callback(suppressed(os.kill), process_id, signal.SIGCONT)
            yield room, daemon
            assert not [one for one in children if Path(f"/proc/{one}").exists()], "its processes have ended with it"


def deaf(address: tuple[str, int], request: bytes) -> socket.socket:
    """Return a connection that has asked for something, and takes a few kilobytes of it."""
    made = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    made.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    made.settimeout(30.0)
    made.connect(address)
    made.sendall(request)
    return made


def upgrade(host: str, port: int) -> bytes:
    """Return the opening of a WebSocket (RFC 6455, 4.1; the key is that of its example)."""
    return (
        f"GET /live HTTP/1.1\r\nHost: {host}:{port}\r\nOrigin: http://{host}:{port}\r\nUpgrade: websocket\r\n"
        "Connection: Upgrade\r\nSec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\nSec-WebSocket-Version: 13\r\n\r\n"
    ).encode()


def children_of(process_id: int) -> list[int]:
    """Return the processes that any thread of a process has started (Linux, proc(5))."""
    tasks = Path(f"/proc/{process_id}/task").iterdir()
    return [int(word) for task in tasks for word in (task / "children").read_text().split()]


def suppressed(call: Callable[..., None]) -> Callable[..., None]:
    def quietly(*words: int) -> None:
        with contextlib.suppress(ProcessLookupError):
            call(*words)

    return quietly


@pytest.mark.parametrize(
    ("trouble", "number"),
    [
        (nothing_wrong, signal.SIGINT),
        (nothing_wrong, signal.SIGHUP),
        (source_missing, signal.SIGTERM),
        (source_hanging, signal.SIGTERM),
        (log_locked, signal.SIGTERM),
        (log_never_opens, signal.SIGTERM),
        (packets_flooding, signal.SIGTERM),
        (everything_wrong, signal.SIGTERM),
        (everything_hung, signal.SIGTERM),
    ],
    ids=lambda value: getattr(value, "__name__", None) or signal.Signals(value).name,
)
def test_stops_on_a_signal_whatever_is_wrong(
    tmp_path: Path,
    recording: str,
    trouble: Callable[[Path, str], contextlib.AbstractContextManager[tuple[Room, Daemon]]],
    number: int,
) -> None:
    with trouble(tmp_path, recording) as (room, daemon):
        assert daemon.stop(number) == 0, daemon.output
        assert daemon.output.endswith("stopped\n")
        assert "Traceback" not in daemon.output
        assert "not everything ended" not in daemon.output
        LOGGER.info("%s: stopped in %.2f s", trouble.__name__, daemon.stopped_in_s)
        assert daemon.stopped_in_s < STOP_S * LENIENCE
        # Its port is free again.
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as one:
            one.bind(("127.0.0.1", room.port))


def test_a_stage_that_never_ends_is_left_behind(room: Room) -> None:
    """No fault that is known; the bound is for those that are not. A program around the program makes one."""
    endless = (
        "import sys, threading\n"
        "from bridge.daemon.service import Service\n"
        "Service.stop = lambda self: threading.Event().wait()\n"
        "sys.argv = ['trimbridge', *sys.argv[sys.argv.index('run'):]]\n"
        "from bridge.cli.app import main\n"
        "main()\n"
    )
    script = room.config.with_name("endless.py")
    script.write_text(endless)
    with Daemon(room.config, {**os.environ, "PYTHONPATH": str(ROOT)}, before=[sys.executable, str(script)]) as daemon:
        room.is_steady(daemon)
        assert daemon.stop(signal.SIGTERM) == 0, daemon.output
        assert daemon.output.count("not everything ended within") == 1
        assert "Traceback" not in daemon.output
        assert STOP_LIMIT_S <= daemon.stopped_in_s < STOP_LIMIT_S + STOP_S * LENIENCE
        room.ear.heard_all()
        assert room.logged == room.announced


# --- what cannot be started ------------------------------------------------------------------------------------------


def refusal(config: Path) -> str:
    """Start a daemon that cannot be; return the one line that it says."""
    done = subprocess.run(
        [sys.executable, "-m", "bridge", "run", str(config), "--plain"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 1, done.stderr
    assert done.stdout == ""
    assert done.stderr.count("\n") == 1, done.stderr
    return done.stderr


def test_a_second_daemon_with_the_same_log_says_who_has_it(room: Room, tmp_path: Path, recording: str) -> None:
    with Daemon(room.config) as daemon:
        room.hears_frames(daemon)
        second = tmp_path / "second.toml"
        second.write_text(room.config.read_text().replace(f"port = {room.port}", "port = 0"))
        assert refusal(second) == (
            f"trimbridge: the log {room.log} is being written by process {daemon.process.pid}: "
            "end it, or name another log\n"
        )
        # The first one has not noticed.
        room.is_steady(daemon)
        assert room.logged == room.announced


def test_a_port_that_is_taken_is_named(room: Room) -> None:
    with closing(Ear(room.port)):
        said = refusal(room.config)
    assert f"cannot listen at 127.0.0.1 port {room.port}: " in said
    # The log was let go of: the next start takes it up.
    with Daemon(room.config) as daemon:
        room.is_steady(daemon)


def test_an_address_of_another_computer_is_named(room: Room) -> None:
    """203.0.113.0/24 belongs to nobody (RFC 5737, 3)."""
    room.config.write_text(f'{room.config.read_text()}listen = "203.0.113.9"\n')
    assert f"cannot listen at 203.0.113.9 port {room.port}: " in refusal(room.config)


# --- a log that cannot be written ------------------------------------------------------------------------------------


def refuses(room: Room, daemon: Daemon) -> None:
    """The log is refusing: metering goes on, a trim is refused with a reason, counted, and not announced."""
    daemon.until(lambda: not math.isnan(room.ear.value("/track/2/spread") or math.nan), "the tone is steady")
    counted = room.ear.value("/health/refused_trims")
    announced: list[str] = []
    refused = 0

    def refused_thrice() -> bool:
        # A little room may be left, or be made by tidying up: a trim that gets in is a trim that is announced.
        nonlocal announced, refused
        address, *reasons = room.answer(daemon, "/do/log", 2)
        if address == "/done":
            refused = 0
        else:
            assert str(room.log) in reasons[0]
            assert "\n" not in reasons[0]
            refused += 1
        room.ear.heard_all()
        announced = room.announced
        return refused == 3

    daemon.until(refused_thrice, "the log refuses")
    daemon.until(lambda: room.ear.value("/health/refused_trims") >= counted + 3, "they are counted")
    room.hears_frames(daemon, 30)
    assert room.ear.value("/health/log") == "refusing"
    assert str(room.log) in room.ear.value("/health/message")
    assert room.ear.value("/track/1/state") != "quiet"
    room.ear.heard_all()
    assert room.announced == announced


def recovers(room: Room, daemon: Daemon) -> None:
    """The log is written again, by itself, and knows what it has missed."""
    daemon.until(lambda: room.ear.value("/health/log") == "writing", "the log is written again")
    assert room.answer(daemon, "/do/log", 1) == ("/done",)
    # What was refused before, or that the log is written again, is still said for a while; that it refuses is not.
    said = ("", f"the log {room.log} is written again")
    daemon.until(lambda: room.ear.value("/health/message") in said, "that it refuses is said no more")
    assert any(kind == "log refused" for kind, _ in room.events())
    room.ear.heard_all()
    assert set(room.announced) == set(room.logged)
    assert "the log" in daemon.output
    assert "is written again" in daemon.output


def may_write(limit_bytes: int) -> Callable[[], None]:
    """Return what a process does before it starts, so that no file of it grows beyond a limit (setrlimit(2))."""
    _, most = resource.getrlimit(resource.RLIMIT_FSIZE)
    return lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (limit_bytes, most))


def test_a_log_that_may_not_grow_refuses_and_recovers(room: Room) -> None:
    with Daemon(room.config) as daemon:
        room.is_steady(daemon)
    with Daemon(room.config, preexec_fn=may_write(room.log.stat().st_size + 20_000)) as daemon:
        room.is_steady(daemon)
        refuses(room, daemon)
        assert set(room.announced) == set(room.logged)
        _, most = resource.prlimit(daemon.process.pid, resource.RLIMIT_FSIZE)
        resource.prlimit(daemon.process.pid, resource.RLIMIT_FSIZE, (most, most))
        recovers(room, daemon)


def test_a_log_that_may_not_begin_refuses_and_recovers(room: Room) -> None:
    with Daemon(room.config, preexec_fn=may_write(10_000)) as daemon:
        refuses(room, daemon)
        assert not room.announced
        _, most = resource.prlimit(daemon.process.pid, resource.RLIMIT_FSIZE)
        resource.prlimit(daemon.process.pid, resource.RLIMIT_FSIZE, (most, most))
        recovers(room, daemon)


ORDINARY = ("setpriv", "--bounding-set=-dac_override,-dac_read_search") if os.geteuid() == 0 else ()
"""Takes root's right to write where nobody may."""


@pytest.mark.parametrize("what", ["file", "directory"])
def test_a_read_only_log_refuses_and_recovers(tmp_path: Path, recording: str, what: str) -> None:
    directory = tmp_path / "closed"
    directory.mkdir()
    room = Room(directory, recording)
    with closing(room.ear):
        with Daemon(room.config) as daemon:
            room.is_steady(daemon)
        place = room.log if what == "file" else directory
        mode = place.stat().st_mode
        if what == "directory":
            room.log.with_name(room.log.name + ".lock").unlink()
        place.chmod(0o444 if what == "file" else 0o555)
        try:
            with Daemon(room.config, before=ORDINARY) as daemon:
                room.hears_frames(daemon)
                refuses(room, daemon)
                place.chmod(mode)
                recovers(room, daemon)
        finally:
            place.chmod(mode)


def test_a_log_that_is_moved_away_refuses_until_it_is_back(room: Room) -> None:
    away = room.log.with_name("away.db")
    with Daemon(room.config) as daemon:
        room.is_steady(daemon)
        room.log.rename(away)
        refuses(room, daemon)
        assert not room.log.exists()
        away.rename(room.log)
        recovers(room, daemon)


# --- receivers and terminals that are gone ---------------------------------------------------------------------------


def test_a_receiver_that_is_gone_is_counted_and_served_again(tmp_path: Path, recording: str) -> None:
    port = free_port()
    other = Ear(port)
    room = Room(tmp_path, recording)
    config = room.config.read_text()
    room.config.write_text(config.replace("destinations = [", f'destinations = ["127.0.0.1:{port}", '))
    with closing(room.ear), Daemon(room.config) as daemon:
        with closing(other):
            daemon.until(lambda: other.frames, "both are served")
        daemon.until(lambda: room.ear.value("/health/dropped_packets") > 10, "what is lost is counted")
        assert daemon.output.count("cannot send to") == 1, "said once"
        with closing(Ear(port)) as back:
            daemon.until(lambda: len(back.frames) > 10, "it is served again")
        tags = [tag for tag, _ in room.ear.frames]
        assert all(0.02 < later - earlier < 0.05 for earlier, later in itertools.pairwise(tags)), "30 a second, always"


@pytest.mark.parametrize("stream", ["stdout", "stderr"])
def test_metering_goes_on_when_nobody_reads_the_terminal(room: Room, stream: str) -> None:
    """The reader has gone: whoever writes gets an error (write(2), EPIPE)."""
    reading, writing = os.pipe()
    with Daemon(room.config, **{stream: writing}) as daemon:
        os.close(writing)
        room.hears_frames(daemon)
        os.close(reading)
        say_much(room, daemon, 50)
        assert daemon.stop() == 0, daemon.output


@pytest.mark.parametrize("stream", ["stdout", "stderr"])
def test_metering_goes_on_when_the_terminal_stands_still(room: Room, stream: str) -> None:
    """The reader has stopped reading, as a terminal does after Ctrl-S: whoever writes waits."""
    reading, writing = os.pipe()
    fcntl.fcntl(writing, fcntl.F_SETPIPE_SZ, 4096)
    try:
        with Daemon(room.config, **{stream: writing}) as daemon:
            os.close(writing)
            room.hears_frames(daemon)
            say_much(room, daemon, 100)
            assert daemon.stop() == 0, daemon.output
            assert daemon.stopped_in_s < STOP_S * LENIENCE
    finally:
        os.close(reading)


def say_much(room: Room, daemon: Daemon, count: int) -> None:
    """Let it say more than a pipe holds: a line a trim on one stream, a line a refused withdrawal on the other."""
    room.is_steady(daemon)
    for _ in range(count):
        assert room.answer(daemon, "/do/log", 1) == ("/done",)
        assert room.answer(daemon, "/do/undo", "nothing")[0] == "/refused"
    room.hears_frames(daemon, 30)
