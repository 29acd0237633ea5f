"""The fuzzer, in the length that fits between two commits: in one process, and over UDP with frames going out."""

import contextlib
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

from bridge.control.inbox import CommandInbox
from bridge.control.pairing import Pairing
from bridge.control.reception import OscReception
from bridge.readings import Frame, Health, Reading, StepReading
from bridge.sinks.osc import OscSink
from bridge.wire.subscribers import Subscribers
from bridge.wire.udp import UdpEndpoint

FUZZ_OSC = Path(__file__).parents[2] / "tools" / "fuzz_osc"
DEADLINE_S = 120.0


def fuzz(*words: str) -> "subprocess.CompletedProcess[str]":
    return subprocess.run(
        [sys.executable, str(FUZZ_OSC), *words], capture_output=True, text=True, timeout=DEADLINE_S, check=False
    )


@contextlib.contextmanager
def station(counting: bool = True) -> Iterator[int]:
    """A port behind which commands are done and frames sent, as the daemon does it, from one thread."""
    inbox, subscribers = CommandInbox(), Subscribers()
    endpoint = UdpEndpoint("127.0.0.1", 0)
    reception = OscReception(inbox, subscribers, Pairing(""), endpoint.send)
    sink = OscSink(endpoint, subscribers)
    stopping = threading.Event()
    readings = tuple(Reading(track, -1.0, 0.5, 0.25, 0.1, "tone", -17.0, -18.0) for track in range(1, 25))
    step = StepReading(1, 4, "repro level", 1000.0, 15.0, 0.0, 0.1)

    def work() -> None:
        while not stopping.wait(0.005):
            for request in inbox.take():
                request.answer(None)
            refused, dropped = reception.refused_packets, endpoint.dropped_packets
            health = Health(refused_packets=refused * counting, dropped_packets=dropped * counting)
            frame = Frame(1.0, time.time_ns(), 1000.0, step, 1, False, 0, readings, health)
            sink.publish(frame, time.monotonic())

    worker = threading.Thread(target=work)
    endpoint.start(reception.receive)
    worker.start()
    try:
        yield endpoint.address[1]
    finally:
        stopping.set()
        worker.join()
        sink.close()
        endpoint.stop()


def test_nothing_escapes() -> None:
    done = fuzz("--packets", "30000", "--seed", "20261125", "--stall-ms", "1000")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "30000 packets of seed 20261125" in done.stdout
    assert " 0 escapes" in done.stdout


def test_every_packet_over_udp_is_counted_and_frames_go_on() -> None:
    # How late frames come says nothing on a machine that does other work: the limit is for runs by hand.
    with station() as port:
        done = fuzz("--port", str(port), "--packets", "10000", "--seed", "20261125", "--stall-ms", "100000")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "it answers" in done.stdout


def test_packets_that_nobody_counts_are_a_failure() -> None:
    with station(counting=False) as port:
        done = fuzz("--port", str(port), "--packets", "1000", "--stall-ms", "100000")
    assert done.returncode == 1
    assert "were neither refused nor dropped" in done.stdout


def test_a_stall_is_a_failure() -> None:
    with station() as port:
        done = fuzz("--port", str(port), "--packets", "1000", "--stall-ms", "-100000")
    assert done.returncode == 1


def test_a_slow_packet_is_a_failure() -> None:
    assert fuzz("--packets", "1000", "--stall-ms", "0").returncode == 1


def test_nobody_there_is_a_failure() -> None:
    endpoint = UdpEndpoint("127.0.0.1", 0)
    try:
        done = fuzz("--port", str(endpoint.address[1]), "--packets", "10")
    finally:
        endpoint.stop()
    assert done.returncode == 1
    assert "nobody answers" in done.stdout
