"""liblo's own tools at the other end: oscdump hears the frames, oscsend gives the commands."""

import contextlib
import re
import selectors
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Literal

import pytest

from bridge.control.inbox import CommandInbox, Request
from bridge.control.pairing import Pairing
from bridge.control.reception import OscReception
from bridge.procedure.commands import Command, Focus, Follow, GoToStep, Hold, LogNow, NextStep, Note, Withdraw
from bridge.readings import Frame, Health, Reading, StepReading, Trim
from bridge.sinks.osc import OscSink
from bridge.wire.framing import SizeFraming, SlipFraming, with_ends, with_size
from bridge.wire.osc import encode_message
from bridge.wire.subscribers import Subscribers
from bridge.wire.tcp import TcpServer
from bridge.wire.udp import UdpDestination, UdpEndpoint
from tests.wire.waiting import DEADLINE_S, wait_until


def free_port(kind: socket.SocketKind = socket.SOCK_DGRAM) -> int:
    with socket.socket(socket.AF_INET, kind) as made:
        made.bind(("127.0.0.1", 0))
        return int(made.getsockname()[1])


@pytest.fixture
def endpoint() -> Iterator[UdpEndpoint]:
    made = UdpEndpoint("127.0.0.1", 0)
    yield made
    made.stop()


def level(track: int) -> float:
    return -track / 16


# Long ago: liblo keeps a bundle back whose time has not come.
CAPTURED_S = 1_700_000_000
FRAME = Frame(
    1.0,
    CAPTURED_S * 1_000_000_000 + 500_000_000,
    1000.0,
    StepReading(1, 4, "repro level", 1000.0, 15.0, 0.0, 0.25),
    1,
    False,
    5,
    tuple(Reading(track, level(track), 0.25, 0.5, 0.125, "settled", -17.0, -18.0) for track in range(1, 25)),
    Health(),
)
TRIM = Trim(
    "Slate Point two-inch", 7, "repro", "repro level", 1e3, 15.0, 0.0, -1.5, 0.25, 0.125, 0.1, 1, 2, 1, 2, "by hand"
)


def test_oscdump_hears_a_frame_of_24_tracks_and_a_trim(endpoint: UdpEndpoint) -> None:
    port = free_port()
    destination = UdpDestination(("127.0.0.1", port))
    sink = OscSink(endpoint, Subscribers(), [destination])
    heard = ""
    with (
        subprocess.Popen(["oscdump", "-L", str(port)], stdout=subprocess.PIPE) as dump,
        selectors.DefaultSelector() as selector,
    ):
        assert dump.stdout is not None
        selector.register(dump.stdout, selectors.EVENT_READ)
        end_s = time.monotonic() + DEADLINE_S
        try:
            # Nobody knows when oscdump begins to hear: frames go on until it has heard one with the trim after it.
            while not re.search(r"/health/message.*/trim/logged [^\n]*\n", heard, re.DOTALL):
                assert time.monotonic() < end_s, heard
                sink.publish(FRAME, 0.0)
                sink.announce(TRIM, "42", 0.0)
                if selector.select(0.05):
                    heard += dump.stdout.read1().decode()
        finally:
            dump.terminate()
            sink.close()
    # The last line may be cut.
    lines = heard.split("\n")[:-1]
    said = {tuple(line.split(" ", 3)[1:3]): line.split(" ", 3)[3] for line in lines}
    for track in range(1, 25):
        assert float(said[f"/track/{track}/vu", "f"]) == pytest.approx(level(track), abs=1e-6)
        assert float(said[f"/track/{track}/deviation", "f"]) == 0.25
        assert float(said[f"/track/{track}/fine", "f"]) == 0.5
        assert float(said[f"/track/{track}/spread", "f"]) == 0.125
        assert said[f"/track/{track}/state", "s"] == '"settled"'
    assert said["/focus/track", "i"] == "5"
    assert said["/step/adjustment", "s"] == '"repro level"'
    assert said["/trim/logged", "isfffs"].split() == [
        "7",
        '"repro',
        'level"',
        "-1.500000",
        "0.250000",
        "0.125000",
        '"42"',
    ]
    # oscdump writes the time tag of the bundle before each line, as eight hexadecimal digits each for seconds and
    # fraction: half a second is 80000000.
    tags = {line.split(" ", 1)[0] for line in lines if " /track/1/vu " in line}
    assert tags == {f"{CAPTURED_S + 2_208_988_800:08x}.80000000"}


