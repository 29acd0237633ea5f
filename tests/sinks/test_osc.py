"""Frames and trims to real sockets."""

import contextlib
import dataclasses
import itertools
import socket
from collections.abc import Iterator

import pytest

from bridge.readings import Frame, Health, Reading, StepReading, Trim
from bridge.sinks.osc import OscSink
from bridge.wire.osc import Packet, decode
from bridge.wire.subscribers import Subscribers
from bridge.wire.udp import UdpDestination, UdpEndpoint

DEADLINE_S = 20.0

TRIM = Trim(
    machine="Slate Point two-inch",
    track=7,
    path="repro",
    adjustment="repro level",
    tone_hz=1000.0,
    speed_ips=15.0,
    target_vu=0.0,
    as_found_db=-1.25,
    as_left_db=0.0625,
    spread_db=0.03125,
    tolerance_db=0.1,
    started_s=10.0,
    settled_s=14.0,
    started_ns=1,
    settled_ns=2,
    origin="by hand",
)


def frame(tracks: int = 2, captured_ns: int = 1_795_600_000_000_000_000) -> Frame:
    readings = tuple(Reading(track, -1.0, -1.5, -1.25, 0.5, "tone", -17.0, -18.0) for track in range(1, tracks + 1))
    step = StepReading(1, 4, "repro level", 1000.0, 15.0, 0.0, 0.1)
    return Frame(1.0, captured_ns, 1000.0, step, 1, False, 0, readings, Health())


@contextlib.contextmanager
def receiver(family: socket.AddressFamily = socket.AF_INET) -> Iterator[socket.socket]:
    with socket.socket(family, socket.SOCK_DGRAM) as made:
        made.bind(("127.0.0.1" if family == socket.AF_INET else "::1", 0))
        made.settimeout(DEADLINE_S)
        yield made


@pytest.fixture
def endpoint() -> Iterator[UdpEndpoint]:
    made = UdpEndpoint("127.0.0.1", 0)
    yield made
    made.stop()


@contextlib.contextmanager
def sink(endpoint: UdpEndpoint, subscribers: Subscribers, *fixed: socket.socket) -> Iterator[OscSink]:
    made = OscSink(endpoint, subscribers, [UdpDestination(one.getsockname()) for one in fixed])
    try:
        yield made
    finally:
        made.close()


def take(one: socket.socket) -> Packet:
    return decode(one.recv(70_000))


def nothing_more(one: socket.socket) -> bool:
    one.setblocking(False)
    try:
        one.recv(70_000)
    except BlockingIOError:
        one.settimeout(DEADLINE_S)
        return True
    return False


def test_one_bundle_a_frame_to_everybody(endpoint: UdpEndpoint) -> None:
    subscribers = Subscribers()
    with (
        receiver() as one,
        receiver() as two,
        receiver(socket.AF_INET6) as fixed,
        sink(endpoint, subscribers, fixed) as out,
    ):
        for subscriber in (one, two):
            assert subscribers.subscribe(subscriber.getsockname(), 10, 100.0) is None
        out.publish(frame(), 101.0)
        packets = [take(receiving) for receiving in (one, two, fixed)]
        assert packets[0] == packets[1] == packets[2]
        assert len(packets[0].messages) == 2 * 5 + 38
        assert all(map(nothing_more, (one, two, fixed)))


def test_subscribers_are_sent_from_the_port_they_wrote_to(endpoint: UdpEndpoint) -> None:
    subscribers = Subscribers()
    with receiver() as one, sink(endpoint, subscribers) as out:
        subscribers.subscribe(one.getsockname(), 10, 100.0)
        out.publish(frame(), 101.0)
        assert one.recvfrom(70_000)[1] == endpoint.address


def test_frames_end_with_the_subscription(endpoint: UdpEndpoint) -> None:
    subscribers = Subscribers()
    with receiver() as one, receiver() as fixed, sink(endpoint, subscribers, fixed) as out:
        subscribers.subscribe(one.getsockname(), 10, 100.0)
        out.publish(frame(), 109.9)
        take(one)
        out.publish(frame(), 110.0)
        take(fixed)
        take(fixed)
        assert nothing_more(one)


def test_64_tracks_are_one_datagram(endpoint: UdpEndpoint) -> None:
    with receiver() as fixed, sink(endpoint, Subscribers(), fixed) as out:
        out.publish(frame(64), 0.0)
        assert len(take(fixed).messages) == 64 * 5 + 38
        assert out.lost_packets == 0


def test_time_tags_rise_with_the_capture(endpoint: UdpEndpoint) -> None:
    with receiver() as fixed, sink(endpoint, Subscribers(), fixed) as out:
        tags = []
        for number in range(100):
            out.publish(frame(captured_ns=1_795_600_000_000_000_000 + number * 10_000_000), 0.0)
            tags.append(take(fixed).time_tag)
        # RFC 5905, 6: the fraction counts 2^-32 s.
        assert all(0.0099 < (after - before) / 2**32 < 0.0101 for before, after in itertools.pairwise(tags))


def test_a_logged_trim(endpoint: UdpEndpoint) -> None:
    subscribers = Subscribers()
    with receiver() as one, receiver() as fixed, sink(endpoint, subscribers, fixed) as out:
        subscribers.subscribe(one.getsockname(), 10, 0.0)
        out.announce(TRIM, "42", 1.0)
        for receiving in (one, fixed):
            [message] = take(receiving).messages
            assert message.address == "/trim/logged"
            assert message.tags == "isfffs"
            assert message.arguments == (7, "repro level", -1.25, 0.0625, 0.03125, "42")


def test_a_receiver_that_is_gone_takes_nothing_from_the_others(endpoint: UdpEndpoint) -> None:
    with receiver() as gone:
        address = gone.getsockname()
    with receiver() as fixed:
        out = OscSink(endpoint, Subscribers(), [UdpDestination(address), UdpDestination(fixed.getsockname())])
        for _ in range(20):
            out.publish(frame(), 0.0)
            assert len(take(fixed).messages) == 48
        out.close()
        assert 0 < out.lost_packets < 20


def test_a_frame_that_cannot_be_sent_is_told_once_and_stops_nothing(
    endpoint: UdpEndpoint, caplog: pytest.LogCaptureFixture
) -> None:
    with receiver() as fixed, sink(endpoint, Subscribers(), fixed) as out:
        broken = dataclasses.replace(frame(), focus_track="three")  # type: ignore[arg-type]
        out.publish(broken, 1.0)
        out.publish(broken, 2.0)
        assert [record.getMessage() for record in caplog.records] == ["a frame could not be sent"]
        out.publish(frame(), 3.0)
        assert len(take(fixed).messages) == 48
