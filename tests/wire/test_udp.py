"""Datagrams through real sockets on the loopback interface."""

import contextlib
import logging
import socket
import threading
import time
from collections.abc import Iterator

import pytest

from bridge.wire import udp
from bridge.wire.osc import encode_message
from bridge.wire.turns import LONGEST_PAUSE_S, pause_s
from bridge.wire.udp import Address, UdpDestination, UdpEndpoint, UdpError, is_loopback, printable, resolve
from tests.wire.waiting import DEADLINE_S, wait_until


@contextlib.contextmanager
def hearing(listen: str = "127.0.0.1") -> Iterator[tuple[UdpEndpoint, list[tuple[bytes, Address]]]]:
    heard: list[tuple[bytes, Address]] = []
    endpoint = UdpEndpoint(listen, 0)
    endpoint.start(lambda packet, sender, now_s: heard.append((packet, sender)))
    try:
        yield endpoint, heard
    finally:
        endpoint.stop()


@contextlib.contextmanager
def peer(family: socket.AddressFamily = socket.AF_INET) -> Iterator[socket.socket]:
    with socket.socket(family, socket.SOCK_DGRAM) as made:
        made.bind(("127.0.0.1" if family == socket.AF_INET else "::1", 0))
        made.settimeout(DEADLINE_S)
        yield made


@pytest.mark.parametrize(
    ("listen", "family", "host"),
    [
        ("127.0.0.1", socket.AF_INET, "127.0.0.1"),
        ("localhost", socket.AF_INET, "127.0.0.1"),
        ("::1", socket.AF_INET6, "::1"),
        ("::", socket.AF_INET6, "::1"),
        ("::", socket.AF_INET, "127.0.0.1"),
    ],
)
def test_there_and_back(listen: str, family: socket.AddressFamily, host: str) -> None:
    with hearing(listen) as (endpoint, heard), peer(family) as other:
        other.sendto(b"ping", (host, endpoint.address[1]))
        wait_until(lambda: heard != [])
        assert heard == [(b"ping", other.getsockname())]
        assert endpoint.send(b"pong", heard[0][1])
        packet, sender = other.recvfrom(100)
        assert packet == b"pong"
        assert sender[:2] == (host, endpoint.address[1])


def test_it_stops_at_once_and_leaves_no_thread() -> None:
    before = threading.active_count()
    with hearing() as (endpoint, _):
        assert threading.active_count() == before + 1
        with peer() as other:
            other.sendto(b"ping", endpoint.address)
    assert threading.active_count() == before
    endpoint.stop()
    assert not endpoint.send(b"late", ("127.0.0.1", 9))


def test_the_port_is_free_again() -> None:
    with hearing() as (endpoint, _):
        port = endpoint.address[1]
        with pytest.raises(UdpError, match=f"cannot listen at 127.0.0.1 port {port}: Address already in use"):
            UdpEndpoint("127.0.0.1", port)
    UdpEndpoint("127.0.0.1", port).stop()


@pytest.mark.parametrize("listen", ["203.0.113.7", "no such host", "2001:db8::1", ""])
def test_an_address_that_is_not_ours(listen: str) -> None:
    with pytest.raises(UdpError, match="cannot listen at"):
        UdpEndpoint(listen, 0)


def test_a_long_packet_comes_cut_but_too_long() -> None:
    with hearing() as (endpoint, heard), peer() as other:
        other.sendto(bytes(1472), endpoint.address)
        other.sendto(bytes(5000), endpoint.address)
        wait_until(lambda: len(heard) == 2)
        assert [len(packet) for packet, _ in heard] == [1472, 1473]


def test_a_fault_in_handling_does_not_end_hearing(caplog: pytest.LogCaptureFixture) -> None:
    heard = []

    def receive(packet: bytes, sender: Address, now_s: float) -> None:
        heard.append(packet)
        if packet == b"bad":
            raise ZeroDivisionError

    endpoint = UdpEndpoint("127.0.0.1", 0)
    endpoint.start(receive)
    try:
        with peer() as other:
            other.sendto(b"bad", endpoint.address)
            other.sendto(b"good", endpoint.address)
            wait_until(lambda: heard == [b"bad", b"good"])
    finally:
        endpoint.stop()
    assert "could not be handled" in caplog.text


def test_every_packet_of_a_flood_is_heard_or_counted() -> None:
    # While the thread is held up, the system's buffer (some hundred packets) overflows.
    held_up = threading.Event()
    heard = []

    def receive(packet: bytes, sender: Address, now_s: float) -> None:
        held_up.wait(DEADLINE_S)
        heard.append(packet)

    endpoint = UdpEndpoint("127.0.0.1", 0)
    endpoint.start(receive)
    try:
        with peer() as other:
            for _ in range(20_000):
                other.sendto(bytes(1000), endpoint.address)
            held_up.set()
            wait_until(lambda: len(heard) > 100)
            wait_until(lambda: len(heard) + endpoint.dropped_packets == 20_000)
            assert endpoint.dropped_packets > 0
    finally:
        endpoint.stop()
    assert len(heard) + endpoint.dropped_packets == 20_000, "what it has counted outlives its sockets"


