"""liblo's own tools at the other end: oscdump hears the frames, oscsend gives the commands."""

import re
import selectors
import socket
import subprocess
import time
from collections.abc import Iterator

import pytest

from bridge.control.inbox import CommandInbox
from bridge.control.pairing import Pairing
from bridge.control.reception import OscReception
from bridge.procedure.commands import Command, Focus, GoToStep, Hold, LogNow, NextStep, Note, Withdraw
from bridge.readings import Frame, Health, Reading, StepReading, Trim
from bridge.sinks.osc import OscSink
from bridge.wire.subscribers import Subscribers
from bridge.wire.udp import UdpDestination, UdpEndpoint

DEADLINE_S = 30.0


def free_port() -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as made:
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
