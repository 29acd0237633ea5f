"""Connections on the loopback interface: commands in, answers and frames out, and none that hurts another."""

import contextlib
import logging
import re
import socket
import struct
import threading
from collections.abc import Iterator

import pytest

from bridge.control.inbox import CommandInbox
from bridge.control.pairing import Pairing
from bridge.control.reception import OscReception
from bridge.procedure.commands import NextStep
from bridge.wire import tcp
from bridge.wire.framing import SizeFraming, SlipFraming, with_ends, with_size
from bridge.wire.osc import decode, encode_message
from bridge.wire.subscribers import Subscribers
from bridge.wire.tcp import TcpServer
from bridge.wire.udp import Sender, StreamPeer, UdpError
from tests.wire.waiting import DEADLINE_S, wait_until


class Station:
    """A server with the reception behind it."""

    def __init__(self, server: TcpServer) -> None:
        self.server = server
        self.inbox = CommandInbox()
        self.subscribers = Subscribers()
        self.reception = OscReception(self.inbox, self.subscribers, Pairing(""), lambda *_: None)
        server.start(self.reception.receive, self.reception.closed)

    def peers(self) -> list[StreamPeer]:
        return [one for one in self.subscribers.active(0.0) if isinstance(one, StreamPeer)]


@contextlib.contextmanager
def station(framing: str = "size", listen: str = "127.0.0.1") -> Iterator[Station]:
    server = TcpServer(listen, 0, framing)  # type: ignore[arg-type]
    try:
        yield Station(server)
    finally:
        server.stop()


class Peer:
    """A program at the other end, with its own idea of the framing."""

    def __init__(self, server: TcpServer, framing: str = "size", host: str = "127.0.0.1") -> None:
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        self.socket = socket.socket(family, socket.SOCK_STREAM)
        self.socket.settimeout(DEADLINE_S)
        self.socket.connect((host, server.address[1]))
        self._framed = with_ends if framing == "slip" else with_size
        self._parts = SlipFraming(1 << 20) if framing == "slip" else SizeFraming(1 << 20)
        self._packets: list[bytes] = []

    def send(self, address: str, tags: str = "", *values: object) -> None:
        self.socket.sendall(self._framed(encode_message(address, tags, values)))  # type: ignore[arg-type]

    def packet(self) -> bytes:
        while not self._packets:
            data = self.socket.recv(65_536)
            assert data, "the connection has ended"
            self._packets += self._parts.feed(data)
        return self._packets.pop(0)

    def message(self) -> tuple[object, ...]:
        [message] = decode(self.packet()).messages
        return (message.address, *message.arguments)

    def ended(self) -> bool:
        try:
            while self.socket.recv(65_536):
                pass
        except ConnectionResetError:
            pass
        return True

    def __enter__(self) -> "Peer":
        return self

    def __exit__(self, *_: object) -> None:
        self.socket.close()


@pytest.mark.parametrize("framing", ["size", "slip"])
@pytest.mark.parametrize(("listen", "host"), [("127.0.0.1", "127.0.0.1"), ("::", "::1"), ("::", "127.0.0.1")])
def test_a_command_there_and_its_answer_back(framing: str, listen: str, host: str) -> None:
    with station(framing, listen) as here, Peer(here.server, framing, host) as peer:
        peer.send("/do/next", "s", "r1")
        requests: list = []
        wait_until(lambda: bool(requests.extend(here.inbox.take()) or requests))
        assert [request.command for request in requests] == [NextStep()]
        requests[0].answer(None)
        assert peer.message() == ("/done", "r1")
        peer.send("/do/nex", "s", "r2")
        assert peer.message() == ("/refused", "r2", "nothing is at /do/nex; near it is /do/next")


@pytest.mark.parametrize("framing", ["size", "slip"])
def test_subscribers_are_shown_frames_until_they_go(framing: str) -> None:
    with station(framing) as here:
        with Peer(here.server, framing) as peer:
            peer.send("/subscribe", "is", 60, "r1")
            assert peer.message() == ("/done", "r1")
            [subscriber] = here.peers()
            assert subscriber.link.show(encode_message("/tone/hz", "f", (440.0,)))
            assert peer.message() == ("/tone/hz", 440.0)
        wait_until(lambda: here.peers() == [])
        assert not subscriber.link.show(b"late")
        assert not subscriber.link.send(b"late")