def test_what_a_flood_has_lost_at_its_end_is_known_without_another_packet() -> None:
    held_up = threading.Event()
    endpoint = UdpEndpoint("127.0.0.1", 0)
    endpoint.start(lambda packet, sender, now_s: bool(held_up.wait(DEADLINE_S)))
    try:
        with peer() as other:
            for _ in range(20_000):
                other.sendto(bytes(1000), endpoint.address)
        assert endpoint.dropped_packets > 0
    finally:
        held_up.set()
        endpoint.stop()


def test_a_long_turn_is_rested_off_but_not_for_long() -> None:
    assert pause_s(0.0) == 0.005, "never less, so that no sender has the processor to itself"
    assert pause_s(0.002) == pytest.approx(0.010), "five sixths of the time"
    assert pause_s(0.2, LONGEST_PAUSE_S) == 0.05, "a collection of garbage does not deafen it for a second"
    assert pause_s(0.2) == pytest.approx(1.0), "where nothing is lost meanwhile, many at once have their share as well"


def test_a_destination_that_is_not_there_costs_a_count_and_one_line(caplog: pytest.LogCaptureFixture) -> None:
    with peer() as other:
        address = other.getsockname()
    destination = UdpDestination(address)
    try:
        with caplog.at_level(logging.WARNING):
            wait_until(lambda: destination.send(b"frame") and destination.lost_packets >= 5)
        assert [record.getMessage() for record in caplog.records] == [
            f"cannot send to 127.0.0.1:{address[1]}: Connection refused"
        ]
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as back:
            back.bind(address)
            back.settimeout(DEADLINE_S)
            # The refusal of an earlier one may still have to be told.
            wait_until(lambda: destination.send(b"again"))
            assert back.recv(100) == b"again"
    finally:
        destination.close()


def test_a_packet_that_is_too_long_costs_a_count_and_one_line(caplog: pytest.LogCaptureFixture) -> None:
    with peer() as other, hearing() as (endpoint, _):
        destination = UdpDestination(other.getsockname())
        assert not destination.send(bytes(70_000))
        assert destination.lost_packets == 1
        assert not endpoint.send(bytes(70_000), other.getsockname())
        assert not endpoint.send(bytes(70_000), other.getsockname())
        assert endpoint.lost_packets == 2
        assert caplog.text.count("cannot send to") == 2
        assert destination.send(b"short")
        assert other.recv(100) == b"short"
        destination.close()


def test_a_receiver_that_was_gone_is_told_to_be_back_once_it_is(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(udp, "RETURNED_S", 0.3)
    with peer() as other:
        address = other.getsockname()
        destination = UdpDestination(address)
    back = f"{printable(address)} receives again"
    with caplog.at_level(logging.INFO):
        gone_s = time.monotonic()
        # The system takes every other packet for a port that is closed.
        while time.monotonic() - gone_s < 1.0:
            destination.send(b"frame")
        assert destination.problem == f"cannot send to {printable(address)}: Connection refused"
        assert caplog.text.count(destination.problem) == 1
        assert back not in caplog.text
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other:
            other.bind(address)
            wait_until(lambda: destination.send(b"frame") and not destination.problem)
        assert caplog.text.count(back) == 1
    destination.close()


def test_a_family_that_is_not_listened_at() -> None:
    with hearing() as (endpoint, _):
        assert not endpoint.send(b"frame", ("::1", 9, 0, 0))
        assert endpoint.lost_packets == 1


def test_a_full_buffer_never_blocks() -> None:
    # The receiver never reads: the loopback interface drops at its end, or the sender is told; neither may wait.
    with peer() as other:
        destination = UdpDestination(other.getsockname())
        for _ in range(2_000):
            destination.send(bytes(10_000))
        destination.close()


@pytest.mark.parametrize(
    ("destination", "address"),
    [
        ("127.0.0.1:9000", ("127.0.0.1", 9000)),
        ("localhost:9000", ("127.0.0.1", 9000)),
        ("[::1]:9000", ("::1", 9000, 0, 0)),
        ("192.0.2.7:1", ("192.0.2.7", 1)),
    ],
)
def test_destinations(destination: str, address: Address) -> None:
    assert resolve(destination) == address


@pytest.mark.parametrize(
    "destination",
    ["", "9000", "127.0.0.1", ":9000", "127.0.0.1:", "127.0.0.1:0", "127.0.0.1:65536", "127.0.0.1:+1", "::1:9000"],
)
def test_what_is_no_destination(destination: str) -> None:
    with pytest.raises(UdpError, match="is not host:port"):
        resolve(destination)


@pytest.mark.parametrize("destination", ["no such host:9000", "x" * 300 + ":9000", "..:9000"])
def test_a_host_that_is_not_known(destination: str) -> None:
    with pytest.raises(UdpError, match="is not known"):
        resolve(destination)


def test_loopback_and_print() -> None:
    assert all(map(is_loopback, ["127.0.0.1", "127.9.9.9", "::1", "::ffff:127.0.0.1"]))
    assert not any(map(is_loopback, ["192.0.2.1", "::", "0.0.0.0", "fe80::1%eth0", "2001:db8::1", "::ffff:192.0.2.1"]))
    assert printable(("192.0.2.7", 9000)) == "192.0.2.7:9000"
    assert printable(("::1", 9000, 0, 0)) == "[::1]:9000"


def test_the_longest_command_is_taken() -> None:
    # A note of 500 characters of two bytes with a request id of 64: the longest the address table allows for text of
    # European languages.
    assert len(encode_message("/do/note", "ss", ("é" * 500, "x" * 64))) <= udp.RECEIVE_BYTES
