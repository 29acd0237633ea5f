"""The OSC side: encoding and decoding beside python-osc in one run, and what subscribers and questions cost.

python-osc builds and reads the same bundle of 24 tracks; both results are compared before anything is timed.
"""

import contextlib
import errno
import gc
import json
import logging
import math
import socket
import time
from collections.abc import Callable, Iterator

from pythonosc.osc_bundle import OscBundle
from pythonosc.osc_bundle_builder import IMMEDIATELY, OscBundleBuilder
from pythonosc.osc_message_builder import OscMessageBuilder

from bridge.readings import Frame, Health, Reading, StepReading
from bridge.sinks.osc import OscSink
from bridge.wire.addresses import FRAME_ADDRESSES, READING_ADDRESSES
from bridge.wire.frames import FrameEncoder, frame_values, reading_values
from bridge.wire.osc import decode
from bridge.wire.subscribers import Subscribers
from bridge.wire.tree import Host, Tree, values_of
from bridge.wire.udp import UdpDestination, UdpEndpoint
from tools.bench.timing import best_s, report

TRACKS = 24
ROUNDS = 12


def frames(count: int) -> list[Frame]:
    """Return frames whose levels change from one to the next, as they do."""
    step = StepReading(1, 4, "repro level", 1000.0, 15.0, 0.0, 0.1)
    return [
        Frame(
            number / 30,
            1_795_600_000_000_000_000 + number * 33_333_333,
            1000.0,
            step,
            1,
            False,
            0,
            tuple(
                Reading(track, -track / 8 + number / 64, number / 64, 0.25, 0.01, "settled", -17.0, -18.0)
                for track in range(1, TRACKS + 1)
            ),
            Health(),
        )
        for number in range(count)
    ]


def by_python_osc(frame: Frame) -> bytes:
    """Return the frame as python-osc writes it."""
    bundle = OscBundleBuilder(IMMEDIATELY)
    rows = [
        (row.of_track(reading.track), argument.tag, value)
        for reading in frame.readings
        for row, value in zip(READING_ADDRESSES, reading_values(reading), strict=True)
        for argument in row.arguments
    ]
    rows += [
        (row.path, row.arguments[0].tag, value) for row, value in zip(FRAME_ADDRESSES, frame_values(frame), strict=True)
    ]
    for path, tag, value in rows:
        message = OscMessageBuilder(path)
        message.add_arg(value, ("T" if value else "F") if tag == "T" else tag)
        bundle.add_content(message.build())
    return bundle.build().dgram


def read_by_python_osc(packet: bytes) -> dict[str, object]:
    """Return values by address, as python-osc reads them."""
    return {one.address: one.params[0] for one in OscBundle(packet)}


def read_here(packet: bytes) -> dict[str, object]:
    """Return values by address, as they are read here."""
    return {one.address: one.arguments[0] for one in decode(packet).messages}


def codec() -> None:
    """Compare with python-osc."""
    pieces = frames(8)
    encoder = FrameEncoder()
    for frame in pieces:
        packet, theirs = encoder.encode(frame), by_python_osc(frame)
        # A float32 of theirs is a float32 of ours; all are exact here.
        if not read_by_python_osc(theirs) == read_by_python_osc(packet) == read_here(packet) == read_here(theirs):
            raise SystemExit("the two do not say the same")
    packet = encoder.encode(pieces[0])
    times = best_s(
        {
            "encode": lambda: [encoder.encode(frame) for frame in pieces],
            "their encode": lambda: [by_python_osc(frame) for frame in pieces],
            "decode": lambda: [decode(packet).messages for _ in pieces],
            "their decode": lambda: [list(OscBundle(packet)) for _ in pieces],
        },
        ROUNDS,
        4,
    )
    for what, goal in (("encode", 20), ("decode", 2)):
        ratio = times[f"their {what}"] / times[what]
        each_us = times[what] / len(pieces) * 1e6
        title = f"{what} a frame of {TRACKS} tracks, times python-osc ({each_us:.0f} µs)"
        report(title, ratio, f">= {goal}", ratio >= goal)