@pytest.mark.parametrize(
    ("words", "command"),
    [
        (["/do/next"], NextStep()),
        (["/do/next", "s", "r1"], NextStep()),
        (["/do/step", "i", "3"], GoToStep(3)),
        (["/do/step", "f", "3"], GoToStep(3)),
        (["/do/focus", "h", "3"], Focus(3)),
        (["/do/hold", "T"], Hold(True)),
        (["/do/hold", "Fs", "r2"], Hold(False)),
        (["/do/follow", "F"], Follow(False)),
        (["/do/follow", "i", "1"], Follow(True)),
        (["/do/log", "is", "24", "r3"], LogNow(24)),
        (["/do/undo", "ss", "42", "r4"], Withdraw("42")),
        (["/do/note", "s", "heads cleaned"], Note("heads cleaned")),
    ],
)
def test_oscsend_commands(endpoint: UdpEndpoint, words: list[str], command: Command) -> None:
    inbox = CommandInbox()
    reception = OscReception(inbox, Subscribers(), Pairing(""), endpoint.send)
    endpoint.start(reception.receive)
    subprocess.run(["oscsend", "127.0.0.1", str(endpoint.address[1]), *words], check=True, timeout=DEADLINE_S)
    end_s = time.monotonic() + DEADLINE_S
    while not (requests := inbox.take()):
        assert time.monotonic() < end_s
        time.sleep(0.002)
    assert [request.command for request in requests] == [command]
    assert reception.refused_packets == 0


def test_oscsend_commands_over_tcp() -> None:
    inbox = CommandInbox()
    reception = OscReception(inbox, Subscribers(), Pairing(""), lambda *_: None)
    server = TcpServer("::", 0, "size")
    server.start(reception.receive, reception.closed)
    try:
        url = f"osc.tcp://127.0.0.1:{server.address[1]}"
        subprocess.run(["oscsend", url, "/do/step", "is", "3", "r1"], check=True, timeout=DEADLINE_S)
        requests: list[Request] = []
        wait_until(lambda: bool(requests.extend(inbox.take()) or requests))
    finally:
        server.stop()
    assert [request.command for request in requests] == [GoToStep(3)]
    assert reception.refused_packets == 0


@pytest.mark.parametrize("framing", ["size", "slip"])
def test_oscdump_hears_frames_over_tcp_in_either_framing(
    endpoint: UdpEndpoint, tmp_path: Path, framing: Literal["size", "slip"]
) -> None:
    """Oscdump listens and does not call, so what the server sends is carried to it by hand, byte for byte."""
    subscribers = Subscribers()
    reception = OscReception(CommandInbox(), subscribers, Pairing(""), endpoint.send)
    server = TcpServer("127.0.0.1", 0, framing)
    server.start(reception.receive, reception.closed)
    sink = OscSink(endpoint, subscribers)
    port = free_port(socket.SOCK_STREAM)
    with (tmp_path / "heard").open("wb") as heard:
        dump = subprocess.Popen(["oscdump", "-L", f"osc.tcp://:{port}"], stdout=heard)
    try:
        with socket.create_connection(server.address, DEADLINE_S) as ours, contextlib.ExitStack() as stack:
            theirs: list[socket.socket] = []

            def connected() -> bool:
                with contextlib.suppress(ConnectionRefusedError):
                    theirs.append(stack.enter_context(socket.create_connection(("127.0.0.1", port), DEADLINE_S)))
                return bool(theirs)

            wait_until(connected)
            request = encode_message("/subscribe", "i", (60,))
            ours.sendall({"size": with_size, "slip": with_ends}[framing](request))
            wait_until(lambda: bool(subscribers.active(0.0)))

            parts = SlipFraming(65_536) if framing == "slip" else SizeFraming(65_536)

            def carry() -> None:
                while True:
                    data = ours.recv(1 << 20)
                    theirs[0].sendall(data)
                    if parts.feed(data):
                        return

            # In its SLIP mode this liblo wants the first packet in one piece, so a short one goes first; and it ends a
            # connection after 64 kB in all.
            sink.announce(TRIM, "42", 0.0)
            carry()
            sink.publish(FRAME, 0.0)
            carry()

            def heard_both() -> bool:
                text = (tmp_path / "heard").read_text(errors="replace")
                return '/track/24/state s "settled"' in text and '/trim/logged isfffs 7 "repro level"' in text

            wait_until(heard_both)
    finally:
        server.stop()
        dump.terminate()
        dump.wait()
