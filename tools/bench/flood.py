"""Whether a flood of packets holds up metering: how late a thread that must run every 5 ms runs, with and without one.

The thread stands in for metering: it is woken as blocks of 512 frames at 96 kHz would wake it, filters 24 tracks and
publishes 30 times a second to a subscriber. The flood comes from another process, as fast as it can send, by UDP and by
TCP at once: commands that do not exist, commands that do, broken packets and packets of the longest kind. A process
beside it all that does nothing but wake as often says how late this computer itself is. What this program itself makes
late it must have spent in a processor, whichever of its threads did: only as much of a lateness is its own.
"""

import contextlib
import logging
import multiprocessing
import socket
import sys
import threading
import time
from collections.abc import Callable
from multiprocessing.synchronize import Event

import numpy as np

from bridge.control.inbox import CommandInbox
from bridge.control.pairing import Pairing
from bridge.control.reception import OscReception
from bridge.daemon.service import SWITCH_INTERVAL_S
from bridge.sinks.osc import OscSink
from bridge.wire.framing import with_size
from bridge.wire.osc import encode_bundle, encode_message
from bridge.wire.subscribers import Subscribers
from bridge.wire.tcp import TcpServer
from bridge.wire.udp import RECEIVE_BYTES, UdpEndpoint
from tools.bench.osc import frames
from tools.bench.timing import report

PERIOD_S = 512 / 96_000
MEASURED_S = 8.0


def worst_packets() -> list[bytes]:
    """Return packets that take the longest, and some of every kind."""
    unknown = [encode_message(f"/do/nexu{number}") for number in range(52)]
    done = [encode_message("/do/log", "is", (number % 24 + 1, f"r{number}")) for number in range(36)]
    packets = [
        encode_bundle(1, unknown),
        encode_bundle(1, done),
        encode_bundle(1, [encode_message("/version")] * 70),
        encode_message("/do/note", "s", ("é" * 500,)),
        b"#bundle\0" + bytes(8) + b"\0\0\0\4/a\0\0" * 120,
        b"junk" * (RECEIVE_BYTES // 4),
        encode_message("/do/nex"),
    ]
    if max(map(len, packets)) > RECEIVE_BYTES:
        raise SystemExit("a packet is too long to be read at all")
    return packets


def flood(udp_port: int, tcp_port: int, over: Event) -> None:
    """Send without end."""
    packets = worst_packets()
    framed = b"".join(map(with_size, packets))
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as datagrams:
        while not over.is_set():
            # Whoever is cut off comes back.
            with contextlib.suppress(ConnectionError), socket.create_connection(("127.0.0.1", tcp_port)) as stream:
                stream.setblocking(False)
                rest = framed
                while not over.is_set():
                    for packet in packets:
                        datagrams.sendto(packet, ("127.0.0.1", udp_port))
                    with contextlib.suppress(BlockingIOError):
                        rest = rest[stream.send(rest) :] or framed
                    with contextlib.suppress(BlockingIOError):
                        stream.recv(1 << 20)


def late_s(over: Callable[[], bool], work: Callable[[int], object]) -> tuple[list[float], list[float]]:
    """Run work every period; a schedule that was missed goes on from there.

    Returns
    -------
    tuple of list of float
        How late each run ended, and how much of it this process can have caused, both rising, seconds.
    """
    late, own = [], []
    due_s, spent_s = time.monotonic(), time.process_time()
    number = 0
    while not over():
        due_s += PERIOD_S
        time.sleep(max(0.0, due_s - time.monotonic()))
        work(number)
        number += 1
        late.append(time.monotonic() - due_s)
        before_s, spent_s = spent_s, time.process_time()
        own.append(min(late[-1], spent_s - before_s))
        due_s = max(due_s, time.monotonic() - PERIOD_S)
    return sorted(late), sorted(own)


def beside(seconds: float, into: "multiprocessing.Queue[float]") -> None:
    """Do nothing but wake: how late the computer itself is."""
    end_s = time.monotonic() + seconds
    into.put(late_s(lambda: time.monotonic() > end_s, lambda _: None)[0][-1] * 1000)


def measured(with_flood: bool) -> tuple[list[float], list[float], float, int]:
    """Return what `late_s` does, the worst of the process beside in ms, and how many packets were refused."""
    inbox, subscribers = CommandInbox(), Subscribers()
    endpoint = UdpEndpoint("127.0.0.1", 0)
    reception = OscReception(inbox, subscribers, Pairing(""), endpoint.send)
    tcp = TcpServer("127.0.0.1", 0, "size")
    endpoint.start(reception.receive)
    tcp.start(reception.receive, reception.closed)
    hears = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    hears.bind(("127.0.0.1", 0))
    subscribers.subscribe(hears.getsockname(), 3600, time.monotonic())
    sink = OscSink(endpoint, subscribers)
    shown = frames(30)
    block, matrix = np.random.default_rng(0).standard_normal((512, 24)), np.ones((2, 512)) / 512

    def work(number: int) -> None:
        matrix @ np.abs(block)
        for request in inbox.take():
            request.answer(None)
        if number % 6 == 0:
            sink.publish(shown[number // 6 % 30], time.monotonic())

    spawning = multiprocessing.get_context("spawn")
    over, queue = spawning.Event(), spawning.Queue()
    others = [spawning.Process(target=beside, args=(MEASURED_S, queue))]
    if with_flood:
        others.append(spawning.Process(target=flood, args=(endpoint.address[1], tcp.address[1], over)))
    for one in others:
        one.start()
    late: list[list[float]] = []
    end_s = time.monotonic() + MEASURED_S + 1.0
    metering = threading.Thread(target=lambda: late.extend(late_s(lambda: time.monotonic() > end_s, work)))
    metering.start()
    metering.join()
    over.set()
    worst_beside_ms = queue.get()
    for one in others:
        one.join()
    tcp.stop()
    endpoint.stop()
    hears.close()
    return late[0], late[1], worst_beside_ms, reception.refused_packets


def main() -> None:
    sys.setswitchinterval(SWITCH_INTERVAL_S)
    logging.disable()
    for with_flood in (False, True):
        late, own, beside_ms, refused = measured(with_flood)
        what = "in a flood" if with_flood else "in peace"
        typical_ms, rare_ms, worst_ms = (late[place] * 1000 for place in (len(late) // 2, -len(late) // 1000, -1))
        print(
            f"{what}: {typical_ms:.1f} ms late (median), {rare_ms:.1f} ms (one in a thousand), {worst_ms:.1f} ms",
            end="",
        )
        print(f" (worst; of a process beside {beside_ms:.1f} ms), {refused} packets refused")
        own_ms = own[-1] * 1000
        report(f"{what}, at worst, of its own making, ms", own_ms, "< 50", own_ms < 50)


if __name__ == "__main__":
    main()