def test_ten_bytes_at_a_time() -> None:
    with station() as here, Peer(here.server) as peer:
        stream = b"".join(with_size(encode_message("/do/note", "s", (f"note {n}",))) for n in range(20))
        for start in range(0, len(stream), 10):
            peer.socket.sendall(stream[start : start + 10])
        got: list = []
        wait_until(lambda: bool(got.extend(here.inbox.take()) or len(got) == 20))
        assert [request.command.text for request in got] == [f"note {n}" for n in range(20)]


def test_a_reader_that_sleeps_is_cut_off_and_the_other_hears_every_answer(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(tcp, "STUCK_S", 0.2)
    with station() as here, Peer(here.server) as asleep, Peer(here.server) as awake:
        for peer in (asleep, awake):
            peer.send("/subscribe", "is", 60, "r")
            assert peer.message() == ("/done", "r")
        frame = encode_message("/filler", "b", (bytes(60_000),))
        with caplog.at_level(logging.WARNING):
            for number in range(10_000):
                for one in here.peers():
                    one.link.show(frame)
                awake.send("/version", "s", str(number))
                while (message := awake.message())[0] != "/done":
                    pass
                assert message == ("/done", str(number))
                if here.server.cut_offs:
                    break
        assert "was cut off: it took nothing" in caplog.text
        assert len(here.peers()) == 1
        assert asleep.ended()


def test_what_is_no_stream_of_packets_is_cut_off() -> None:
    with station() as here, Peer(here.server) as stray, Peer(here.server) as good:
        stray.socket.sendall(b"GET / HTTP/1.1\r\n\r\n")
        assert stray.ended()
        good.send("/version", "s", "r")
        assert good.message()[0] == "/version"
        assert here.server.cut_offs == 1


def test_slip_goes_on_after_junk_and_counts_it() -> None:
    with station("slip") as here, Peer(here.server, "slip") as peer:
        peer.socket.sendall(b"GET / HTTP/1.1\r\n\r\n" + bytes(5000))
        peer.send("/version", "s", "r")
        assert peer.message()[0] == "/version"
        assert here.reception.refused_packets == 1


def test_a_host_has_a_bounded_number_of_connections() -> None:
    with station() as here, contextlib.ExitStack() as stack:
        for _ in range(tcp.CONNECTIONS_A_HOST):
            peer = stack.enter_context(Peer(here.server))
            peer.send("/version")
            assert peer.message()[0] == "/version"
        assert stack.enter_context(Peer(here.server)).ended()
        assert here.server.refused_connections == 1


def test_a_connection_that_is_reset_ends_alone_and_is_counted(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level("INFO")
    with station() as here, Peer(here.server) as other:
        with Peer(here.server) as peer:
            peer.send("/subscribe", "is", 60, "r1")
            assert peer.message() == ("/done", "r1")
            peer.socket.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        wait_until(lambda: here.peers() == [])
        other.send("/version")
        assert other.message()[0] == "/version"
        assert here.server.lost_connections == 1
        assert re.search(r"OSC over TCP: 127\.0\.0\.1:\d+ went away without a good-bye: 1 so far", caplog.text)
        # One that ends as it should is not lost.
        with Peer(here.server) as peer:
            peer.send("/subscribe", "is", 60, "r2")
            assert peer.message() == ("/done", "r2")
            peer.socket.shutdown(socket.SHUT_WR)
            wait_until(lambda: here.peers() == [])
        assert here.server.lost_connections == 1


def test_a_fault_in_handling_does_not_end_hearing(caplog: pytest.LogCaptureFixture) -> None:
    heard: list[bytes] = []

    def receive(packet: bytes, sender: Sender, now_s: float) -> None:
        heard.append(packet)
        if len(heard) == 1:
            raise ZeroDivisionError

    server = TcpServer("127.0.0.1", 0, "size")
    server.start(receive, lambda _: None)
    try:
        with Peer(server) as peer:
            peer.send("/a")
            peer.send("/b")
            wait_until(lambda: len(heard) == 2)
    finally:
        server.stop()
    assert "could not be handled" in caplog.text


def test_it_stops_at_once_and_leaves_nothing() -> None:
    before = threading.active_count()
    with station() as here:
        port = here.server.address[1]
        peer = Peer(here.server)
        with pytest.raises(UdpError, match=f"cannot listen at 127.0.0.1 TCP port {port}: Address already in use"):
            TcpServer("127.0.0.1", port, "size")
    assert threading.active_count() == before
    with peer:
        assert peer.ended()
    here.server.stop()