@contextlib.contextmanager
def subscribed(count: int) -> Iterator[Callable[[Frame], None]]:
    """Yield what publishes to so many subscribers, whose sockets are emptied each time."""
    with contextlib.ExitStack() as stack:
        endpoint = UdpEndpoint("127.0.0.1", 0)
        stack.callback(endpoint.stop)
        subscribers = Subscribers()
        sockets = []
        for _ in range(count):
            one = stack.enter_context(socket.socket(socket.AF_INET, socket.SOCK_DGRAM))
            one.bind(("127.0.0.1", 0))
            sockets.append(one)
            subscribers.subscribe(one.getsockname(), 3600, 0.0)
        sink = OscSink(endpoint, subscribers)

        def publish(frame: Frame) -> float:
            began_s = time.thread_time()
            sink.publish(frame, 0.0)
            spent_s = time.thread_time() - began_s
            for one in sockets:
                one.recv(65_536)
            return spent_s

        yield publish


def cost_of_subscribers() -> None:
    """Print what the metering thread pays for subscribers."""
    pieces = frames(300)
    for count, goal_percent in ((1, math.inf), (10, 1.0)):
        with subscribed(count) as publish:
            spent_s = sorted(publish(frame) for frame in pieces)
        typical_s = spent_s[len(spent_s) // 2]
        share = typical_s * 30 * 100
        title = f"{count} subscribers, 30 frames/s: % of one core ({typical_s * 1e6:.0f} µs a frame)"
        report(title, share, f"< {goal_percent:g}" if goal_percent < math.inf else "none", share < goal_percent)


def no_network(_made: socket.socket) -> None:
    """Fail as a socket does whose interface was taken away."""
    raise OSError(errno.ENODEV, "no such device")


def cost_of_the_gone() -> None:
    """Print what the metering thread pays for fixed receivers of which none is there."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as closed:
        closed.bind(("127.0.0.1", 0))
        address = closed.getsockname()
    kinds = {"nobody hears": UdpDestination(address), "no network leads to": UdpDestination(address, no_network)}
    logging.disable(logging.WARNING)
    for what, destination in kinds.items():
        # Ten that are the same: what one costs a frame does not depend on its address.
        sink = OscSink(endpoint := UdpEndpoint("127.0.0.1", 0), Subscribers(), [destination] * 10)
        spent_s = []
        for frame in frames(300):
            began_s = time.thread_time()
            sink.publish(frame, 0.0)
            spent_s.append(time.thread_time() - began_s)
        sink.close()
        endpoint.stop()
        if not destination.lost_packets:
            raise SystemExit(f"somebody hears at {address}")
        typical_s = sorted(spent_s)[len(spent_s) // 2]
        share = typical_s * 30 * 100
        title = f"10 receivers that {what}: % of one core ({typical_s * 1e6:.0f} µs a frame)"
        report(title, share, "< 1", share < 1.0)
    logging.disable(logging.NOTSET)


def cost_of_a_question() -> None:
    """Print what it takes to describe all addresses."""
    tree, frame = Tree(range(1, 65), Host("bench", "", 9710)), frames(1)[0]

    def ask() -> str:
        return json.dumps(tree.answer("/", "", values_of(frame)).document)

    each_ms = best_s({"ask": ask}, ROUNDS, 2)["ask"] * 1000
    report("describe all addresses of 64 tracks, ms", each_ms, "< 20", each_ms < 20)


def cost_of_garbage() -> None:
    """Print for how long the whole program stands still to look for garbage, with and without what `freeze` leaves out.

    Python looks through all objects that live, holding every thread; what was made before the start does not change.
    """
    import bridge.daemon.service  # noqa: F401, PLC0415 - all that the daemon loads

    def pause_ms() -> float:
        began_s = time.perf_counter()
        gc.collect()
        return (time.perf_counter() - began_s) * 1000

    gc.collect()
    before_ms = min(pause_ms() for _ in range(5))
    gc.freeze()
    after_ms = min(pause_ms() for _ in range(5))
    gc.unfreeze()
    print(f"full collection: {before_ms:.1f} ms; after gc.freeze(): {after_ms:.1f} ms")


def main() -> None:
    codec()
    cost_of_subscribers()
    cost_of_the_gone()
    cost_of_a_question()
    cost_of_garbage()
